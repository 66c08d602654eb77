"""Records on the bench: how an earlier record should read, and the charts of a sieve."""

from __future__ import annotations

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from sieve_inspect.errors import UsageError
from sieve_registry.bench.desk import Desk, desk_of, page
from sieve_registry.bench.forms import Form, act, place_of, place_of_equipment
from sieve_registry.bench.guard import PRINT_POLICY
from sieve_registry.ledger.events import EquipmentAdded
from sieve_registry.outlook.queries import outlook
from sieve_registry.people.acts import Act
from sieve_registry.quality import corrections
from sieve_registry.quality.control_chart import control_charts
from sieve_registry.report.charts import standalone
from sieve_registry.report.control import control_svg
from sieve_registry.report.timeline import marks_of, timeline_svg
from sieve_registry.report.wear import wear_svg
from sieve_registry.scales.corrections import AMENDABLE
from sieve_registry.scales.equipment import EQUIPMENT_EVENTS
from sieve_registry.sieves import queries as sieve_queries

_OF_EQUIPMENT = frozenset(kind.KIND for kind in EQUIPMENT_EVENTS)
_OF_SCALES = frozenset(AMENDABLE) - _OF_EQUIPMENT


def correction(request: Request) -> Response:
    """The form to correct a record, or to declare it void."""
    desk = desk_of(request)
    record = corrections.correctable(desk.registry, request.query_params.get("event", ""))
    return page(
        request,
        "correction.html",
        record=record,
        back=_place(record),
        undo=request.query_params.get("undo", ""),
        needs=Act.CALIBRATE if record.event.kind in _OF_SCALES else Act.MANAGE,
    )


def _correct(desk: Desk, form: Form) -> str:
    """Record the fields that were changed; or that the record is void, or is valid again."""
    record = corrections.correctable(desk.registry, form.needed("event", "Record"))
    terms, reason, wanted = form.terms(), form.text("why"), form.text("what")
    changes = {}
    if wanted == "change":
        for name, value in record.fields.items():
            typed = form.text(name)
            if typed and typed != ("" if value is None else str(value)):
                changes[name] = typed
        if not changes:
            raise UsageError(message="No field differs from what is recorded: change one first.")
    void = wanted == "void"
    number = str(record.event.seq)
    corrections.correct(desk.registry, number, changes, reason, terms, void=void)
    return _place(record)


def _place(record: corrections.CorrectableRecord) -> str:
    kind, subject = record.event.kind, record.event.subject
    if kind in _OF_EQUIPMENT:  # a record of equipment withdrawn as a whole has no page
        return "/equipment" if kind == EquipmentAdded.KIND else place_of_equipment(subject)
    return "/scales" if kind in _OF_SCALES else place_of(subject)


def wear_chart(request: Request) -> Response:
    """The mean apertures against uses or days, with their forecast."""
    seen = outlook(desk_of(request).registry, request.query_params.get("id", ""))
    if len(seen.wear.checks) < 2:
        raise HTTPException(404, "Wear needs two checks at least")
    return _drawing(wear_svg(seen))


def control_chart(request: Request) -> Response:
    """The control chart of a sieve kept as a check standard."""
    registry, sieve_id = desk_of(request).registry, request.query_params.get("id", "")
    charts = control_charts(registry, sieve_id)
    sieve = sieve_queries.get_history(registry, sieve_id).sieve
    return _drawing(control_svg(sieve.id, charts, sieve.nominal_um))


def timeline(request: Request) -> Response:
    """The life of a sieve as an SVG file."""
    registry = desk_of(request).registry
    history = sieve_queries.get_history(registry, request.query_params.get("id", ""))
    return _drawing(standalone(timeline_svg(history, marks_of(history), registry.today())))


def _drawing(svg: str) -> Response:
    policy = {"Content-Security-Policy": PRINT_POLICY}
    return Response(svg, media_type="image/svg+xml", headers=policy)


READS = (
    ("/correct", correction),
    ("/sieve/wear.svg", wear_chart),
    ("/sieve/control.svg", control_chart),
    ("/sieve/timeline.svg", timeline),
)
WRITES = (("/correct", act(_correct)),)
