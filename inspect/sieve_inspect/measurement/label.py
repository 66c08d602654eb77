"""Which direction of a picture is x by the label of its sieve, whichever way the sieve lay.

A picture is measured along itself: its x is the direction of the cloth within 45° of horizontal.
Cloth at 40° whose sieve is turned by 10° more lies at 50°, so that its x becomes the picture's y.
Only the angle between cloth and label stays, a lattice at A under a label turned by T:

    x is the picture's y where A − T is nearer to a quarter turn than to none

A cloth that was measured before shows its directions itself, whatever the label says.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from sieve_inspect.measurement.picture import Picture


def angle_deg(picture: Picture) -> float:
    """Angle of the picture's direction x, clockwise from horizontal."""
    x, y = picture.field.run_of_x()
    return math.degrees(math.atan2(y, x))


def exchanged_by_label(
    angles_deg: Sequence[float], turned_deg: float, quarter: Sequence[bool | None]
) -> tuple[bool, ...]:
    """Whether the label's x is the picture's y, for each picture, by the angles of their cloth.

    `quarter` is whether a picture is known to lie a quarter turn from the first. One of which that
    is not known lies as the first: past 45° beside it, it has its directions as the first has them.
    """
    first = _quarter(angles_deg[0] - turned_deg)
    return tuple(
        first != (_quarter(angle - angles_deg[0]) if turned is None else turned)
        for angle, turned in zip(angles_deg, quarter, strict=True)
    )


def against_label(by_cloth: Sequence[bool | None], scans: int) -> tuple[bool, ...]:
    """Which of so many scans lie a quarter turn from where their label says, by the cloth.

    One of which that is not known (None) lies as the first of which it is; empty: none is.
    """
    first = next((turned for turned in by_cloth if turned is not None), False)
    return tuple(first if turned is None else turned for turned in by_cloth or (None,) * scans)


def with_exchanged(pictures: Sequence[Picture], exchanged: Sequence[bool]) -> tuple[Picture, ...]:
    """The pictures, x and y exchanged in some of them."""
    return tuple(
        replace(p, samples=(p.samples[1], p.samples[0])) if swapped else p
        for p, swapped in zip(pictures, exchanged, strict=True)
    )


def _quarter(degrees: float) -> bool:
    """Whether an angle is nearer to a quarter turn, either way, than to none or a half."""
    return abs((degrees + 90) % 180 - 90) > 45
