"""The conditions of a pass beside the limits: the sampling plan and the wires.

A sieve is not accepted by a few apertures of one place, nor with wires of another thickness than
the standard allows. Cloth measured whole meets any plan.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from statistics import median

import numpy as np

from sieve_inspect.measurement.lighting import LightCorrection
from sieve_inspect.measurement.picture import Picture
from sieve_inspect.scale import Scale
from sieve_inspect.standard import Limits
from sieve_inspect.standard.sampling import SamplingPlan, plan, shortfalls
from sieve_inspect.summary.direction import DirectionSummary
from sieve_inspect.verdict import Gate
from sieve_inspect.verdict.rules import Rule
from sieve_inspect.verdict.sentences import Writer

FRAME_MM = 200.0  # the commonest test sieve
_WHOLE = 0.9  # share of all apertures that makes a cloth measured whole; the rest is blocked
_WIRES = "compare the wires with the certificate of the cloth, and check scale and edge bias"
_ALL_SHOWN = 0.85  # of the apertures a frame holds by its area: rims differ; common practice


def unmet_gates(
    pictures: Sequence[Picture],
    scale: Scale,
    directions: tuple[DirectionSummary, DirectionSummary],
    allowed: Limits,
    frame_mm: float | None,
) -> tuple[Gate, ...]:
    """The conditions that these pictures of a sieve do not meet."""
    shown = _field_mm(pictures, scale)
    return gates_of_sample(directions, allowed, fields_of(pictures), shown, frame_mm)


def fields_of(pictures: Sequence[Picture]) -> int:
    """Number of pictures that are mostly of cloth no earlier picture shows."""
    return sum(2 * int(p.samples[0].ok.sum()) > int(p.field.ok.sum()) for p in pictures)


def repeated_sentences(pictures: Sequence[Picture], overlaps: Sequence[int]) -> list[str]:
    """A sentence for each picture that shows apertures of an earlier picture again."""
    return [
        f"{count} of {int(p.field.ok.sum())} apertures of {p.scan.path.name} are those of an "
        "earlier scan and count once."
        for p, count in zip(pictures, overlaps, strict=True)
        if count
    ]


def gates_of_sample(
    directions: tuple[DirectionSummary, DirectionSummary],
    allowed: Limits,
    fields: int,
    field_mm: float,
    frame_mm: float | None = None,
) -> tuple[Gate, ...]:
    """The conditions that a sample of so many `fields`, each `field_mm` wide, does not meet."""
    wanted = plan(
        allowed.nominal_um,
        grade=allowed.grade,
        standard=allowed.standard,
        frame_mm=frame_mm or FRAME_MM,
        field_mm=field_mm,
    )
    return (*_of_sampling(wanted, directions, fields), *_of_wires(wanted, directions, allowed))


def complete_cloth(allowed: Limits, frame_mm: float | None = None) -> int:
    """About how many apertures the cloth of a frame (by default 200 mm) has."""
    size = frame_mm or FRAME_MM
    return plan(
        allowed.nominal_um, grade=allowed.grade, standard=allowed.standard, frame_mm=size
    ).complete


def measured_whole(summary: DirectionSummary) -> bool:
    """Whether nearly every aperture of the cloth was measured."""
    return summary.population is not None and summary.count >= _WHOLE * summary.population


def _field_mm(pictures: Sequence[Picture], scale: Scale) -> float:
    """Width (mm) of the cloth a picture shows: the shorter side, of the middle one by size."""
    return median(float(np.ptp(scale.to_um(p.field.centre), axis=0).min()) / 1000 for p in pictures)


def _of_sampling(
    wanted: SamplingPlan, directions: Sequence[DirectionSummary], pictures: int
) -> Iterator[Gate]:
    if all(map(measured_whole, directions)):
        return
    count = min(summary.count for summary in directions)
    remedy = "measure the fields that `sieveward plan` lists, or the entire cloth in one scan"
    if wanted.n is None:
        needed = int(_ALL_SHOWN * wanted.complete)
        if count < needed:
            reason = f"the sampling plan is not met: {count} of about {wanted.complete} apertures"
            yield Gate(f"{reason}, and every full aperture has to be measured", remedy)
        return
    counts = {d: s.count for d, s in zip("xy", directions, strict=True)}
    wires = min(summary.wire_count for summary in directions)
    lacking = shortfalls(wanted, counts, wires, pictures)
    if lacking:
        rows = ", ".join(f"{row.what} {row.measured} of {row.needed}" for row in lacking)
        yield Gate(f"the sampling plan is not met: {rows}", remedy)


def _of_wires(
    wanted: SamplingPlan, directions: Sequence[DirectionSummary], allowed: Limits
) -> Iterator[Gate]:
    low, high = wanted.wire_min_um, wanted.wire_max_um
    if low is None or high is None:
        return
    writer = Writer(allowed, Rule("simple"))
    for direction, summary in zip("xy", directions, strict=True):
        mean = summary.wire_mean_um
        if low <= mean <= high:
            continue
        remedy = (
            "compare the wires with the certificate of the cloth, and check scale and edge bias"
        )
        if mean < low:
            remedy += "; a wide lamp makes wires look thinner too"
        thick = f"{writer.length(mean, 1)} thick" if np.isfinite(mean) else "of unknown thickness"
        yield Gate(
            f"the wires in {direction} are {thick}; allowed is {writer.limit(low)} to "
            f"{writer.limit(high)}",
            remedy,
        )


def light_gates(
    light: LightCorrection,
    directions: Sequence[DirectionSummary],
    allowed: Limits,
    rule: Rule,
) -> Iterator[Gate]:
    """A pass that hangs on a lamp nobody stated: its unknown part reaches beyond the limit.

    The other rules take account of it as of any uncertainty.
    """
    if light.known or rule.name != "simple":
        return
    unknown = 2 * max(light.u_um)
    for direction, summary in zip("xy", directions, strict=True):
        room = allowed.y_um - abs(summary.mean_um - allowed.nominal_um)
        if 0 <= room < unknown:
            yield Gate(
                f"the mean in {direction} is {room:.2g} um within its limit, but lamp and view, "
                f"which are not stated, leave ±{unknown:.2g} um unknown",
                "state lamp and view, or measure a reference cloth under this lamp",
            )
