"""Stacks on the bench: kept, asked before a run, logged after it."""

from __future__ import annotations

from decimal import Decimal
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import Response

from sieve_inspect.errors import UsageError
from sieve_registry.bench.desk import Desk, desk_of, page
from sieve_registry.bench.forms import Form, act
from sieve_registry.ledger.records import UseDetails
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves import stacks
from sieve_registry.sieves.stack_rules import PAN

_LAST_RUNS = 10


def listing(request: Request) -> Response:
    """All stacks with whether they are ready, and the form for a new stack."""
    desk = desk_of(request)
    ticked = [
        sieve_queries.get_state(desk.registry, sieve_id)
        for sieve_id in request.query_params.getlist("id")
    ]
    ticked.sort(key=lambda state: -state.sieve.nominal_nm)
    return page(
        request,
        "stacks.html",
        stacks=[stacks.ready(desk.registry, name) for name in stacks.names(desk.registry)],
        ids=[state.sieve.id for state in ticked],
    )


def stack(request: Request) -> Response:
    """One stack: ready or not and why, its runs, and the form to log the next."""
    desk = desk_of(request)
    readiness, runs = stacks.show(desk.registry, request.query_params.get("name", ""))
    return page(
        request,
        "stack.html",
        stack=readiness,
        runs=runs[: -_LAST_RUNS - 1 : -1],
        logged=request.query_params.get("logged", ""),
        notes=request.query_params.getlist("note"),
        pan=PAN,
    )


def _add(desk: Desk, form: Form) -> str:
    """Keep a stack; the order typed is the order from the top."""
    ids = [line.strip() for line in form.text("sieves").splitlines() if line.strip()]
    made = stacks.add(
        desk.registry, form.text("stack"), ids, form.terms(), replacing=bool(form.text("replace"))
    )
    return _place(made.name)


def _run(desk: Desk, form: Form) -> str:
    name, retained = form.text("stack"), dict[str, Decimal]()
    for sieve_id in form.texts("mass-of"):
        mass = form.figure(f"mass-{sieve_id}", f"Mass on {sieve_id}")
        if mass is not None:
            retained[sieve_id] = mass
    count = form.count("count", "Number of runs")
    if count is None:
        raise UsageError(message="Number of runs missing: fill it in.")
    details = UseDetails(
        stack=name,
        method=form.needed("method", "Sieving method"),
        material=form.text("material"),
        abrasiveness=form.text("abrasiveness"),
        cleaning=form.text("cleaning"),
        mass_g=form.figure("mass", "Mass of the sample"),
        minutes=form.figure("minutes", "Sieving time"),
    )
    if form.text("ready") != "yes" and not form.text("note"):
        raise UsageError(
            message="The stack is not ready: put that right first, or give the reason for the run "
            "as a remark."
        )
    made = stacks.run(
        desk.registry,
        name,
        details,
        form.terms(),
        count=count,
        note=form.text("note"),
        retained_g=retained,
    )
    notes = [f"{finding.subject}: {finding.message}" for finding in made.findings]
    return _place(name, logged=str(made.event), note=notes)


def _place(name: str, **more: str | list[str]) -> str:
    return f"/stack?{urlencode({'name': name, **more}, doseq=True)}"


READS = (("/stacks", listing), ("/stack", stack))
WRITES = (("/stacks", act(_add)), ("/stack/run", act(_run)))
