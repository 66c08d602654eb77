"""Records as JSON dictionaries and as the words people read."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from sieve_inspect.units import format_length
from sieve_registry.cli.support import options, output
from sieve_registry.values import file_stem

if TYPE_CHECKING:
    from sieve_registry.ledger.codec import EventPayload
    from sieve_registry.ledger.events import CertificateRecorded
    from sieve_registry.ledger.figures import EvidenceFile
    from sieve_registry.ledger.records import (
        Check,
        CheckDetail,
        Correction,
        Fact,
        Finding,
        Sieve,
        SieveHistory,
        SieveState,
        Use,
    )
    from sieve_registry.store.engine import Registry


_MADE = "by=person recorded_at"
_DUE = (
    "id=sieve.id status last_check=last_check.on_date last_check_id=last_check.id "
    "outcome=last_check.outcome due overdue due_because uses_since_check location "
    "signed_by=signed.person"
)
_CORRECTION = f"event=seq corrects kind sieve=sieve_id void was now reason date=on_date {_MADE}"
_FIGURES = "count mean_um sd_um max_um u_mean_um u_sd_um u_max_um wire_mean_um"
_MARGIN = "name direction value_um U_um=expanded_um limit_low_um limit_high_um outcome"


@lru_cache(1000)
def length_text(nanometres: int | None) -> str:
    """A length in the standards' spelling, or nothing."""
    return "" if nanometres is None else format_length(nanometres / 1000)


def due_words(state: SieveState) -> str:
    """The due day in words of one cell."""
    if state.due is None:
        return "-"
    return f"{state.due} overdue" if state.overdue else str(state.due)


def finding_dicts(findings: Iterable[Finding]) -> list[dict[str, Any]]:
    """Findings for JSON."""
    return [output.fields(finding, "source message subject") for finding in findings]


def evidence_dicts(files: Iterable[EvidenceFile]) -> list[dict[str, Any]]:
    """Evidence files for JSON."""
    return [output.fields(file, "sha256 extension size role name") for file in files]


def write_documents(registry: Registry, files: Iterable[EvidenceFile], folder: Path) -> None:
    """Write documents kept as evidence into a folder, each proven by its hash.

    The name begins with the hash: two documents may have had the same name. Raises
    `EvidenceAlteredError`, `UnwritableOutputError`.
    """
    from sieve_registry.checks.queries import evidence_bytes

    output.make_folder(folder)
    for file in files:
        stem = file_stem(file.name.rpartition(".")[0])
        name = f"{file.sha256[:12]}-{stem}{file.extension}"
        output.write_bytes(folder / name, evidence_bytes(registry, file.sha256))


def fact_dict(fact: Fact[EventPayload]) -> dict[str, Any]:
    """A record of a person's act for JSON: day, person, and its content."""
    return {**output.fields(fact, "date=on_date by=person"), **fact.payload.to_payload()}


def due_dict(state: SieveState) -> dict[str, Any]:
    """One entry of `due --json`."""
    return {**output.fields(state, _DUE), "remarks": [remark.message for remark in state.remarks]}


def sieve_dict(sieve: Sieve) -> dict[str, Any]:
    """What a sieve is, as it was added."""
    return {
        **output.fields(sieve, "nominal_um standard grade serial"),
        "frame_um": None if sieve.frame_nm is None else sieve.frame_nm / 1000,
        **output.fields(sieve, "maker in_service added_on"),
    }


def state_dict(
    state: SieveState, history: SieveHistory, findings: Iterable[Finding] = ()
) -> dict[str, Any]:
    """`sieve show --json`: the state, its records up to that day, and findings about them."""
    from sieve_registry.sieves.certificates import certificates_of

    day = state.as_of
    retired = history.retirement if state.status == "retired" else None
    return {
        **due_dict(state),
        "as_of": day.isoformat(),
        **sieve_dict(state.sieve),
        **output.fields(state, "interval_months interval_uses uses_total"),
        "checks": [check_dict(check) for check in history.checks if check.on_date <= day],
        "uses": [_use_dict(use) for use in history.uses if use.on_date <= day],
        "retirement": retired and output.fields(retired, f"event=seq date=on_date reason {_MADE}"),
        "details": output.fields(state.details, "type height cloth certificate warp label"),
        "acts": [
            output.fields(act, f"event=seq act=kind date=on_date {_MADE}")
            | act.payload.to_payload()
            for act in history.acts
            if act.on_date <= day
        ],
        "corrections": [correction_dict(correction) for correction in history.corrections],
        "findings": finding_dicts(findings),
        "certificates": [certificate_dict(fact) for fact in certificates_of(history, day)],
    }


