"""A check in two halves: measuring the scans, which touches no record, and recording it.

Between the two a person may inspect the result. What is recorded is what was shown.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sieve_inspect.outcomes import FOR_INFORMATION
from sieve_registry.checks import evidence, gates, validation
from sieve_registry.checks.cloth import NOT_RECOGNISED, ClothSearch, Recognition
from sieve_registry.checks.earlier import scatter_before
from sieve_registry.checks.positions import (
    PlacedField,
    Position,
    contradictions,
    placed_fields,
)
from sieve_registry.checks.queries import get_check
from sieve_registry.checks.repeats import overlapping, refuse_without_reason, used_before
from sieve_registry.ledger.choices import CheckMethod
from sieve_registry.ledger.codec import plain_value
from sieve_registry.ledger.events import CheckRecorded, CheckSigned
from sieve_registry.ledger.records import CheckDetail, SieveHistory, SieveState
from sieve_registry.scales.check_scale import CheckScale
from sieve_registry.scales.dpi import dpi_warnings
from sieve_registry.scales.environment import (
    NOT_RECORDED,
    Environment,
    limits_of,
    to_record,
)
from sieve_registry.scales.environment import faults as environment_faults
from sieve_registry.scales.equipment_use import UsedEquipment, cautions, optics_of
from sieve_registry.scales.lamps import illumination_for, refuse_other_lamp
from sieve_registry.scales.plausibility import accepted, contradictions_of_tags, dpi_of_file
from sieve_registry.sieves import decision_rules
from sieve_registry.sieves.recording import (
    RecordTerms,
    history_for_recording,
    history_of,
    recording,
)
from sieve_registry.store import writer
from sieve_registry.store.engine import Registry
from sieve_registry.store.writer import software
from sieve_registry.values import clean_text

if TYPE_CHECKING:
    from sieve_inspect.illumination.model import Illumination
    from sieve_inspect.measurement.model import Measurement
    from sieve_inspect.scale.model import Scale


_TODAY = RecordTerms()
_NOT_CORRECTED = (
    "the temperature is recorded, but the widths are not corrected to 20 °C: that needs a recorded "
    "scale"
)


@dataclass(frozen=True, eq=False)
class Taken:
    """Scans measured and judged for a day, not recorded yet.

    `history` is the sieve's history at that time, `document` the measurement's, `figures` what a
    check records of it, with an action that takes the history into account; `warnings` go with it.
    `judged` is false for a check for information; `cloth` is what its cloth was recognised as.
    `used` names the scans of earlier checks, `reason` is why such scans or fields that overlap are
    meant.
    """

    history: SieveHistory
    day: date
    images: tuple[Path, ...]
    scale: CheckScale
    measurement: evidence.MeasurementLike
    document: Mapping[str, Any]
    figures: Mapping[str, Any]
    warnings: tuple[str, ...] = ()
    judged: bool = True
    cloth: Recognition = NOT_RECOGNISED
    environment: Environment = NOT_RECORDED  # of the place the scans were made in
    positions: tuple[Position, ...] = ()  # of the scans on the cloth, where known
    equipment: tuple[str, ...] = ()  # used beside the device, such as a thermometer
    used: tuple[str, ...] = ()
    reason: str = ""

    @property
    def fields(self) -> tuple[PlacedField, ...]:
        """The scans at their places on the cloth, empty where those are not known."""
        return placed_fields(self.document, self.positions) if self.positions else ()

    @property
    def overlaps(self) -> tuple[str, ...]:
        """A sentence for each two fields that show the same cloth."""
        return overlapping(self.document["images"], self.fields)

    @property
    def repeats(self) -> tuple[str, ...]:
        """What the check uses or counts again; it is recorded for a reason only."""
        return (*self.used, *self.overlaps)


def measure_scans(
    images: Sequence[Path], *, progress: Callable[[int, float], None] | None = None, **options: Any
) -> Measurement:
    """The core's `measure`, imported when the first check needs it: it loads NumPy and OpenCV.

    `progress` is called with the number of a scan (from 0) and the share of it that is done.
    """
    from sieve_inspect.measurement.options import Resources
    from sieve_inspect.measurement.pipeline import measure

    if progress is not None:
        options["resources"] = Resources(progress=progress)
    return measure(images, **options)


def take(
    registry: Registry,
    sieve_id: str,
    images: Sequence[Path],
    *,
    scale: Scale | CheckScale,
    illumination: Illumination | None = None,
    encoding: str,
    terms: RecordTerms,
    for_information: bool = False,
    measure: Callable[..., evidence.MeasurementLike] | None = None,
) -> Taken:
    """Measure a sieve's scans and judge them, if such a check may be recorded.

    `illumination` is lamp and view, by default those on record for the scale's device;
    `for_information` judges nothing; `measure` takes the place of the core's. Raises as `check`;
    nothing is recorded.
    """
    from sieve_inspect.measurement.options import Judging, Prior

    chosen = CheckScale.of(scale)
    tags = [(image.name, dpi_of_file(image)) for image in map(Path, images)]
    contradictions = contradictions_of_tags(chosen.scale, tags)
    implausible = accepted(contradictions, chosen.accept_scale, chosen.accepted_by or terms.by)
    with registry.reading() as connection:
        history, day = history_for_recording(registry, connection, sieve_id, CheckRecorded, terms)
    sieve = history.sieve
    rule = decision_rules.rule_of(registry, sieve.id, day)
    warnings = cautions(registry, chosen.instruments, day)
    if unvalidated := validation.caution(registry):
        warnings.append(unvalidated)
    if illumination is None:
        illumination = illumination_for(registry, chosen.device, day, warnings.append)
    search = ClothSearch(registry, history, day, chosen.turned_deg)
    measurement = (measure or measure_scans)(
        images,
        nominal_um=sieve.nominal_um,
        scale=chosen.scale,
        in_scan=chosen.in_scan,
        encoding=encoding,
        illumination=illumination,
        judging=Judging(
            standard=None if for_information else sieve.standard,
            grade=sieve.grade,
            rule=rule.rule,
            coarser=rule.coarser,
            doubts=(*chosen.doubts, *implausible),
            frame_mm=None if sieve.frame_nm is None else sieve.frame_nm / 1e6,
        ),
        prior=Prior(
            decision_rules.contributions(registry, rule.study) if rule.study else (),
            scatter=scatter_before(registry, history, day),
            turned_deg=chosen.turned_deg or 0.0,
            by_cloth=search,
            device=optics_of(registry, chosen, day),
        ),
    )
    document = measurement.to_dict()
    refuse_other_lamp(document, illumination)
    judged = not for_information
    cloth = search.result
    figures = _figures(registry, history, day, document, chosen, cloth, judged=judged)
    return Taken(
        history,
        day,
        tuple(images),
        chosen,
        measurement,
        document,
        figures,
        tuple(warnings),
        judged,
        cloth,
        used=used_before(registry, [Path(image) for image in images]),
    )


def with_history_now(registry: Registry, taken: Taken) -> Taken:
    """The same measurement with an action by the sieve's present history, and scans used since."""
    with registry.reading() as connection:
        history = history_of(connection, taken.history.sieve.id)
    figures = _figures(
        registry,
        history,
        taken.day,
        taken.document,
        taken.scale,
        taken.cloth,
        judged=taken.judged,
    )
    used = used_before(registry, [Path(image) for image in taken.images])
    return replace(taken, history=history, figures=figures, used=used)


