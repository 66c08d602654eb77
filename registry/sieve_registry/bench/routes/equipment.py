"""Certificates of outside laboratories and equipment on the bench: recorded, listed, compared."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from sieve_inspect.errors import UsageError
from sieve_inspect.outcomes import NOT_JUDGED
from sieve_registry.bench.desk import Desk, desk_of, page
from sieve_registry.bench.forms import (
    Form,
    act,
    act_with_files,
    done_place,
    keep_file,
    place_of_equipment,
)
from sieve_registry.bench.guard import PRINT_POLICY
from sieve_registry.ledger.choices import CheckMethod, EquipmentAct, EquipmentKind
from sieve_registry.ledger.figures import CertifiedDirection
from sieve_registry.quality import queries
from sieve_registry.quality.equipment_lookback import equipment_lookbacks, record_name
from sieve_registry.scales import environment, equipment
from sieve_registry.sieves.certificates import NewCertificate, add_certificate, exact_um
from sieve_registry.sieves.recording import RecordTerms


def _certify(desk: Desk, form: Form, folder: Path, data: FormData) -> str:
    """Record a certificate of a sieve with its document."""
    new = NewCertificate(
        number=form.text("number"),
        laboratory=form.text("laboratory"),
        x=_direction(form, "x"),
        y=_direction(form, "y"),
        accreditation=form.text("accreditation"),
        standard=form.text("standard"),
        outcome=form.text("outcome") or NOT_JUDGED,
        k=form.figure("k", "k") or Decimal(2),
        next_due=form.day("next_due"),
        note=form.text("note"),
    )
    day = form.day("measured")
    if day is None:
        raise UsageError(message="Day of the certificate missing: fill it in.")
    terms = RecordTerms(day, form.person(), form.text("why_late"))
    document = keep_file(data, "document", folder)
    add_certificate(desk.registry, form.text("sieve"), new, terms, document)
    return done_place(desk.registry, form.text("sieve"))


def _direction(form: Form, axis: str) -> CertifiedDirection:
    lengths = (form.length_um(f"{field}_{axis}") for field in ("mean", "u", "max"))
    mean, expanded, largest = (None if of is None else exact_um(of) for of in lengths)
    if mean is None:
        raise UsageError(message=f"Mean in {axis} missing: copy it from the certificate.")
    return CertifiedDirection(mean_um=mean, expanded_um=expanded, max_um=largest)


def comparisons_chart(request: Request) -> Response:
    """Own checks against the certificates of a sieve, as an SVG file."""
    from sieve_registry.report.comparisons import comparisons_svg

    made = queries.comparisons(desk_of(request).registry, request.query_params.get("id", ""))
    judged = [comparison for comparison in made if comparison.directions]
    if not judged:
        raise HTTPException(404, "No certificate has an own check near it")
    policy = {"Content-Security-Policy": PRINT_POLICY}
    return Response(comparisons_svg(judged), media_type="image/svg+xml", headers=policy)


def listing(request: Request) -> Response:
    """The equipment with its state, the form to add some, and the limits of the environment."""
    desk = desk_of(request)
    return page(
        request,
        "equipment.html",
        pieces=equipment.recorded_equipment(desk.registry),
        kinds=[(str(kind), str(kind).replace("-", " ")) for kind in EquipmentKind],
        limits=environment.all_limits(desk.registry, desk.registry.today()),
        methods=[("", "all methods"), *((str(m), f"{m} checks alone") for m in CheckMethod)],
    )


def piece(request: Request) -> Response:
    """One piece of equipment: its record, its state, its events, and the form for the next."""
    desk = desk_of(request)
    named = equipment.equipment_named(desk.registry, request.query_params.get("id", ""))
    return page(
        request,
        "equipment_piece.html",
        piece=named,
        reviews=equipment_lookbacks(desk.registry, piece=named.id)[::-1],
        record_name=record_name,
        acts=[(str(what), str(what)) for what in EquipmentAct],
        editable=equipment.TEXTS,
        done=request.query_params.get("done", ""),
    )


def _add(desk: Desk, form: Form, folder: Path, data: FormData) -> str:
    new = equipment.NewEquipment(
        id=form.needed("id", "Name of the equipment"),
        kind=form.text("kind"),
        **{name: form.text(name) for name in equipment.TEXTS},
        names=tuple(form.names("names")),
        received=form.day("received"),
        valid_to=form.day("valid_to"),
        next_due=form.day("next_due"),
    )
    document = keep_file(data, "document", folder)
    made = equipment.add_equipment(
        desk.registry, new, form.terms(), [] if document is None else [document]
    )
    return place_of_equipment(made.id, done=made.seq)


def _log(desk: Desk, form: Form, folder: Path, data: FormData) -> str:
    document = keep_file(data, "document", folder)
    what = form.text("act")
    made = equipment.log_equipment(
        desk.registry,
        form.text("equipment"),
        what,
        form.terms(),
        outcome=form.text("outcome") if what == EquipmentAct.CHECK else "",
        note=form.text("note"),
        next_due=form.day("next_due"),
        documents=[] if document is None else [document],
    )
    return place_of_equipment(made.id, done=max(fact.seq for fact in made.log))


def _edit(desk: Desk, form: Form) -> str:
    """Record only what differs from today."""
    known = equipment.equipment_named(desk.registry, form.text("equipment"))
    changed = {n: form.text(n) for n in equipment.TEXTS if form.text(n) != getattr(known, n)}
    if not changed:
        raise UsageError(message="Nothing differs from what is recorded: change a field first.")
    equipment.edit_equipment(desk.registry, known.id, changed, form.terms())
    return place_of_equipment(known.id)


def _limit(desk: Desk, form: Form) -> str:
    """Set the limits of the environment for a method; what is empty has no limit."""
    temperature, humidity = (
        _span(form, what, unit) for what, unit in (("temperature", "°C"), ("humidity", "%"))
    )
    method = form.text("method")
    environment.set_limits(desk.registry, temperature, humidity, form.terms(), method)
    return "/equipment#limits"


def _span(form: Form, what: str, unit: str) -> environment.Range | None:
    low, high = (
        environment.read_number(f"{end} {what}", unit, form.text(f"{what}_{end}"))
        for end in ("lowest", "highest")
    )
    if low is None or high is None:
        if (low, high) != (None, None):
            raise UsageError(message=f"Give both limits of the {what}, or none.")
        return None
    return low, high


READS = (
    ("/sieve/certificates.svg", comparisons_chart),
    ("/equipment", listing),
    ("/equipment/piece", piece),
)
WRITES = (
    ("/sieve/certificate", act_with_files(_certify)),
    ("/equipment/add", act_with_files(_add)),
    ("/equipment/log", act_with_files(_log)),
    ("/equipment/edit", act(_edit)),
    ("/equipment/limits", act(_limit)),
)
