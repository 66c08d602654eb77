"""Where on the cloth the fields of a check lie, as the stage of a microscope shows it.

Positions are the middles of the pictures in mm from the centre of the sieve, x to the right and y
down by its label, as the sampling plan lists them. They are typed, read from a table, or taken
from the names of the files: `S-0038-x+10-y-2.5.png`. Cloth in two pictures is counted once by the
cloth itself; pictures whose positions say otherwise are named.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from typing import Any, NamedTuple

from sieve_inspect.errors import UsageError

NAMES = "names"  # typed instead of positions: take them from the names of the files
_IN_NAME = re.compile(r"x([+-]?\d+(?:\.\d+)?)[-_ ]?y([+-]?\d+(?:\.\d+)?)", re.IGNORECASE)
_MOST_MM = 1000.0
_LEAST_OVERLAP = 0.05  # share of a picture; a stage is not exact to less


class Position(NamedTuple):
    """The middle of a picture, mm from the centre of the sieve."""

    x_mm: float
    y_mm: float


@dataclass(frozen=True)
class PlacedField:
    """A picture with its place and size (w, h), mm; `nearest_mm` is the distance to the next."""

    file: str
    position: Position
    size_mm: tuple[float, float]
    nearest_mm: float | None


def read_positions(text: str, files: Sequence[Path]) -> tuple[Position, ...]:
    """The position of each file from what was typed: "names", or pairs x,y in their order.

    Pairs are separated by blanks, line ends or semicolons; empty for an empty text. Raises
    `UsageError`.
    """
    if text.strip().casefold() == NAMES:
        return tuple(_of_name(file.name) for file in files)
    pairs = [pair for pair in re.split(r"[\s;]+", text) if pair]
    if pairs and len(pairs) != len(files):
        raise UsageError(
            message=f"{len(pairs)} positions for {len(files)} scans: give one x,y in mm for each, "
            "in the order of the scans."
        )
    return tuple(read_position(*pair.partition(",")[::2], of=pair) for pair in pairs)


def _of_name(name: str) -> Position:
    found = _IN_NAME.search(name)
    if found is None:
        raise UsageError(
            message=f"{name} holds no position: write it like S-0038-x+10-y-2.5.png, in mm, or "
            "type the positions."
        )
    return read_position(found[1], found[2], of=name)


def read_position(x: str, y: str, *, of: str) -> Position:
    """A position from two typed numbers; `of` is what an error names. Raises `UsageError`."""
    try:
        made = Position(float(x), float(y))
    except ValueError:
        raise UsageError(message=f"'{of[:40]}' is no position: write x,y in mm.") from None
    if not all(abs(value) <= _MOST_MM for value in made):  # also not a number
        raise UsageError(message=f"The position '{of[:40]}' is not plausible.")
    return made


def placed_fields(
    measurement: Mapping[str, Any], positions: Sequence[Position]
) -> tuple[PlacedField, ...]:
    """The pictures of a measurement, by its document, at their positions; sizes by the label."""
    scale = measurement["scale"]
    x, y = float(scale["um_per_px_x"]) / 1000, float(scale["um_per_px_y"]) / 1000
    # The picture's vertical may lie nearer to the direction across the label.
    stated = abs((float(measurement.get("turned_deg", 0.0)) + 90) % 180 - 90) > 45
    out = []
    for number, (image, position) in enumerate(zip(measurement["images"], positions, strict=True)):
        others = [other for k, other in enumerate(positions) if k != number]
        nearest = min((math.dist(position, other) for other in others), default=None)
        across, down = float(image["width_px"]) * x, float(image["height_px"]) * y
        lying = stated != image.get("turned_by_cloth", False)
        size = (down, across) if lying else (across, down)
        out.append(PlacedField(str(image["file"]), position, size, nearest))
    return tuple(out)


def unconfirmed_overlaps(
    fields: Sequence[PlacedField], images: Sequence[Mapping[str, Any]]
) -> list[str]:
    """A sentence for each picture that by its place shows cloth again, which the cloth does not.

    `images` of the document count the apertures that an earlier picture shows too. Nothing is
    said where no place is known.
    """
    return [
        f"by their positions {later.file} shows {100 * most:.0f} % of {other.file} again, "
        "which the cloth does not confirm: check the positions, or apertures count twice"
        for later, other, most, recognised in _by_place_and_cloth(fields, images)
        if most >= _LEAST_OVERLAP and not recognised
    ]


def contradictions(fields: Sequence[PlacedField], images: Sequence[Mapping[str, Any]]) -> list[str]:
    """A sentence for each picture that shows cloth again which by its place it cannot show."""
    return [
        f"{later.file} shows {recognised} apertures of an earlier scan, and its position "
        "lies apart from all of them: check the positions"
        for later, _, most, recognised in _by_place_and_cloth(fields, images)
        if recognised and most == 0
    ]


def _by_place_and_cloth(
    fields: Sequence[PlacedField], images: Sequence[Mapping[str, Any]]
) -> Iterator[tuple[PlacedField, PlacedField, float, int]]:
    """Each later picture, the earlier one it covers most, that share, and common apertures."""
    for number, later in enumerate(fields[1:], start=1):
        shares = [(overlap_share(earlier, later), earlier) for earlier in fields[:number]]
        most, other = max(shares, key=lambda pair: pair[0])
        yield later, other, most, int(images[number].get("overlap", 0))


def overlap_share(first: PlacedField, second: PlacedField) -> float:
    """Share (0..1) of the second picture that the first one covers too."""
    area = 1.0
    for axis in (0, 1):
        middle = second.position[axis] - first.position[axis]
        half = first.size_mm[axis] / 2
        low = max(-half, middle - second.size_mm[axis] / 2)
        high = min(half, middle + second.size_mm[axis] / 2)
        area *= max(0.0, high - low)
    return area / (second.size_mm[0] * second.size_mm[1])


def least_distance_mm(fields: Sequence[PlacedField]) -> float | None:
    """The distance of the two nearest pictures, None for a single one."""
    pairs = combinations([field.position for field in fields], 2)
    return min((math.dist(*pair) for pair in pairs), default=None)


def fields_of_check(
    payload: Mapping[str, Any], measurement: Mapping[str, Any]
) -> tuple[PlacedField, ...]:
    """The fields of a recorded check, empty where it has no positions."""
    kept = [image.get("position_mm") for image in payload["images"]]
    if not kept or not all(kept):
        return ()
    return placed_fields(measurement, [Position(float(x), float(y)) for x, y in kept])