def record(registry: Registry, taken: Taken, terms: RecordTerms, visual: str = "") -> str:
    """Record what was measured, with its evidence; returns the number of the check.

    `visual` is the result of the visual examination, "ok" or the fault seen; without it a pass is
    conditional. Raises `SieveRetiredError` and others where the sieve can no longer have it
    recorded, `EvidenceError` when a scan changed since it was measured; then nothing is recorded.
    """
    sieve, examination = taken.history.sieve, gates.Examination.of(visual)
    figures, limits = dict(taken.figures), limits_of(registry, CheckMethod.OPTICAL, taken.day)
    if taken.judged:
        faults = environment_faults(taken.environment, limits)
        unmet = gates.gates_of(taken.scale.scale, examination, faults)
        figures = gates.gated(figures, unmet, examination)
    warnings = [*dpi_warnings(taken.images, taken.scale.scale), *taken.warnings]
    why = f"; recorded because: {taken.reason}" if taken.reason else ""
    warnings += [f"{sentence}{why}" for sentence in taken.repeats]
    warnings += taken.cloth.cautions
    warnings += contradictions(taken.fields, taken.document["images"])
    if taken.environment.temperature_c is not None and taken.scale.trace is None:
        warnings.append(_NOT_CORRECTED)
    kept = to_record(taken.environment, limits)
    staged: list[evidence.StagedFile] = []
    try:
        contents = (taken.images, taken.measurement, taken.scale.scale, sieve.standard)
        for file in evidence.stage(registry.evidence, *contents):
            staged.append(file)
        evidence.refuse_changed_scans(staged, dict(taken.document))
        with recording(registry, sieve.id, CheckRecorded, terms) as context:
            check_id = writer.next_check_id(context.connection)
            payload = {
                "check": check_id,
                "nominal_nm": sieve.nominal_nm,
                "standard": sieve.standard,
                "grade": sieve.grade,
                **figures,
                "images": _with_positions(figures["images"], taken.positions),
                "measured_with": software(),
                **({"warnings": warnings} if warnings else {}),
                **({} if taken.scale.trace is None else {"trace": dict(taken.scale.trace)}),
                **({} if examination is None else examination.to_payload(terms, context.day)),
                **({} if taken.cloth.link is None else {"cloth": taken.cloth.link.to_payload()}),
                **({} if kept is None else {"environment": kept}),
                **({"equipment": list(taken.equipment)} if taken.equipment else {}),
            }
            with writer.placing(context.connection, registry.evidence, staged) as files:
                payload["evidence"] = [file.to_payload() for file in files]
                context.append(CheckRecorded.from_payload(payload), terms.by)
    finally:
        for item, _, _ in staged:
            registry.evidence.discard(item)
    return check_id


