"""What do people call the place of a channel?"""

from __future__ import annotations

from benchwarden.analysis.situation import BIAS, HF, OFFSET, SIDES, SINK
from benchwarden.core.channels import CHANNELS


def where(i: int) -> str:
    """Return the side of a channel, or its own name where it has none."""
    for pair in (OFFSET, BIAS, SINK, HF):
        if i in pair:
            return SIDES[pair.index(i)]
    return CHANNELS[i]
