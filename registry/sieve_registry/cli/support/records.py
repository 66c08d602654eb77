"""Records as JSON dictionaries and as the words people read."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Sequence
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import typer

from sieve_inspect.units import format_length
from sieve_registry.cli.support import options, output

if TYPE_CHECKING:
    from sieve_registry.codec import EventPayload
    from sieve_registry.figures import DirectionFigures, EvidenceFile, Margin
    from sieve_registry.records import (
        Check,
        CheckDetail,
        Correction,
        Fact,
        Finding,
        Retirement,
        Sieve,
        SieveHistory,
        SieveState,
        Use,
    )
    from sieve_registry.store.engine import Registry


def length_text(nanometres: int | None) -> str:
    """A length in the standards' spelling, or nothing."""
    return "" if nanometres is None else format_length(nanometres / 1000)


def number(value: Decimal | None, places: int = 2) -> str:
    """A figure in um with `places` decimals, or a dash."""
    return "-" if value is None else f"{value:.{places}f}"


def due_words(state: SieveState) -> str:
    """The due day in words of one cell."""
    if state.due is None:
        return "-"
    return f"{state.due} overdue" if state.overdue else str(state.due)


def finding_dicts(findings: Iterable[Finding]) -> list[dict[str, Any]]:
    """Findings for JSON."""
    return [output.fields(finding, "source", "message", "subject") for finding in findings]


def evidence_dicts(files: Iterable[EvidenceFile]) -> list[dict[str, Any]]:
    """Evidence files for JSON."""
    return [output.fields(file, "sha256", "extension", "size", "role", "name") for file in files]


def fact_dict(fact: Fact[EventPayload]) -> dict[str, Any]:
    """A record of a person's act for JSON: day, person, and its content."""
    return {"date": fact.on_date.isoformat(), "by": fact.person, **fact.payload.to_payload()}


def due_dict(state: SieveState) -> dict[str, Any]:
    """One entry of `due --json`."""
    last = state.last_check
    return {
        "id": state.sieve.id,
        "status": state.status,
        "last_check": None if last is None else last.on_date.isoformat(),
        "last_check_id": None if last is None else last.id,
        "outcome": None if last is None else last.outcome,
        **output.fields(state, "due", "overdue", "due_because", "uses_since_check", "location"),
        "signed_by": None if state.signed is None else state.signed.person,
        "remarks": [remark.message for remark in state.remarks],
    }


def sieve_dict(sieve: Sieve) -> dict[str, Any]:
    """What a sieve is, as it was added."""
    return {
        **output.fields(sieve, "nominal_um", "standard", "grade", "serial"),
        "frame_um": None if sieve.frame_nm is None else sieve.frame_nm / 1000,
        **output.fields(sieve, "maker", "in_service", "added_on"),
    }


def state_dict(state: SieveState, history: SieveHistory) -> dict[str, Any]:
    """`sieve show --json`: the state, and its records up to that day."""
    day = state.as_of
    return {
        **due_dict(state),
        "as_of": day.isoformat(),
        **sieve_dict(state.sieve),
        **output.fields(state, "interval_months", "interval_uses", "uses_total"),
        "checks": [check_dict(check) for check in history.checks if check.on_date <= day],
        "uses": [_use_dict(use) for use in history.uses if use.on_date <= day],
        "retirement": _retirement_dict(history.retirement) if state.status == "retired" else None,
        "details": output.fields(
            state.details, "type", "height", "cloth", "certificate", "warp", "label"
        ),
        "acts": [_act_dict(act) for act in history.acts if act.on_date <= day],
        "corrections": [correction_dict(correction) for correction in history.corrections],
    }


def _act_dict(act: Fact[EventPayload]) -> dict[str, Any]:
    return {
        "event": act.seq,
        "act": act.kind,
        "date": act.on_date.isoformat(),
        "by": act.person,
        "recorded_at": act.recorded_at,
        **act.payload.to_payload(),
    }


def correction_dict(correction: Correction) -> dict[str, Any]:
    """A correction: the event it corrects, the former content, and the corrected content."""
    return {
        "event": correction.seq,
        "corrects": correction.corrects,
        "kind": correction.kind,
        "sieve": correction.sieve_id,
        "void": correction.void,
        "was": dict(correction.was),
        "now": dict(correction.now),
        "reason": correction.reason,
        "date": correction.on_date.isoformat(),
        "by": correction.person,
        "recorded_at": correction.recorded_at,
    }


def correction_words(correction: Correction) -> str:
    """A correction in one line: the former and the corrected content, and the reason."""
    names = {"on_date": "date", "frame_nm": "frame in nm", "in_service": "in service"}
    changes = [
        f"{names.get(name, name)} {correction.was.get(name)!s} should read {value!s}"
        for name, value in correction.now.items()
    ]
    change = "is void" if correction.void else ", ".join(changes) or "is valid again"
    return f"{correction.kind} (event {correction.corrects}) {change}: {correction.reason}"


