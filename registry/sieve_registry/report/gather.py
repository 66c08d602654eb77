"""The recorded data of a check, collected for its report."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any

from sieve_registry.audit import issued, verification
from sieve_registry.checks import queries as check_queries
from sieve_registry.checks.gates import NO_FAULT
from sieve_registry.checks.positions import fields_of_check
from sieve_registry.checks.validation import standing, validations
from sieve_registry.errors import EvidenceError
from sieve_registry.ledger.events import ActionDecided
from sieve_registry.ledger.figures import ClothLink
from sieve_registry.ledger.records import Check, CheckDetail, SieveHistory
from sieve_registry.outlook.queries import Outlook, outlook
from sieve_registry.report.before_after import BeforeAfter, beside_earlier, scans_of_check
from sieve_registry.report.enlarged import enlarge
from sieve_registry.report.view import Apertures, CheckView, Overlay, ScanFile, SieveFacts
from sieve_registry.scales.corrections import corrected_links
from sieve_registry.scales.environment import words
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.facts import current_facts_of
from sieve_registry.sieves.lifecycle import signature_of
from sieve_registry.store.engine import Registry


def check_view(registry: Registry, check_id: str) -> CheckView:
    """Everything the registry holds of a check; each evidence file is hashed again.

    The view depends on the records only: the same ledger gives the same view on any day.
    Raises `UnknownCheckError`, `EvidenceError` for a missing file and `EvidenceAlteredError` for a
    changed file of the check.
    """
    detail = check_queries.get_check(registry, check_id)
    event = detail.event
    history = sieve_queries.get_history(registry, detail.check.sieve_id)
    corrections = [made for made in history.corrections if made.corrects == event.seq]
    valid = [check for check in history.checks if check.seq == event.seq]
    void = next((made for made in reversed(corrections) if made.void and not valid), None)
    check = valid[0] if valid else detail.check
    measurement, payload = _json(registry, detail, "measurement"), json.loads(event.payload)
    events, head = verification.ledger_head(registry)
    scans = tuple(ScanFile(f.name, f.sha256) for f in detail.evidence if f.role == "scan")
    apertures = Apertures.from_csv(_bytes(registry, detail, "apertures").decode())
    read = partial(check_queries.evidence_bytes, registry)
    return CheckView(
        sieve=_facts(registry, check, history),
        check_id=check.id,
        on_date=check.on_date.isoformat(),
        operator=check.person,
        software=check.software,
        measurement=measurement,
        limits=_json(registry, detail, "limits"),
        verdict=_verdict(measurement, check),
        apertures=apertures,
        overlays=tuple(
            Overlay(f.name, read(f.sha256)) for f in detail.evidence if f.role == "overlay"
        ),
        scans=scans,
        ledger_head=head,
        ledger_events=events,
        event_hash=event.hash,
        recorded_at=event.recorded_at,
        notes=(*_notes(history, check), *_issued(registry, check)),
        chain=(
            *chain_lines(payload.get("trace"), check.scale_source),
            *_visual(payload.get("visual")),
            *_environment(payload.get("environment")),
            *_equipment(payload.get("equipment")),
            *(("Warning", warning) for warning in payload.get("warnings", ())),
            *corrected_links(registry, payload.get("trace")),
        ),
        action=(check.action, check.action_reason),
        enlarged=enlarge(apertures, scans, read, measurement),
        wear=None if void else _wear(registry, check),
        pair=_pair(registry, detail, payload.get("cloth")),
        corrections=tuple(corrections),
        void="" if void is None else f"{void.reason} ({void.person}, {void.on_date})",
        libraries=", ".join(
            f"{name} {version}"
            for name, version in sorted((payload.get("measured_with") or {}).items())
            if name not in ("code", "computer")
        ),
        computer=_computer(payload.get("measured_with") or {}),
        validated=standing(validations(registry), payload.get("measured_with"), event.seq).sentence,
        decided=_decided(registry, history, check),
        placed=fields_of_check(payload, measurement),
    )


def _computer(used: Mapping[str, str]) -> str:
    """The computer of a check and the digest of its measuring source, "" where not recorded."""
    return f"{used['computer']}, source {used['code'][:12]}" if "computer" in used else ""


def _verdict(measurement: Mapping[str, Any], check: Check) -> Mapping[str, Any] | None:
    """The verdict on the measured values, with the recorded outcome and its reasons."""
    verdict = measurement.get("verdict")
    if not verdict:
        return None
    return {**verdict, "outcome": check.outcome, "reasons": list(check.reasons)}


def _visual(seen: Mapping[str, str] | None) -> tuple[tuple[str, str], ...]:
    """The line of the visual examination."""
    if seen is None:
        return ()
    result = "no fault" if seen["result"] == NO_FAULT else seen["result"]
    return (("Visual examination", f"{result}; {seen['by']}, {seen['on']}"),)


def _environment(kept: Mapping[str, Any] | None) -> tuple[tuple[str, str], ...]:
    """The line of temperature and humidity, with the laboratory's limits."""
    return (("Environment", words(kept)),) if kept else ()