def _figures(
    registry: Registry,
    history: SieveHistory,
    day: date,
    document: Mapping[str, Any],
    scale: CheckScale,
    cloth: Recognition,
    *,
    judged: bool,
) -> dict[str, Any]:
    figures = evidence.check_figures(document)
    if not judged:
        return figures | {"outcome": FOR_INFORMATION}
    # Brings NumPy, which `due` can do without.
    from sieve_registry.outlook.queries import action_with_history

    with_chain = {**figures, "trace": scale.trace}
    link = None if cloth.contradicts else cloth.link
    return figures | action_with_history(registry, history, day, with_chain, link)


def check(
    registry: Registry,
    sieve_id: str,
    images: Sequence[Path],
    *,
    scale: Scale | CheckScale,
    encoding: str = "auto",
    terms: RecordTerms = _TODAY,
    visual: str = "",
    for_information: bool = False,
    accept_scan: str = "",
    measure: Callable[..., evidence.MeasurementLike] | None = None,
) -> CheckDetail:
    """Measure a sieve's scans, judge them, and record the check with its evidence.

    `visual` is the result of the visual examination: "ok" or the fault seen. A check
    `for_information` is not judged, and the sieve stays due as before. `accept_scan` is the reason
    to check scans of an earlier check again, or by fields that overlap.

    The measuring runs before the registry is touched; whatever it raises passes through and
    nothing is recorded. Raises
    `UnknownSieveError`, `SieveRetiredError`, `DateRefusedError` (in the future, or before the
    sieve's service), `OtherClothError` (the cloth is that of another sieve; `take`, `accepting`
    and `record` record it for a reason), `UsedScanError` and `OverlappingFieldsError` without
    `accept_scan`, `EvidenceError` (a scan changed meanwhile).
    """
    taken = take(
        registry,
        sieve_id,
        images,
        scale=scale,
        encoding=encoding,
        terms=terms,
        for_information=for_information,
        measure=measure,
    )
    taken = accepting(taken, scan=accept_scan)
    return get_check(registry, record(registry, taken, terms, visual))


def accepting(taken: Taken, cloth: str = "", scan: str = "") -> Taken:
    """The check as it may be recorded, with the reasons for what speaks against it.

    Raises without them: `OtherClothError` where its cloth is not the one on record, `UsedScanError`
    and `OverlappingFieldsError` for scans and cloth that it uses again.
    """
    accepted, reason = taken.cloth.accepted(cloth), clean_text("reason", scan)
    refuse_without_reason(taken.used, taken.overlaps, reason)
    return replace(taken, cloth=accepted, reason=reason)


def in_environment(
    taken: Taken, environment: Environment, positions: Sequence[Position] = ()
) -> Taken:
    """The check with the air around it and, where known, the places of its scans on the cloth."""
    return replace(taken, environment=environment, positions=tuple(positions))


def with_equipment(taken: Taken, used: UsedEquipment) -> Taken:
    """The check with the equipment used beside the device, such as a thermometer."""
    return replace(taken, equipment=used.ids, warnings=(*taken.warnings, *used.to_note))


def _with_positions(
    images: Sequence[Mapping[str, Any]], positions: Sequence[Position]
) -> list[dict[str, Any]]:
    if not positions:
        return [dict(image) for image in images]
    return [
        {**image, "position_mm": plain_value(list(position))}
        for image, position in zip(images, positions, strict=True)
    ]


def sign_check(registry: Registry, check_id: str, note: str, terms: RecordTerms) -> SieveState:
    """Sign a check off as the second person.

    Raises `UnknownCheckError`, and `RuleRefusedError` when the person made the check or it is
    signed already.
    """
    check = get_check(registry, check_id).check
    payload = CheckSigned(check=check.id, note=clean_text("note", note))
    with recording(registry, check.sieve_id, CheckSigned, terms, check_id=check.id) as context:
        return context.record(payload, terms.by)
