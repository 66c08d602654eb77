"""How much of a sieve to measure and how often: its sampling plan and its check interval."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response

from sieve_inspect.errors import UsageError
from sieve_inspect.units import parse_length_um
from sieve_registry.bench.desk import Desk, desk_of, page
from sieve_registry.bench.forms import Form, act, done_place
from sieve_registry.checks import sampling
from sieve_registry.outlook import commands, queries
from sieve_registry.sieves.recording import RecordTerms


def plan(request: Request) -> Response:
    """The sampling plan of a sieve, and the intervals proposed from its checks."""
    desk, typed = desk_of(request), request.query_params
    sieve_id, field = typed.get("id", ""), typed.get("field", "").strip()[:40]
    field_mm = parse_length_um(field) / 1000 if field else None
    return page(
        request,
        "plan.html",
        view=sampling.view_of(desk.registry, sieve_id, field_mm),
        interval=queries.interval_view(desk.registry, sieve_id),
        field=field,
    )


def _accept(desk: Desk, form: Form) -> str:
    """Put a proposed interval into force from today on."""
    view = queries.interval_view(desk.registry, form.text("sieve"))
    method = form.text("method")
    if method not in [proposal.method for proposal in view.proposals]:
        raise UsageError(message="Choose the proposal to accept.")
    terms = RecordTerms(by=form.person(), late_reason=form.text("why_late"))
    commands.accept_interval(desk.registry, view, method, form.text("reason"), terms)
    return done_place(desk.registry, view.state.sieve.id)


READS = (("/sieve/plan", plan),)
WRITES = (("/sieve/interval", act(_accept)),)