def _equipment(names: Sequence[str] | None) -> tuple[tuple[str, str], ...]:
    """The line of the equipment used beside the device."""
    return (("Equipment used", ", ".join(names)),) if names else ()


def _facts(registry: Registry, check: Check, history: SieveHistory) -> SieveFacts:
    """The sieve: location and status as last recorded, standard and grade as of the check."""
    sieve = history.sieve
    now = sieve_queries.get_state(registry, sieve.id)
    return SieveFacts(
        id=sieve.id,
        nominal_um=check.nominal_nm / 1000,
        standard=check.standard,
        grade=check.grade,
        serial=sieve.serial,
        maker=sieve.maker,
        frame_um=None if sieve.frame_nm is None else sieve.frame_nm / 1000,
        in_service=None if sieve.in_service is None else sieve.in_service.isoformat(),
        location=now.location,
        status=now.status,
        warp=now.details.warp_text,
    )


def _notes(history: SieveHistory, check: Check) -> tuple[str, ...]:
    """Later events that matter to a reader of the report."""
    notes = []
    key = (check.on_date, check.seq)
    later = [other for other in history.checks if (other.on_date, other.seq) > key]
    if later:
        last = max(later, key=lambda other: (other.on_date, other.seq))
        notes.append(
            f"This sieve was checked again since: {last.id} on {last.on_date}, {last.outcome}."
        )
    end = history.retirement
    if end is not None:
        notes.append(f"Retired on {end.on_date} by {end.person}: {end.reason}.")
    return tuple(notes)


def _issued(registry: Registry, check: Check) -> tuple[str, ...]:
    """The reports issued of this check."""
    reports = issued.issued_reports(registry)
    return tuple(report.sentence for report in reports if report.fact.payload.check == check.id)


def _decided(registry: Registry, history: SieveHistory, check: Check) -> tuple[str, ...]:
    """Decisions of persons on this check, and its second signature."""
    lines = []
    for fact in current_facts_of(registry, check.sieve_id, [ActionDecided]):
        if fact.payload.check == check.id:
            reason = f": {fact.payload.reason}" if fact.payload.reason else ""
            lines.append(
                f"Decided on {fact.on_date} by {fact.person}: {fact.payload.decided}{reason}."
            )
    signed = signature_of(history, check)
    if signed is not None:
        lines.append(f"Signed off on {signed.on_date} by {signed.person}, as the second person.")
    return tuple(lines)


def _wear(registry: Registry, check: Check) -> Outlook | None:
    """The outlook of the cloth as of the day of the check; None with a single check."""
    seen = outlook(registry, check.sieve_id, check.on_date)
    of_cloth = {known.id for known in seen.wear.checks}
    return seen if len(of_cloth) > 1 and check.id in of_cloth else None


def _pair(
    registry: Registry, detail: CheckDetail, cloth: Mapping[str, Any] | None
) -> BeforeAfter | None:
    """The check beside the earlier check of the same cloth, None where there is none."""
    if cloth is None:
        return None
    link = ClothLink.from_payload(cloth)
    scans = scans_of_check(registry, detail.evidence)
    return beside_earlier(registry, link, scans, detail.check.nominal_nm / 1000)


