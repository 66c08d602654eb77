"""What the templates print: records, measurements and errors as texts and rounded numbers."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from sieve_inspect.apertures.field import Field
from sieve_inspect.errors import (
    ImageTooLargeError,
    InputError,
    MissingScaleError,
    NoLatticeError,
    NominalMismatchError,
    NotAnImageError,
    SameImageError,
    SievewardError,
    UsageError,
)
from sieve_inspect.measurement.closeup import Across, Closeup
from sieve_inspect.measurement.model import Measurement
from sieve_inspect.outcomes import FAILING, PASSING
from sieve_inspect.verdict.sentences import decimals_for
from sieve_registry.bench.jobs import Job, Jobs, Phase, Progress
from sieve_registry.bench.tasks import Task
from sieve_registry.checks.commands import Taken
from sieve_registry.checks.errors import OtherClothError, OverlappingFieldsError, UsedScanError
from sieve_registry.errors import (
    IntegrityError,
    RegistryLockedError,
    SieveRetiredError,
    UnforeseenError,
    UnknownSieveError,
)
from sieve_registry.ledger.records import SieveState
from sieve_registry.report.figures import limits_caption, margin_rows, verdict_view
from sieve_registry.report.formatting import MARKS, Lengths, sentence, with_micro
from sieve_registry.report.view import highest_allowed_um
from sieve_registry.sieves.state import IN_SERVICE, RETIRED

STATE_TEXTS = {
    "ok": "measured",
    "blocked": "blocked: it holds a particle",
    "torn": "torn: a wire beside it is missing or broken",
    "unclear": "unclear: its pixels do not match an aperture between straight wires",
    "partial": "cut by the border of the picture or by the frame",
}
_FLAG_TEXTS = {
    "border": "it reaches the border",
    "filled": "a large part of it is dark",
    "wire_missing": "light at the place of a wire",
    "misfit": "its pixels deviate from the fitted edges",
    "no_edge": "no edge at the place of a wire",
    "oversize": "far larger than its neighbours",
    "touched": "it holds a small particle",
}
_MOST_NAMED, _WIDEST_NAMED = 10, 5
_PLOT = (440, 190)  # size of a profile's drawing
_MARGIN = (44, 12, 34, 10)  # left, top, bottom, right


def seconds(value: float) -> str:
    """A duration in seconds or minutes."""
    total = round(value)
    return f"{total} s" if total < 60 else f"{total // 60} min {total % 60:02d} s"


def due_text(state: SieveState) -> str:
    """The day the next check is due, and whether it is overdue."""
    if state.status == RETIRED:
        return "retired"
    if state.due is None:
        return state.due_because or "–"
    return f"overdue since {state.due}" if state.overdue else str(state.due)


def job_text(job: Job) -> str:
    """The phase of a job, as a line of the list of open jobs."""
    if job.phase == Phase.READY and job.taken is not None:
        return f"measured: {job.taken.figures['outcome']}, awaiting confirmation"
    texts = {
        Phase.QUEUED: "queued",
        Phase.MEASURING: "measuring",
        Phase.FAILED: "not measured: see the reason",
    }
    return texts.get(job.phase, job.phase.value)


def progress_text(now: Progress) -> str:
    """The step a job is at, the time spent, and the time left if known."""
    if now.phase == Phase.QUEUED:
        others = "another check" if now.ahead == 1 else f"{now.ahead} other checks"
        before = f", after {others}" if now.ahead else ""
        return f"Queued{before}, {seconds(now.elapsed_s)} so far."
    which = f" scan {now.scan} of {now.scans}" if now.scans > 1 and now.scan else " the scan"
    return f"Measuring{which}, {seconds(now.elapsed_s)} so far{_left(now.left_s)}."


def task_text(task: Task) -> str:
    """The title of a task, the time spent, and the time left if known."""
    return f"{task.title}: {seconds(task.spent_s)} so far{_left(task.left_s)}."


def _left(left_s: float | None) -> str:
    if left_s is None:
        return ""
    return f", about {seconds(left_s)} to go" if left_s >= 0.5 else ", nearly done"


def sieve_row(state: SieveState) -> dict[str, Any]:
    """A sieve as a row of the list: its state in one word and one symbol."""
    kind, word = "good", "in service"
    if state.status != IN_SERVICE:
        kind = "retired" if state.status == RETIRED else "quarantined"
        word = str(state.status)
    elif state.unchecked:
        kind, word = "never", "not checked yet"
    elif state.result in FAILING:
        kind, word = "failed", "check not passed"
    elif state.overdue:
        kind, word = "overdue", "check overdue"
    return {"state": state, "kind": kind, "word": word}


def batch_row(job: Job) -> dict[str, Any]:
    """A check of a batch as a row: what was measured, and what to confirm."""
    files = ", ".join(image.name for image in job.order.images)
    row: dict[str, Any] = {
        "id": job.id,
        "sieve": job.order.sieve_id,
        "files": files,
        "mark": "",
        "action": "",
    }
    row |= {"ready": job.phase == Phase.READY, "known": "0", "doubtful": False, "other_cloth": ""}
    row["repeats"] = ()
    if job.error is not None:
        return row | {"outcome": f"not measured: {reason_of(job.error)}", "doubtful": True}
    if job.taken is None:
        return row | {"outcome": job_text(job)}
    outcome = str(job.taken.figures["outcome"])
    return row | {
        "outcome": outcome if job.check_id is None else f"{outcome}, recorded as {job.check_id}",
        "mark": MARKS.get(outcome, ""),
        "action": str(job.taken.figures["action"]),
        "known": str(len(job.taken.history.checks)),
        "doubtful": outcome not in PASSING or bool(job.cautions or job.taken.repeats),
        "other_cloth": job.taken.cloth.sentence if job.taken.cloth.contradicts else "",
        "repeats": job.taken.repeats,
    }


def batch_left(jobs: Jobs, batch: Sequence[Job]) -> str:
    """The time a batch will still take, by what its checks have taken; "" where unknown."""
    took = [job.ended - job.began for job in batch if job.ended and job.began]
    waiting = sum(job.phase in (Phase.QUEUED, Phase.MEASURING) for job in batch)
    if not took or not waiting:
        return ""
    return seconds(max(1.0, sum(took) / len(took) * waiting / jobs.workers))


def result_view(taken: Taken) -> dict[str, Any]:
    """The verdict and the values of a measurement."""
    verdict = taken.document.get("verdict") or {}
    lengths = Lengths(taken.history.sieve.nominal_um)
    action = (str(taken.figures["action"]), str(taken.figures["action_reason"]))
    shown = verdict_view(taken.document, verdict, action)
    return {
        **shown,
        "action_reason": plain_sentence(shown["action_reason"] or ""),
        "caption": limits_caption(verdict, lengths),
        "failed": taken.judged and shown["outcome"] not in PASSING,
        "margins": margin_rows(verdict, lengths),
        "known": len(taken.history.checks),
    }


def noteworthy(measurement: Measurement, scan: int) -> list[dict[str, Any]]:
    """Apertures to review: torn and blocked, the widest of each direction, unclear."""
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


def closeup_view(close: Closeup, measurement: Measurement) -> dict[str, Any]:
    """An aperture as the panel beside the scan shows it."""
    lengths = Lengths(measurement.nominal_um)
    highest = highest_allowed_um(measurement.verdict)
    return {
        "state": STATE_TEXTS.get(close.state, close.state),
        "flags": [_FLAG_TEXTS.get(flag, flag) for flag in close.flags],
        "directions": [across_view(across, lengths, highest) for across in close.across],
        "unit": lengths.unit,
    }


def across_view(across: Across, lengths: Lengths, highest: float | None) -> dict[str, Any]:
    """The widths as texts, and the light profile with its fit as parts of a drawing."""
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
    """Positions of points, line, edges and ticks in a drawing of `_PLOT` px."""
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


_SAFE = "Nothing was recorded. Earlier records are unaffected."
_OTHER_CLOTH = (
    "Check label and scan. If the check belongs to this sieve, give the reason above the button, "
    "then confirm again."
)
_AGAIN = (UsedScanError, OverlappingFieldsError)
_USED_AGAIN = (
    "Check that the right files were chosen. If they are meant, load the page again, give the "
    "reason above the button, then confirm again."
)
_NEXT: tuple[tuple[type[SievewardError], str], ...] = (
    (MissingScaleError, "Choose the scale of the scans, then press Measure again."),
    (ImageTooLargeError, "Crop the scan to the cloth, then choose it again."),
    (NotAnImageError, "Choose a picture file as saved by the scanner."),
    (NominalMismatchError, "Compare the label on the frame with the sieve above, and the chosen "
     "scale with the resolution of the scan."),
    (NoLatticeError, "Check that the right file is chosen and that it shows the cloth, then try "
     "again."),
    *((kind, _USED_AGAIN) for kind in _AGAIN),
    (SameImageError, "Choose each scan once. For more fields, scan another part of the cloth."),
    (InputError, "Scan the cloth again as described, then choose the new scans."),
    (RegistryLockedError, "Wait a moment, then try again."),
    (UnknownSieveError, "Scan the label again, or choose the sieve on the first page."),
    (SieveRetiredError, "Take the sieve away from the bench, or ask the person who retired it."),
    (IntegrityError, "Stop recording, leave the registry as it is, and inform its administrator."),
    (UnforeseenError, "Load the page again and retry. If it happens again, inform "
     "the administrator."),
    (OtherClothError, _OTHER_CLOTH),
    (UsageError, "Fix this, then try again."),
)  # fmt: skip
_ARTEFACT_AGAIN = (
    "Check that the right files, artefact and device are chosen, then send the pictures again, or "
    "take new ones."
)
_OTHERWISE = "Show this to the administrator of the registry."


class Trouble(NamedTuple):
    """An error as a person reads it: the event, the state of the records, the next step."""

    what: str
    safe: str
    next: str


def plain_sentence(text: str) -> str:
    """A sentence without the marks around names of parameters and commands, and without options."""
    text = text.replace(" (--why-late)", "")
    return with_micro(re.sub(r"`([^`]+)`", lambda named: named[1].replace("_", " "), text))


def reason_of(error: Exception) -> str:
    """An error as the end of a sentence, such as a row of a list."""
    if isinstance(error, OtherClothError):  # its own sentence names a parameter
        return "{reason}. Check label and scan, or give the reason in its row".format(
            **error.fields
        )
    if isinstance(error, _AGAIN):
        return "{sentence}. Check the files, or give the reason in its row".format(**error.fields)
    return plain_sentence(str(error)).rstrip(".")


def explained(error: SievewardError, of_artefact: bool = False) -> Trouble:
    """An error as a person at the bench reads it; `of_artefact`: pictures that are no scans."""
    following = next((text for kind, text in _NEXT if isinstance(error, kind)), _OTHERWISE)
    if of_artefact and isinstance(error, InputError):
        following = _ARTEFACT_AGAIN
    what = plain_sentence(str(error))
    if isinstance(error, MissingScaleError):  # its own sentence names parameters
        what = "Scale missing."
    if isinstance(error, UnknownSieveError):
        what = f"There is no sieve {error.fields['sieve']!r} in the registry."
    if isinstance(error, OtherClothError):  # its own sentence names a parameter
        what = sentence("{reason}.".format(**error.fields))
    if isinstance(error, _AGAIN):
        what = sentence("{sentence}.".format(**error.fields))
    if isinstance(error, UnforeseenError):
        what = "Program fault ({kind}: {reason}).".format(**error.fields)
    return Trouble(what, _SAFE, following)
