"""What the bench prints: reports of checks and sieves, status labels, an audit."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from sieve_inspect.errors import UsageError
from sieve_registry.bench.desk import desk_of, page
from sieve_registry.bench.guard import PRINT_POLICY
from sieve_registry.report import labels
from sieve_registry.settings.user import letterhead
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.values import read_date

_MOST_LABELS = 200


def report(request: Request) -> Response:
    """The report of a check, as `sieveward report` writes it."""
    from sieve_registry.report import check_view, render_check_report

    view = check_view(desk_of(request).registry, request.query_params.get("check", ""))
    return _printed(render_check_report(view, letterhead()))


def history(request: Request) -> Response:
    """The history of a sieve, as `sieveward report` writes it."""
    from sieve_registry.report import history_view, render_sieve_history

    view = history_view(desk_of(request).registry, request.query_params.get("id", ""))
    return _printed(render_sieve_history(view, letterhead()))


def label(request: Request) -> Response:
    """The status labels of one sieve or many, on one sheet."""
    registry, query = desk_of(request).registry, request.query_params
    ids, size = query.getlist("id"), query.get("size", "large")
    if not 1 <= len(ids) <= _MOST_LABELS or size not in labels.SIZES:
        raise UsageError(message=f"Tick 1 to {_MOST_LABELS} sieves for the sheet of labels.")
    made = [labels.label_of(sieve_queries.get_state(registry, sieve_id)) for sieve_id in ids]
    return _printed(labels.page(made, labels.SIZES[size]))


def paper(request: Request) -> Response:
    """Where an audit of a day is made."""
    return page(request, "paper.html")


def audit(request: Request) -> Response:
    """The audit of a day as one page, as `sieveward audit` writes it."""
    from sieve_registry.audit.queries import audit as audit_of
    from sieve_registry.report import audit_page

    registry, typed = desk_of(request).registry, request.query_params.get("as_of", "")
    day = read_date(typed) if typed else registry.today()
    files = audit_page.render(audit_of(registry, day))
    return _printed(files["index.html"].decode())


def _printed(text: str) -> Response:
    return HTMLResponse(text, headers={"Content-Security-Policy": PRINT_POLICY})


READS = (
    ("/report", report),
    ("/history", history),
    ("/label", label),
    ("/paper", paper),
    ("/audit", audit),
)