def _json(registry: Registry, detail: CheckDetail, role: str) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(_bytes(registry, detail, role))
    return document


def _bytes(registry: Registry, detail: CheckDetail, role: str) -> bytes:
    for file in detail.evidence:
        if file.role == role:
            return check_queries.evidence_bytes(registry, file.sha256)
    raise EvidenceError(name=role, reason=f"check {detail.check.id} has no such file")


_NONE = "not recorded in this registry"


def chain_lines(
    trace: Mapping[str, Any] | None, source: str | None = None
) -> tuple[tuple[str, str], ...]:
    """The name and text of each link; `source` describes a scale that is not recorded."""
    if not trace:
        unrecorded = f"{_NONE}; described as: {source}" if source else f"{_NONE}, no description"
        kept = "measured by that scale; keep its certificate with this page"
        return (
            ("Certificate", _NONE),
            ("Artefact", _NONE),
            ("Scale of the device", unrecorded),
            ("This check", kept if source else "not traceable to a certificate"),
        )
    certificate, artefact = trace["certificate"], trace["artefact"]
    scale, check = trace["scale"], trace["check"]
    pitch, expanded = float(artefact["pitch_um"]), float(artefact["U_pitch_um"])
    return (
        (
            "Certificate",
            f"{certificate['number']} of {certificate['laboratory']}, valid "
            f"{certificate['valid_from']} to {certificate['valid_to']}",
        ),
        (
            "Artefact",
            f"{artefact['id']} ({artefact['kind']}), pitch {pitch:.7g} µm, U {expanded:.3g} µm "
            f"(k = {float(artefact['k']):g}); event {artefact['event']}",
        ),
        ("Scale of the device", _scale_text(scale) + _line_text(trace.get("line"))),
        ("This check", _check_text(check, trace.get("accepted"))),
    )


def _scale_text(scale: Mapping[str, Any] | None) -> str:
    if scale is None:
        return "not recorded: taken from the artefact in the scan"
    x, y = (f"{float(value):.6g}" for value in scale["um_per_px"])
    return (
        f"{scale['name']}: {scale['device']} at {scale['setting']}, {x} × {y} µm/px, calibrated "
        f"{scale['date']}, valid until {scale['valid_until']}; event {scale['event']}"
    )


def _line_text(line: Mapping[str, Any] | None) -> str:
    """The certificate behind the edge bias, where a single line gave it."""
    if line is None:
        return ""
    return (
        f"; edge bias from the line {line['id']}, {float(line['width_um']):.6g} µm wide, U "
        f"{float(line['U_width_um']):.2g} µm (k = {float(line['k']):g}), certificate "
        f"{line['certificate']} of {line['laboratory']}, valid {line['valid_from']} to "
        f"{line['valid_to']}; event {line['event']}"
    )


def _check_text(check: Mapping[str, Any], accepted: Mapping[str, Any] | None) -> str:
    u_x, u_y = (f"{200 * float(value):.2g}" for value in check["u_rel"])
    parts = [f"U of its scale {u_x} % along x, {u_y} % along y (k = 2)"]
    for scan in check.get("in_scan", ()):
        x, y = (f"{float(value):.6g}" for value in scan["um_per_px"])
        parts.append(f"by the artefact in {scan['file']} ({scan['marks']} marks) {x} × {y} µm/px")
    if check.get("temperature_c") is not None:
        parts.append(f"scanned at {float(check['temperature_c']):g} °C, widths given at 20 °C")
    for effect in check["effects"]:
        corrected = float(effect.get("correction_rel", 0.0))
        made = f" corrected by {100 * corrected:+.2g} %," if corrected else ""
        if (u_rel := float(effect["u_rel"])) or corrected:
            parts.append(f"{effect['name']}{made} {100 * u_rel:.2g} % (k = 1) included")
    if accepted:
        parts.append(f"{', '.join(accepted['expired'])}: {accepted['by']}, “{accepted['why']}”")
    return "; ".join(parts)
