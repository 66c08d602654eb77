"""What the templates print: records and measurements as words and rounded numbers."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from sieve_inspect.apertures.field import Field
from sieve_inspect.measurement.closeup import Across, Closeup
from sieve_inspect.measurement.pipeline import Measurement
from sieve_inspect.verdict.sentences import decimals_for
from sieve_registry.bench.jobs import Job, Phase, Progress
from sieve_registry.checks.commands import Taken
from sieve_registry.records import SieveState
from sieve_registry.report.figures import margin_row
from sieve_registry.report.formatting import (
    MARKS,
    OUTCOME_SENTENCES,
    Lengths,
    edition,
    percent,
    sentence,
)
from sieve_registry.sieves.state import RETIRED

__all__ = [
    "STATE_WORDS",
    "across_view",
    "closeup_view",
    "due_words",
    "job_words",
    "noteworthy",
    "progress_words",
    "result_view",
    "seconds",
]

STATE_WORDS = {
    "ok": "measured",
    "blocked": "blocked: something lies in it",
    "torn": "torn: a wire beside it is missing or broken",
    "unclear": "unclear: its pixels do not fit an aperture between straight wires",
    "partial": "cut by the border of the picture or by the frame",
}
_FLAG_WORDS = {
    "border": "it reaches the border",
    "filled": "a good part of it is dark",
    "wire_missing": "light where a wire should be",
    "misfit": "its pixels disagree with the fitted edges",
    "no_edge": "no edge where one should be",
    "oversize": "far larger than its neighbours",
    "touched": "something small lies in it",
}
_MOST_NAMED, _WIDEST_NAMED = 10, 5
_PLOT = (440, 190)  # size of a profile's drawing
_MARGIN = (44, 12, 34, 10)  # left, top, bottom, right


def seconds(value: float) -> str:
    """A time as people say it."""
    whole = round(value)
    return f"{whole} s" if whole < 60 else f"{whole // 60} min {whole % 60:02d} s"


def due_words(state: SieveState) -> str:
    """When the next check is due, and whether that day is past."""
    if state.status == RETIRED:
        return "retired"
    if state.due is None:
        return state.due_because or "–"
    return f"overdue since {state.due}" if state.overdue else str(state.due)


def job_words(job: Job) -> str:
    """Where a job stands, in one line of the list of those that wait."""
    if job.phase == Phase.READY and job.taken is not None:
        return f"measured: {job.taken.figures['outcome']}, waits for a name"
    words = {
        Phase.QUEUED: "waits its turn",
        Phase.MEASURING: "is being measured",
        Phase.FAILED: "could not be measured: see why",
    }
    return words.get(job.phase, job.phase)


def progress_words(now: Progress) -> str:
    """What is being done, for how long, and how long it will still take if that is known."""
    if now.phase == Phase.QUEUED:
        others = "another check" if now.ahead == 1 else f"{now.ahead} other checks"
        before = f", after {others}" if now.ahead else ""
        return f"Waiting its turn{before}, {seconds(now.elapsed_s)} so far."
    which = f" scan {now.scan} of {now.scans}" if now.scans > 1 and now.scan else " the scan"
    left = ""
    if now.left_s is not None:
        left = f", about {seconds(now.left_s)} to go" if now.left_s >= 0.5 else ", nearly done"
    return f"Measuring{which}, {seconds(now.elapsed_s)} so far{left}."


def result_view(taken: Taken) -> dict[str, Any]:
    """The verdict, the values and the counts of what was measured."""
    found, figures = taken.found, taken.figures
    verdict = found.get("verdict") or {}
    lengths = Lengths(taken.history.sieve.nominal_um)
    outcome = str(figures["outcome"])
    counts = found["apertures"]
    return {
        "outcome": outcome,
        "kind": outcome.split(maxsplit=1)[0] if outcome in MARKS else "not",
        "mark": MARKS.get(outcome, ""),
        "sentence": OUTCOME_SENTENCES.get((outcome, str(figures["rule"])), ""),
        "reasons": [sentence(str(reason)) for reason in figures["reasons"]],
        "action": figures["action"],
        "action_reason": sentence(str(figures["action_reason"]).removeprefix("Proposed: ")),
        "judged_by": f"{edition(str(verdict.get('standard', '')))}, grade "
        f"{verdict.get('grade')}, rule {figures['rule']}",
        "unit": lengths.unit,
        "margins": [margin_row(row, lengths) for row in _paired(verdict)],
        "counts": counts,
        "blocked_share": percent(counts.get("blocked_share")),
        "fit": found["imaging"]["fit"],
        "fit_reasons": [sentence(str(one)) for one in found["imaging"]["reasons"]],
        "images": found["images"],
        "scale": found["scale"]["source"],
        "known": len(taken.history.checks),
    }


def _paired(verdict: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Both directions of a value together."""
    rows = list(verdict.get("margins") or ())
    kinds = [row.get("name") for row in rows]
    return sorted(rows, key=lambda row: kinds.index(row.get("name")))


