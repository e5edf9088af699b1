"""Does what the calibration procedure asks for: owns the board's port and its records while it goes on.

One thread: while the person thinks nobody reads the port. The board needs no
host with its relay open; frames that went by meanwhile are let go.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from benchwarden.calibrate import (
    DUE_DAYS,
    KIND,
    KeepDraft,
    Measure,
    Outcome,
    Situation,
    StoreRecord,
    WriteRecord,
    calibrate,
)
from benchwarden.core.calibration import Calibration, unpack_calibration
from benchwarden.core.clock import Clock
from benchwarden.core.procedure import Answerer, carry_out
from benchwarden.core.samples import SampleBlock, block_from_frames
from benchwarden.errors import BoardFault, LinkError, LinkTimeout, RecordError
from benchwarden.link.board_client import BoardClient
from benchwarden.record.board_records import BoardRecords
from wardenfw import wire

# Wall seconds without a fresh frame after which the board counts as gone; a machine may stall for some.
_SILENCE_S = 15.0
HELLO_S = 10.0
# Half a second: a frame under way, and the modules' filters (some 20 ms).
_SETTLING_FRAMES = 5


class Bench:
    """Does what the procedure asks for, with one board and its records.

    Args:
        client: has said hello; closed by the caller.
    """

    def __init__(self, client: BoardClient, clock: Clock, records: BoardRecords) -> None:
        self._client = client
        self._clock = clock
        self._records = records

    def work(self, step: object) -> object:
        """Do one step; see calibrate.py.

        Raises:
            LinkError: the port is gone, or the board fell silent.
            BoardFault: the board restarted, or refused the record.
            RecordError: a record cannot be kept.
        """
        if isinstance(step, Measure):
            return self.measure(step.frames)
        if isinstance(step, KeepDraft):
            self._records.keep_draft(KIND, step.draft)
            return None
        if isinstance(step, WriteRecord):
            return self._write(step.record)
        if isinstance(step, StoreRecord):
            path = self._records.write(KIND, step.record["utc"], step.record)
            self._records.drop_draft(KIND)
            return str(path)
        raise TypeError(f"no such step: {type(step).__name__}")

    def measure(self, frames: int) -> SampleBlock:
        """Return that many frames begun after this moment."""
        known = self._client.boot
        # Its answer names the newest frame; those right after it still hold what was before.
        hello = self._client.hello(HELLO_S)
        if hello.boot != known:
            raise BoardFault("the board has restarted; the settings taken are kept, start again to go on from them")
        taken: list[npt.NDArray[np.void]] = []
        heard_s = self._clock.monotonic_s()
        while sum(len(part) for part in taken) < frames:
            received = self._client.poll(0.5)
            fresh = received.frames[received.frame_seqs > hello.newest_frame + _SETTLING_FRAMES]
            if len(received.frames):
                self._client.ack(int(received.frame_seqs[-1]), 0, 0)
            if len(fresh):
                heard_s = self._clock.monotonic_s()
                taken.append(fresh)
            elif self._clock.monotonic_s() - heard_s > _SILENCE_S:
                raise LinkTimeout(f"no readings came for {_SILENCE_S:g} s")
        rows = np.concatenate(taken)[:frames]
        return block_from_frames(rows, int(rows["t_ms"][0]))

    def _write(self, record: bytes) -> bytes:
        known = self._client.boot
        try:
            reply = self._client.write_calibration(record)
        except LinkTimeout:
            return self._written_without_answer(record, known)
        if not reply.done:
            raise BoardFault(
                f"the board refused the calibration ({reply.why}) and goes on with what it had: "
                f"{self._client.hello(HELLO_S).cal}; the settings taken are kept, start again to go on"
            )
        return self._client.info(wire.CALIBRATION_INFO)

    def _written_without_answer(self, record: bytes, known: int) -> bytes:
        """Return the record if the board measures with it all the same, as after a restart behind its writing."""
        hello = self._client.hello(HELLO_S)
        held = self._client.info(wire.CALIBRATION_INFO)
        if held == record:
            return held
        what = "restarted while it stored" if hello.boot != known else "did not answer to"
        raise BoardFault(
            f"the board {what} the calibration and goes on with what it had: {hello.cal}; "
            "the settings taken are kept, start again to go on"
        )


def in_force(client: BoardClient) -> Calibration | None:
    """Return the calibration the board measures with, None when it measures without one.

    Raises:
        RecordError: what the board hands out cannot be read.
    """
    return unpack_calibration(client.info(wire.CALIBRATION_INFO))


def guided(
    client: BoardClient,
    clock: Clock,
    records: BoardRecords,
    person: Answerer,
    channels: tuple[str, ...] = (),
    due_days: int = DUE_DAYS,
    virtual: bool = False,
) -> Outcome:
    """Calibrate the board at the other end of `client`, which has said hello."""
    hello = client.hello_facts
    assert hello is not None
    earlier, damaged = records.read(KIND)
    for words in damaged:
        person.tell(f"Passed over: {words}")
    draft = None
    try:
        draft = records.draft(KIND)
    except RecordError as error:
        person.tell(f"The points of an interrupted calibration cannot be read: {error}")
    situation = Situation(
        facts=hello.facts(),
        in_force=in_force(client),
        now=clock.utc_label,
        earlier=tuple(earlier),
        channels=channels,
        due_days=due_days,
        draft=draft,
        virtual=virtual,
    )
    try:
        return carry_out(calibrate(situation), person, Bench(client, clock, records).work)
    except LinkError as error:
        raise LinkError(f"{error}; the settings taken are kept in {records.folder}, start again to go on") from error
