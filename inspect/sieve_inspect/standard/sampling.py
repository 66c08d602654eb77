"""How many apertures to measure, in how many fields, and where to take them.

Counts per direction on a 200 mm (8 in) sieve after ASTM E11 as in the open library fluids 1.3.1;
they scale with the sieving area (ISO 3310-1:2016):

    n(D) = n(200) (D / 200)²          D frame diameter in mm; 203 mm counts as 200, 305 as 300
    20 full apertures or fewer in the whole sieve, or no count for the size: measure every one

Both directions are taken along the centre lines, parallel to warp and to weft, spread over the
full diameter. Wires: at least 10 if measured separately, diameter within 15 % of the recommended.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sieve_inspect.standard.editions import tabulated
from sieve_inspect.standard.lookup import limits
from sieve_inspect.standard.model import Limits

FEW_APERTURES = 20  # ISO 3310-1:2016
WIRES = 10  # ISO 3310-1:2016, Ph. Eur. 2.1.4
_WIRE_SHARE = 0.15
_COUNTS = "astm-e11:2009"
# The cloth ends half an inch of diameter within the frame: 8 in clears 7.5 in. Common practice.
_RIM_MM = 12.7
_INCH_FRAMES_MM = {203.2: 200.0, 304.8: 300.0}  # 8 in and 12 in have the counts of 200 and 300 mm


@dataclass(frozen=True)
class FieldPlace:
    """The middle of a field, mm from the sieve's centre: x to the right, y down by the label."""

    line: str  # "x" | "y": the direction in which apertures are counted there
    x_mm: float
    y_mm: float


@dataclass(frozen=True)
class SamplingPlan:
    """What a check has to measure. `n` is None where every full aperture has to be measured.

    `complete` is about how many full apertures the sieve has.
    """

    nominal_um: float
    grade: str
    frame_mm: float
    n: int | None
    complete: int
    fields: int  # per centre line
    per_field: int  # apertures one field shows along its line
    places: tuple[FieldPlace, ...]
    wires: int
    wire_um: float | None
    wire_min_um: float | None
    wire_max_um: float | None
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class Shortfall:
    """What a check lacked of its plan: the quantity, how many it had, how many are needed."""

    what: str
    measured: int
    needed: int


def plan(
    nominal_um: float,
    *,
    grade: str = "compliance",
    standard: str = "iso3310-1:2016",
    frame_mm: float = 200.0,
    field_mm: float | None = None,
) -> SamplingPlan:
    """The sampling plan for a sieve; `field_mm` is the width of one field, None a whole scan.

    Compliance is judged on the sieve as inspection is: its own count is meant for rolls of cloth.
    Raises what `limits` raises.
    """
    allowed = limits(nominal_um, standard, grade=grade)
    # Where an edition's table has no wires, those of ISO 3310-1:2016 stand in.
    wire = allowed.wire_um if allowed.wire_um is not None else limits(nominal_um).wire_um
    pitch_mm = (nominal_um + (wire or 0.7 * nominal_um)) / 1000
    clear_mm = max(frame_mm - _RIM_MM, pitch_mm)
    across = max(int(clear_mm / pitch_mm), 1)
    complete = math.pi / 4 * across**2
    n, reasons = _count(nominal_um, grade, frame_mm, complete)
    needed = across if n is None else min(n, across)
    shown = across if field_mm is None else max(min(int(field_mm / pitch_mm), across), 1)
    fields = 1 if field_mm is None else _fields(n, needed, shown, across)
    if n is not None and n > across and field_mm is not None:
        reasons.append(f"a centre line has only about {across} apertures: take more beside it")
    if field_mm is None:
        reasons.append("a scan of the whole cloth meets this by construction")
    return SamplingPlan(
        nominal_um=nominal_um,
        grade=grade,
        frame_mm=frame_mm,
        n=n,
        complete=int(complete),
        fields=fields,
        per_field=shown,
        places=_places(fields, clear_mm, field_mm),
        wires=WIRES,
        wire_um=wire,
        wire_min_um=None if wire is None else _wire(allowed, wire, low=True),
        wire_max_um=None if wire is None else _wire(allowed, wire, low=False),
        reasons=tuple(reasons),
    )


def shortfalls(
    plan_: SamplingPlan, counts: dict[str, int], wires: int, images: int
) -> tuple[Shortfall, ...]:
    """What a check of `images` pictures lacked: apertures by direction ("x", "y"), wires, fields.

    Where every aperture has to be measured the pictures alone cannot tell: fields are counted.
    """
    rows = (
        *(Shortfall(f"apertures in {axis}", counts[axis], plan_.n or 0) for axis in "xy"),
        Shortfall("wires", wires, plan_.wires),
        Shortfall("fields", images, plan_.fields),
    )
    return tuple(row for row in rows if row.measured < row.needed)


def _count(
    nominal_um: float, grade: str, frame_mm: float, complete: float
) -> tuple[int | None, list[str]]:
    """How many per direction, None for all, and where that comes from."""
    if complete <= FEW_APERTURES:
        return None, [
            f"about {complete:.0f} full apertures in the sieve: measure every one "
            "(20 or fewer, ISO 3310-1:2016)"
        ]
    counted = "calibration" if grade == "calibration" else "inspection"
    row = _nearest_counted(nominal_um)
    base = limits(row, _COUNTS, grade=counted).n
    if base is None:
        return None, [f"no count for this size in grade {counted}: measure every full aperture"]
    known = (mm for inches, mm in _INCH_FRAMES_MM.items() if abs(frame_mm - inches) <= 1.0)
    factor = (next(known, frame_mm) / 200.0) ** 2
    n = max(math.ceil(round(base * factor, 6)), 1)
    reasons = [
        f"{base} per direction on a 200 mm sieve for {counted} (ASTM E11 as in fluids 1.3.1)"
    ]
    if n != base:
        reasons.append(f"times {factor:.3g} for the sieving area of a {frame_mm:g} mm frame")
    if grade == "compliance":
        reasons.append(
            "the count for compliance is meant for rolls; a sieve is judged as inspected"
        )
    if n > complete:
        return None, [*reasons, "more than the sieve has: measure every full aperture"]
    return n, reasons


def _nearest_counted(nominal_um: float) -> float:
    """The tabulated size whose count applies: the next at or below, or the finest."""
    sizes = [float(size) for size in tabulated(_COUNTS)]
    return max((size for size in sizes if size <= nominal_um), default=sizes[0])


def _wire(allowed: Limits, wire: float, *, low: bool) -> float:
    own = allowed.wire_min_um if low else allowed.wire_max_um
    if own is not None:
        return own
    return round(wire * (1 - _WIRE_SHARE if low else 1 + _WIRE_SHARE), 3)


def _fields(n: int | None, needed: int, shown: int, across: int) -> int:
    if n is None:
        return math.ceil(across / shown)
    # Three at least where they fit, so that the centre and both sides of it are seen.
    return max(math.ceil(needed / shown), min(3, math.ceil(across / shown)))


def _places(fields: int, clear_mm: float, field_mm: float | None) -> tuple[FieldPlace, ...]:
    """Middles of the fields, evenly from rim to rim along both centre lines."""
    if field_mm is None:
        return (FieldPlace("x", 0.0, 0.0), FieldPlace("y", 0.0, 0.0))
    reach = max(clear_mm - field_mm, 0.0) / 2 if fields > 1 else 0.0
    step = 2 * reach / max(fields - 1, 1)
    along = [round(step * i - reach, 1) for i in range(fields)]
    return (
        *(FieldPlace("x", at, 0.0) for at in along),
        *(FieldPlace("y", 0.0, at) for at in along),
    )
