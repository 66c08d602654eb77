"""Sieves on the bench: the list, new sieves typed or as a table, one sieve, and its details."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from sieve_inspect.errors import UsageError
from sieve_inspect.standard import resolve_nominal
from sieve_inspect.standard.editions import EDITIONS
from sieve_inspect.units import format_length
from sieve_registry.bench import views
from sieve_registry.bench.desk import Desk, desk_of, page
from sieve_registry.bench.forms import (
    Form,
    act,
    act_with_files,
    done_place,
    keep_file,
    place_of,
)
from sieve_registry.bench.routes.checks import ENCODINGS
from sieve_registry.bench.routes.today import folder_values, scale_values
from sieve_registry.bench.scale_choice import offers
from sieve_registry.bench.uploads import KINDS, MOST_BYTES, MOST_SCANS
from sieve_registry.errors import BadRowsError, BadTextError, UnknownSieveError
from sieve_registry.exchange import tables
from sieve_registry.ledger.records import NewSieve, SieveDetails, SieveState, Status
from sieve_registry.quality.certificate_rules import WITHIN_DAYS, conclusion
from sieve_registry.quality.lookback import lookbacks_of
from sieve_registry.quality.queries import comparisons
from sieve_registry.report.record_rows import FACTS, record_rows
from sieve_registry.report.timeline import marks_of, timeline_svg
from sieve_registry.scales.equipment import recorded_equipment
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.facts import current_facts_of
from sieve_registry.sieves.naming import rename_sieve
from sieve_registry.values import DEFAULT_INTERVAL_MONTHS, DEFAULT_STANDARD

_SHOWN = 200  # rows of the list; a search finds the others
_GRADES = ("compliance", "inspection", "calibration")
_DETAILS = ("type", "height", "cloth", "certificate", "warp", "label")
_SHOWS = {
    "all": "all",
    "due": "overdue",
    "never": "never checked",
    "quarantined": "in quarantine",
    "retired": "retired",
}


def listing(request: Request) -> Response:
    """All sieves with their state at a glance, found by words."""
    return page(request, "sieves.html", **_list_values(request))


def list_rows(request: Request) -> Response:
    """The rows of the list alone, while words are typed."""
    return page(request, "_sieves.html", **_list_values(request))


def _list_values(request: Request) -> dict[str, Any]:
    states = desk_of(request).overview.states()
    words, show = request.query_params.get("q", "").strip(), request.query_params.get("show", "all")
    found = [state for state in _shown(states, show) if _matches(state, words)]
    return {
        "rows": [views.sieve_row(state) for state in found[:_SHOWN]],
        "found": len(found),
        "total": len(states),
        "words": words,
        "show": show if show in _SHOWS else "all",
        "shows": _SHOWS,
        "imported": request.query_params.get("imported", ""),
    }


def _shown(states: Iterable[SieveState], show: str) -> list[SieveState]:
    tests: dict[str, Callable[[SieveState], bool]] = {
        "due": lambda s: s.overdue,
        "never": lambda s: s.unchecked and s.status != Status.RETIRED,
        "quarantined": lambda s: s.status == Status.QUARANTINED,
        "retired": lambda s: s.status == Status.RETIRED,
    }
    test = tests.get(show)
    return [state for state in states if test is None or test(state)]


def _matches(state: SieveState, words: str) -> bool:
    sieve = state.sieve
    text = " ".join(
        (sieve.id, format_length(sieve.nominal_um), sieve.serial, sieve.maker, state.location,
         state.details.label, state.status)
    ).casefold()  # fmt: skip
    return all(word in text for word in words.casefold().replace("µ", "u").split())


def new(request: Request) -> Response:
    """The form for a new sieve, and for a table of sieves."""
    return page(
        request,
        "new_sieve.html",
        standards=sorted(EDITIONS),
        usual_standard=DEFAULT_STANDARD,
        usual_months=DEFAULT_INTERVAL_MONTHS,
        grades=_GRADES,
        columns=tables.SIEVE_COLUMNS,
        typed=request.query_params.get("id", "")[:64],
    )


def _add(desk: Desk, form: Form) -> str:
    nominal = form.needed("nominal", "Nominal aperture")
    months = form.count("interval_months", "Months between checks")
    added = NewSieve(
        id=form.needed("id", "Name of the sieve"),
        nominal_um=resolve_nominal(nominal),
        standard=form.text("standard") or DEFAULT_STANDARD,
        grade=form.text("grade") or _GRADES[0],
        serial=form.text("serial"),
        frame_um=form.length_um("frame"),
        in_service=form.day("in_service"),
        interval_months=DEFAULT_INTERVAL_MONTHS if months is None else months,
        interval_uses=form.count("interval_uses", "Uses between checks"),
        location=form.text("location"),
        maker=form.text("maker"),
        details=SieveDetails(**{name: form.text(name) for name in _DETAILS}),
    )
    state = sieve_commands.add_sieve(
        desk.registry, added, by=form.person(), late_reason=form.text("why_late")
    )
    return place_of(state.sieve.id, new="yes")


def _import(desk: Desk, form: Form, folder: Path, data: FormData) -> str:
    """Import a table of sieves: all of it, or nothing and every bad row."""
    table = keep_file(data, "table", folder)
    if table is None:
        raise UsageError(message="Table missing: choose a CSV or XLSX file.")
    mapping = tables.read_mapping(keep_file(data, "mapping", folder))
    made = tables.import_table(
        desk.registry, table, tables.SIEVES, mapping, form.terms(), dry_run=False
    )
    if made.bad:
        first, *others = made.bad
        listed = [first.reason, *(f"line {row.line}: {row.reason}" for row in others[:20])]
        raise BadRowsError(
            file=table.name, count=len(made.bad), line=first.line, reason="; ".join(listed)
        )
    return f"/sieves?imported={made.rows}"


def sieve(request: Request) -> Response:
    """One sieve, by its scanned or typed label: state, next check, acts, and history."""
    desk = desk_of(request)
    typed = request.query_params.get("id", "").strip()
    if not typed:
        return RedirectResponse("/", 303)
    try:
        history = sieve_queries.get_history(desk.registry, typed)
        state = sieve_queries.get_state(desk.registry, typed)
    except (UnknownSieveError, BadTextError):
        return _not_found(request, typed)
    last = state.last_check
    last_source = None if last is None else last.scale_source
    facts = current_facts_of(desk.registry, history.sieve.id, FACTS)
    records = record_rows(history, facts, desk.registry.today())
    done = request.query_params.get("done", "")
    reviews = lookbacks_of(history, desk.registry.today())
    compared = comparisons(desk.registry, history.sieve.id)
    return page(
        request,
        "sieve.html",
        sieve=state.sieve,
        state=state,
        timeline=timeline_svg(history, marks_of(history), desk.registry.today()),
        records=records,
        corrections=history.corrections,
        done=next((record for record in records if str(record.seq) == done), None),
        lookbacks=reviews,
        open_lookbacks=[review for review in reviews if review.undecided],
        certificates=compared[::-1],
        compared=conclusion(compared, WITHIN_DAYS) if any(c.directions for c in compared) else "",
        fresh=request.query_params.get("new", ""),
        encodings=ENCODINGS,
        equipment=[piece.id for piece in recorded_equipment(desk.registry)],
        kinds=",".join(KINDS),
        most_scans=MOST_SCANS,
        most_bytes=MOST_BYTES,
        doubtful=last is not None and bool(state.remarks),
        checks=sorted(history.checks, key=lambda c: (c.on_date, c.seq), reverse=True),
        details=[(name, getattr(state.details, name)) for name in _DETAILS],
        **scale_values(offers(desk.registry, desk.given), last_source),
        **folder_values(desk, []),
    )


def _not_found(request: Request, typed: str) -> Response:
    """The sieve that differs only in capitals, else a page that offers the nearest names."""
    ids = [state.sieve.id for state in desk_of(request).overview.states()]
    same = [name for name in ids if name.casefold() == typed.casefold()]
    if len(same) == 1:
        return RedirectResponse(place_of(same[0]), 303)
    folded = {name.casefold(): name for name in ids}
    near = difflib.get_close_matches(typed.casefold(), folded, n=5)
    return page(
        request,
        "unknown.html",
        404,
        typed=typed[:64],
        near=same or [folded[name] for name in near],
        any_sieve=bool(ids),
    )


def edit(request: Request) -> Response:
    """The form to change what may change of a sieve."""
    desk = desk_of(request)
    state = sieve_queries.get_state(desk.registry, request.query_params.get("id", ""))
    return page(
        request,
        "edit_sieve.html",
        sieve=state.sieve,
        state=state,
        details=[(name, getattr(state.details, name)) for name in _DETAILS],
    )


def _edit(desk: Desk, form: Form) -> str:
    """Record only what differs from today."""
    state = sieve_queries.get_state(desk.registry, form.text("sieve"))
    terms = form.terms()
    months = form.count("interval_months", "Months between checks")
    uses = form.count("interval_uses", "Uses between checks") or 0
    location = form.text("location")
    changed = {n: form.text(n) for n in _DETAILS if form.text(n) != getattr(state.details, n)}
    name = form.text("new_name") or state.sieve.id
    same = (months, uses, location) == (
        state.interval_months,
        state.interval_uses or 0,
        state.location,
    ) and not changed
    if name != state.sieve.id:
        state = rename_sieve(desk.registry, state.sieve.id, name, terms)
    elif same:
        raise UsageError(message="Nothing differs from what is recorded: change a field first.")
    if same:
        return done_place(desk.registry, state.sieve.id)
    sieve_commands.edit_sieve(
        desk.registry,
        state.sieve.id,
        interval_months=months if months != state.interval_months else None,
        interval_uses=uses if uses != (state.interval_uses or 0) else None,
        location=location if location != state.location else None,
        details=changed,
        on_date=terms.on_date,
        by=terms.by,
        late_reason=terms.late_reason,
    )
    return done_place(desk.registry, state.sieve.id)


READS = (
    ("/sieves", listing),
    ("/sieves/rows", list_rows),
    ("/sieves/new", new),
    ("/sieve", sieve),
    ("/sieve/edit", edit),
)
WRITES = (
    ("/sieves/new", act(_add)),
    ("/sieves/table", act_with_files(_import)),
    ("/sieve/edit", act(_edit)),
)
