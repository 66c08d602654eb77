"""Reports issued on the bench: the form of a check, its issued reports, and their kept files."""

from __future__ import annotations

import json
from dataclasses import asdict
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import Response

from sieve_registry.audit import issued
from sieve_registry.audit.errors import ReportError
from sieve_registry.audit.issued import ReportDetails, ReportState
from sieve_registry.bench import printing
from sieve_registry.bench.desk import Desk, desk_of, page
from sieve_registry.bench.forms import Form, act
from sieve_registry.bench.guard import PRINT_POLICY
from sieve_registry.bench.tasks import Task
from sieve_registry.checks import queries as check_queries
from sieve_registry.ledger.events import ReportIssued
from sieve_registry.people.recording import RecordTerms, refuse_unentitled
from sieve_registry.report.issuing import named_laboratory
from sieve_registry.settings import letterhead, load_settings

_TYPES = {".html": "text/html", ".pdf": "application/pdf"}


def form(request: Request) -> Response:
    """The form that issues the report of a check, and what was issued of it before."""
    desk = desk_of(request)
    check = check_queries.get_check(desk.registry, request.query_params.get("check", "")).check
    reports = [
        report
        for report in issued.issued_reports(desk.registry)
        if report.fact.payload.check == check.id
    ]
    standing = [report.number for report in reports if report.state == ReportState.ISSUED]
    return page(
        request,
        "issue.html",
        check=check,
        reports=reports,
        amends=standing[-1] if standing else "",
        laboratory=load_settings().laboratory,
    )


def _issue(desk: Desk, form: Form) -> str:
    """Begin to issue the report, in the process beside the page: its PDF takes seconds."""
    details = ReportDetails(
        form.text("customer"),
        form.text("place"),
        form.text("deviations"),
        form.text("opinion"),
        form.text("amends"),
        form.text("reason"),
    )
    named_laboratory(letterhead())  # while the form is there to be sent again
    refuse_unentitled(desk.registry, ReportIssued, RecordTerms(by=form.person()))
    check = form.needed("check", "Check")
    wanted = {
        "check": check,
        "by": form.person(),
        "late_reason": form.text("why_late"),
        "signed_in": desk.registry.signed_in(),
        "details": asdict(details),
    }
    folder, place = desk.jobs.new_folder(), f"/issue?{urlencode({'check': check})}"

    def work(task: Task) -> str:
        desk.printer.file(printing.ISSUE, json.dumps(wanted), folder, task.advance)
        return place

    title = f"Issuing the report of {check}"
    return f"/tasks/{desk.tasks.start(printing.ISSUE, title, place, folder, work).id}"


def file(request: Request) -> Response:
    """A kept file of an issued report."""
    registry = desk_of(request).registry
    report = issued.issued_report(registry, request.query_params.get("number", ""))
    wanted = f".{request.query_params.get('kind', 'html')}"
    for kept in report.fact.payload.evidence:
        if kept.extension == wanted and wanted in _TYPES:
            content = issued.report_file(registry, kept)
            headers = {
                "Content-Security-Policy": PRINT_POLICY,
                "Content-Disposition": f'inline; filename="{report.number}{wanted}"',
            }
            return Response(content, media_type=_TYPES[wanted], headers=headers)
    raise ReportError(report=report.number, reason=f"was not issued as {wanted[1:20].upper()}")


READS = (("/issue", form), ("/issued", file))
WRITES = (("/issue", act(_issue)),)