def print_corrections(corrections: Sequence[Correction]) -> None:
    """Later corrections of records, one paragraph each."""
    for correction in corrections:
        person, day = correction.person, correction.on_date
        words = correction_words(correction)
        output.text(f"Corrected: {words} ({person}, {day}, event {correction.seq}).")


def remarks(state: SieveState) -> list[str]:
    """What a person should know of a checked sieve, a sentence each."""
    if state.last_check is None:
        return []
    return [f"Note: {state.sieve.id} is {remark.message}." for remark in state.remarks]


def next_check(state: SieveState) -> str:
    """When the sieve's next check is due."""
    return f"Its next check is due: {due_words(state)} ({state.due_because})."


def record_of_sieve(
    context: typer.Context,
    json_path: str | None,
    record: Callable[[Registry], SieveState],
    sentences: Callable[[SieveState, SieveHistory], Iterable[str]],
) -> None:
    """Call `record` with the open registry; print the sieve, or sentences and how to undo it.

    Raises what `record` raises.
    """
    from sieve_registry.sieves import queries

    with options.opened(context) as registry:
        state = record(registry)
        history = queries.get_history(registry, state.sieve.id)
    if output.emit(json_path, state_dict(state, history)):
        return
    retirement = () if history.retirement is None else (history.retirement,)
    newest = max((*history.uses, *history.acts, *history.edits, *retirement), key=lambda r: r.seq)
    undo = f"sieveward correct {newest.seq} --void --reason T"
    withdraw = f"Recorded as event {newest.seq}. To withdraw it: {undo}"
    for sentence in (*sentences(state, history), withdraw):
        output.text(sentence)


def check_dict(check: Check) -> dict[str, Any]:
    """A check without its evidence; figures as numbers in um."""
    return {
        "id": check.id,
        "event": check.seq,
        "sieve": check.sieve_id,
        "date": check.on_date.isoformat(),
        "nominal_um": check.nominal_nm / 1000,
        **output.fields(check, "standard", "grade", "rule", "outcome", "reasons"),
        **output.fields(check, "action", "action_reason", "fit"),
        "directions": {"x": _figures_dict(check.x), "y": _figures_dict(check.y)},
        "by": check.person,
        "recorded_at": check.recorded_at,
        "software": check.software,
    }


def detail_dict(detail: CheckDetail) -> dict[str, Any]:
    """`check --json`: the check, its margins, its evidence and its place in the ledger."""
    payload = json.loads(detail.event.payload)
    return {
        **check_dict(detail.check),
        "margins": [_margin_dict(margin) for margin in detail.margins],
        "evidence": evidence_dicts(detail.evidence),
        "images": payload["images"],
        "trace": payload.get("trace"),
        "warnings": payload.get("warnings", []),
        "event": {"seq": detail.event.seq, "hash": detail.event.hash},
    }


def _margin_dict(margin: Margin) -> dict[str, Any]:
    return {
        **output.fields(margin, "name", "direction", "value_um"),
        "U_um": None if margin.expanded_um is None else float(margin.expanded_um),
        **output.fields(margin, "limit_low_um", "limit_high_um", "outcome"),
    }


def margin_cells(margin: Margin) -> list[str]:
    """One row of the table of values and limits."""
    return [
        margin.name,
        margin.direction,
        number(margin.value_um),
        number(margin.expanded_um),
        number(margin.limit_low_um),
        number(margin.limit_high_um),
        margin.outcome,
    ]


def _figures_dict(figures: DirectionFigures) -> dict[str, Any]:
    lengths = ("mean_um", "sd_um", "max_um", "u_mean_um", "u_sd_um", "u_max_um", "wire_mean_um")
    return output.fields(figures, "count", *lengths)


def _use_dict(use: Use) -> dict[str, Any]:
    names = ("stack", "method", "material", "abrasiveness", "cleaning")
    known = output.fields(use.details, *names, "mass_g", "minutes", "retained_g")
    return {
        "event": use.seq,
        "date": use.on_date.isoformat(),
        "count": use.count,
        "note": use.note,
        **{name: value for name, value in known.items() if value not in (None, "")},
        "by": use.person,
        "recorded_at": use.recorded_at,
    }


def _retirement_dict(end: Retirement | None) -> dict[str, Any] | None:
    if end is None:
        return None
    return {
        "event": end.seq,
        "date": end.on_date.isoformat(),
        "reason": end.reason,
        "by": end.person,
        "recorded_at": end.recorded_at,
    }
