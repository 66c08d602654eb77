"""What can be said of one opening: a state, and flags that tell why; named here alone."""

from __future__ import annotations

from enum import IntFlag, StrEnum

__all__ = ["Flag", "State", "flag_names"]


class State(StrEnum):
    """What an opening is good for; only `OK` openings enter mean and standard deviation."""

    OK = "ok"
    BLOCKED = "blocked"  # something lies in it
    TORN = "torn"  # a wire beside it is missing or broken
    PARTIAL = "partial"  # cut by the picture's border or the frame
    UNCLEAR = "unclear"  # the pixels do not fit an opening between straight wires


class Flag(IntFlag):
    """Why an opening is in its state, or what to know of one that is `OK`."""

    NONE = 0
    BORDER = 1 << 0  # reaches the picture's border
    FILLED = 1 << 1  # a good part of its area is dark
    WIRE_MISSING = 1 << 2  # light where a wire should be
    MISFIT = 1 << 3  # pixels disagree with the fitted edges beyond their noise
    NO_EDGE = 1 << 4  # no edge found where one should be; widths are NaN
    OVERSIZE = 1 << 5  # far larger than its neighbours' spread explains
    TOUCHED = 1 << 6  # something small and dark lies in it


def flag_names(value: int) -> str:
    """The flags of an opening as text, joined by '+', in their order here; empty for none."""
    return "+".join(f.name.lower() for f in Flag if f.value and value & f.value and f.name)
