"""What the bench prints: reports of checks and sieves, status labels, an audit."""

from __future__ import annotations

from pathlib import Path

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from sieve_inspect.errors import UsageError
from sieve_registry.bench import printing
from sieve_registry.bench.desk import Desk, desk_of, page
from sieve_registry.bench.forms import Form, act, place_of
from sieve_registry.bench.guard import PRINT_POLICY
from sieve_registry.bench.tasks import Task
from sieve_registry.checks import queries as check_queries
from sieve_registry.report import labels
from sieve_registry.sieves import queries as sieve_queries

_MOST_LABELS = 200


async def report(request: Request) -> Response:
    """The report of a check, as `sieveward report` writes it."""
    subject = request.query_params.get("check", "")
    return _printed(await desk_of(request).printer.sheet(printing.CHECK, subject))


async def history(request: Request) -> Response:
    """The history of a sieve, as `sieveward report` writes it."""
    subject = request.query_params.get("id", "")
    return _printed(await desk_of(request).printer.sheet(printing.HISTORY, subject))


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


async def audit(request: Request) -> Response:
    """The audit of a day as one page, as `sieveward audit` writes it."""
    from sieve_registry.report.audit_page import script_policy

    day = request.query_params.get("as_of", "")
    text = await desk_of(request).printer.sheet(printing.AUDIT, day)
    return _printed(text, f"; {script_policy()}")


def _start(desk: Desk, kind: str, subject: str, title: str, back: str) -> str:
    folder = desk.jobs.new_folder()

    def work(task: Task) -> Path:
        return folder / desk.printer.file(kind, subject, folder, task.advance)

    return f"/tasks/{desk.tasks.start(kind, title, back, folder, work).id}"


def _make_pdf(desk: Desk, form: Form) -> str:
    """Begin the PDF of a check's report, or of a sieve's history."""
    if check := form.text("check"):
        sieve = check_queries.get_check(desk.registry, check).check.sieve_id
        return _start(desk, printing.CHECK, check, f"PDF of {check}", place_of(sieve))
    sieve = sieve_queries.get_state(desk.registry, form.needed("id", "Sieve")).sieve.id
    return _start(desk, printing.HISTORY, sieve, f"PDF of {sieve}", place_of(sieve))


def _make_audit(desk: Desk, form: Form) -> str:
    """Begin the audit of a day with every report and every evidence file."""
    day = form.day("as_of") or desk.registry.today()
    return _start(desk, printing.AUDIT, str(day), f"Audit as of {day} with its files", "/paper")


def _printed(text: str, more_policy: str = "") -> Response:
    return HTMLResponse(text, headers={"Content-Security-Policy": PRINT_POLICY + more_policy})


READS = (
    ("/report", report),
    ("/history", history),
    ("/label", label),
    ("/paper", paper),
    ("/audit", audit),
)
WRITES = (("/paper/pdf", act(_make_pdf)), ("/paper/audit", act(_make_audit)))