def certificate_dict(fact: Fact[CertificateRecorded]) -> dict[str, Any]:
    """A certificate of an outside laboratory; figures as numbers in um."""
    stated = fact.payload
    names = "mean_um U_um=expanded_um sd_um max_um wire_mean_um count"
    return {
        **output.fields(fact, "sieve=subject event=seq date=on_date"),
        **output.fields(stated, "number laboratory accreditation standard outcome k"),
        "directions": {axis: output.fields(getattr(stated, axis), names) for axis in "xy"},
        **output.fields(stated, "next_due note"),
        "evidence": evidence_dicts(stated.evidence),
        **output.fields(fact, _MADE),
    }


def correction_dict(correction: Correction) -> dict[str, Any]:
    """A correction: the event it corrects, the former content, and the corrected content."""
    return output.fields(correction, _CORRECTION)


def correction_words(correction: Correction) -> str:
    """A correction in one line: the former and the corrected content, and the reason."""
    from sieve_registry.ledger.corrections import field_name

    changes = [
        f"{field_name(name)} {correction.was.get(name)!s} should read {value!s}"
        for name, value in correction.now.items()
    ]
    change = "is void" if correction.void else ", ".join(changes) or "is valid again"
    return f"{correction.kind} (event {correction.corrects}) {change}: {correction.reason}"


def show_list(
    json_path: str | None,
    kind: str,
    dicts: Sequence[dict[str, Any]],
    columns: Mapping[str, str],
    keys: str,
) -> None:
    """Print all artefacts or devices as a table of their `keys`, or as JSON."""
    if output.emit(json_path, {f"{kind}s": dicts}):
        return
    if dicts:
        output.table("", columns, [[values[key] for key in keys.split()] for values in dicts])
    else:
        output.line(f"No {kind}s yet. To add the first: sieveward {kind} add ID …")


def print_corrections(corrections: Sequence[Correction]) -> None:
    """Later corrections of records, one paragraph each."""
    for correction in corrections:
        person, day = correction.person, correction.on_date
        words = correction_words(correction)
        output.text(f"Corrected: {words} ({person}, {day}, event {correction.seq}).")


def remarks(state: SieveState) -> list[str]:
    """What a person should know of a checked sieve, a sentence each."""
    if not state.remarks or state.unchecked:
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
    for sentence in sentences(state, history):
        output.text(sentence)


def check_dict(check: Check) -> dict[str, Any]:
    """A check without its evidence; figures as numbers in um."""
    return {
        **output.fields(check, "id event=seq sieve=sieve_id date=on_date"),
        "nominal_um": check.nominal_nm / 1000,
        **output.fields(check, "standard grade rule outcome reasons action action_reason fit"),
        "directions": {axis: output.fields(getattr(check, axis), _FIGURES) for axis in "xy"},
        **output.fields(check, f"{_MADE} software"),
    }


def detail_dict(detail: CheckDetail) -> dict[str, Any]:
    """`check --json`: the check, its margins, its evidence and its place in the ledger."""
    payload = json.loads(detail.event.payload)
    return {
        **check_dict(detail.check),
        "margins": [output.fields(margin, _MARGIN) for margin in detail.margins],
        "evidence": evidence_dicts(detail.evidence),
        "images": payload["images"],
        "trace": payload.get("trace"),
        "environment": payload.get("environment"),
        "warnings": payload.get("warnings", []),
        "event": output.fields(detail.event, "seq hash"),
    }


def _use_dict(use: Use) -> dict[str, Any]:
    from sieve_registry.ledger.records import USE_DETAILS

    known = output.fields(use.details, " ".join(USE_DETAILS))
    return {
        **output.fields(use, "event=seq date=on_date count note"),
        **{name: value for name, value in known.items() if value not in (None, "")},
        **output.fields(use, _MADE),
    }


def attention_words(noted: Finding) -> str:
    """What the laboratory has to attend to, and for an open point the command to go on with."""
    from sieve_registry.audit.attention import OPEN_POINT

    words = f"{noted.message}."
    return f"{words} {raise_words(noted.subject)}" if noted.source == OPEN_POINT else words


def raise_words(event: int | str) -> str:
    """The command that raises an open point as a finding."""
    return f"To raise it as a finding: sieveward finding raise --from {event}"
