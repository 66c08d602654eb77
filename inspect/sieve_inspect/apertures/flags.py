"""The states and flags of openings, defined here alone."""

from __future__ import annotations

from enum import IntFlag, StrEnum


class State(StrEnum):
    """The state of an opening; only `OK` openings enter mean and standard deviation."""

    OK = "ok"
    BLOCKED = "blocked"  # something lies in it
    TORN = "torn"  # a wire beside it is missing or broken
    PARTIAL = "partial"  # cut by the picture's border or the frame, or hidden in part by it
    UNCLEAR = "unclear"  # the pixels do not fit an opening between straight wires


class Flag(IntFlag):
    """Reasons for the state of an opening, or remarks on an opening that is `OK`."""

    NONE = 0
    BORDER = 1 << 0  # reaches the picture's border
    FILLED = 1 << 1  # a good part of its area is dark
    WIRE_MISSING = 1 << 2  # light where a wire should be
    MISFIT = 1 << 3  # pixels disagree with the fitted edges beyond their noise
    NO_EDGE = 1 << 4  # an edge is not visible; widths are NaN
    OVERSIZE = 1 << 5  # far wider than the spread of the widths explains
    TOUCHED = 1 << 6  # something small and dark lies in it
    FRAME = 1 << 7  # reaches the ring of the frame


def flag_names(value: int) -> str:
    """The flags of an opening as text, joined by '+', in their order here; empty for none."""
    return "+".join(f.name.lower() for f in Flag if f.value and value & f.value and f.name)
