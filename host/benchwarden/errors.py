"""The whole error tree; leaves differ by what the caller can do next."""

from __future__ import annotations


class BenchwardenError(Exception):
    """Base of every error this program raises on purpose."""


class PlanError(BenchwardenError, ValueError):
    """Unit facts, plan or recording are wrong; raised before anything is energised."""


class LinkError(BenchwardenError, OSError):
    """The port is gone, refused or held by another program."""


class LinkTimeout(LinkError, TimeoutError):
    """The board did not answer in time."""


class FrameError(LinkError):
    """A line arrived that is not a whole, intact message."""


class WireVersionError(LinkError):
    """Board and host speak different wire versions; the message names both."""


class BoardFault(BenchwardenError):
    """The board refused, or a readback contradicts the command."""


class StageError(BenchwardenError):
    """A request that the present stage does not allow."""


class RecordError(BenchwardenError):
    """The run record cannot be written or read."""


class RecordDamaged(RecordError):
    """The record was read, but part of it is lost.

    Attributes:
        recovered: what could be read, in words with counts.
        lost: what could not, in words with counts.
    """

    def __init__(self, message: str, recovered: str, lost: str) -> None:
        super().__init__(message)
        self.recovered = recovered
        self.lost = lost


class JobError(BenchwardenError, ValueError):
    """What was given about a job or a part is wrong; nothing was kept of it."""


class JobConflict(JobError):
    """Somebody else saved the job meanwhile; read it again and decide.

    Attributes:
        fields: names of what differs between the two, for the person to decide on.
    """

    def __init__(self, message: str, fields: tuple[str, ...] = ()) -> None:
        super().__init__(message)
        self.fields = fields