def noteworthy(measurement: Measurement, scan: int) -> list[dict[str, Any]]:
    """The apertures to look at: torn and blocked ones, the widest, those left out as unclear."""
    picture = measurement.pictures[scan]
    field, lengths = picture.field, Lengths(measurement.nominal_um)
    groups = [_named(field, state) for state in ("torn", "blocked")]
    for axis, sample in zip("xy", picture.samples, strict=True):
        width = np.where(field.ok, sample.width, -np.inf)
        which = np.argsort(-width)[: min(_WIDEST_NAMED, int(field.ok.sum()))]
        named = []
        for i in which:
            text = lengths.number(float(width[i]), decimals_for(2 * float(sample.noise[i])))
            named.append({"index": int(i), "text": f"{text} {lengths.unit}"})
        groups.append({"title": f"widest in {axis}", "count": 0, "apertures": named})
    groups.append(_named(field, "unclear"))
    return [group for group in groups if group["apertures"]]


def _named(field: Field, state: str) -> dict[str, Any]:
    which = np.flatnonzero(field.state == state)
    named = [
        {"index": int(i), "text": f"row {field.row[i]}, column {field.column[i]}"}
        for i in which[:_MOST_NAMED]
    ]
    return {"title": state, "count": len(which), "apertures": named}


def closeup_view(seen: Closeup, measurement: Measurement) -> dict[str, Any]:
    """One aperture for the panel beside the scan."""
    lengths = Lengths(measurement.nominal_um)
    highest = _highest(measurement)
    directions = [across_view(one, lengths, highest) for one in seen.across]
    return {
        "index": seen.index,
        "place": f"row {seen.row}, column {seen.column}",
        "at": f"x = {seen.middle[0]:.0f}, y = {seen.middle[1]:.0f} px",
        "state": STATE_WORDS.get(seen.state, seen.state),
        "ok": seen.state == "ok",
        "flags": [_FLAG_WORDS.get(flag, flag) for flag in seen.flags],
        "directions": directions,
        "unit": lengths.unit,
    }


def _highest(measurement: Measurement) -> float | None:
    """The largest an aperture may be, um."""
    margins = () if measurement.verdict is None else measurement.verdict.margins
    for margin in margins:
        if margin.name == "largest aperture":
            return margin.limit_high_um
    return None


def across_view(across: Across, lengths: Lengths, highest: float | None) -> dict[str, Any]:
    """Widths in words, and the profile with its fit as the parts of a drawing."""
    width, expanded = lengths.value(across.width_um, across.expanded_um)
    decimals = decimals_for(across.expanded_um or math.nan)
    over = across.width_um is not None and highest is not None and across.width_um > highest
    return {
        "direction": across.direction,
        "width": width,
        "expanded": expanded,
        "px": None if across.width_px is None else f"{across.width_px:.2f}",
        "wires": [lengths.number(wire, decimals) for wire in across.wires_um],
        "over": f"over the largest allowed, {lengths.exact(highest)}" if over else "",
        "plot": _plot(across),
    }


def _plot(across: Across) -> dict[str, Any]:
    """Places of points, line, edges and ticks in a drawing of `_PLOT` px."""
    (width, height), (left, top, bottom, right) = _PLOT, _MARGIN
    low, high = float(across.distance.min()), float(across.distance.max())
    peak = max(float(across.light.max()), float(across.model.max(initial=0.0)), 1e-6) * 1.05

    def x(px: float) -> float:
        return round(left + (px - low) / max(high - low, 1e-6) * (width - left - right), 1)

    def y(light: float) -> float:
        return round(height - bottom - light / peak * (height - top - bottom), 1)

    points = [(x(d), y(v)) for d, v in zip(across.distance, across.light, strict=True)]
    line = ""
    if len(across.model):
        steps = zip(across.model_at, across.model, strict=True)
        line = "M" + " L".join(f"{x(d)} {y(v)}" for d, v in steps)
    step = _nice((high - low) / 6)
    ticks = [step * k for k in range(math.ceil(low / step), math.floor(high / step) + 1)]
    return {
        "width": width,
        "height": height,
        "left": left,
        "top": top,
        "base": height - bottom,
        "right": width - right,
        "points": points,
        "line": line,
        "edges": [x(edge) for edge in across.edges] if across.edges else [],
        "ticks": [(x(tick), f"{tick:g}".replace("-", "−")) for tick in ticks],
        "levels": [(y(peak / 1.05 * share), f"{share:.0%}") for share in (0, 0.5, 1)],
    }


def _nice(step: float) -> float:
    """The next round number of px: 1, 2 or 5 times a power of ten."""
    power = 10.0 ** math.floor(math.log10(max(step, 1e-3)))
    return next(power * k for k in (1, 2, 5, 10) if power * k >= step)
