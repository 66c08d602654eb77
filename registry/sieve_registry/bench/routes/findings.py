"""Findings on the bench: raised, answered, closed."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response

from sieve_registry.audit import findings as rules
from sieve_registry.audit.findings import FindingState
from sieve_registry.audit.open_points import open_points, raise_with_cause
from sieve_registry.bench.desk import Desk, desk_of, page
from sieve_registry.bench.forms import Form, act


def listing(request: Request) -> Response:
    """Open points, findings not closed with what each needs next, those closed, a form for more."""
    desk = desk_of(request)
    known = rules.findings(desk.registry)
    done = request.query_params.get("done", "")
    return page(
        request,
        "findings.html",
        open_findings=[finding for finding in known if finding.state != FindingState.CLOSED],
        closed=[finding for finding in known if finding.state == FindingState.CLOSED][::-1],
        points=open_points(desk.registry),
        done=next((finding for finding in known if finding.number == done), None),
        day=desk.registry.today(),
    )


def _raise(desk: Desk, form: Form) -> str:
    text, event = form.text("text"), form.count("event", "Event")
    details = {name: form.text(name) for name in ("about", "clause", "answer_by")}
    return _place(raise_with_cause(desk.registry, text, form.terms(), cause=event, **details))


def _answer(desk: Desk, form: Form) -> str:
    number, cause, action = (form.text(name) for name in ("number", "cause", "action"))
    return _place(rules.answer_finding(desk.registry, number, cause, action, form.terms()))


def _close(desk: Desk, form: Form) -> str:
    number, reason = form.text("number"), form.text("reason")
    return _place(rules.close_finding(desk.registry, number, reason, form.terms()))


def _place(finding: rules.RecordedFinding) -> str:
    return f"/findings?done={finding.number}"


READS = (("/findings", listing),)
WRITES = (
    ("/findings", act(_raise)),
    ("/findings/answer", act(_answer)),
    ("/findings/close", act(_close)),
)
