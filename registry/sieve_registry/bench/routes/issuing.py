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
from sieve_registry.bench.desk import desk_of, page
from sieve_registry.bench.forms import Form, redirect
from sieve_registry.bench.guard import PRINT_POLICY
from sieve_registry.checks import queries as check_queries
from sieve_registry.settings import load_settings

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


async def issue(request: Request) -> Response:
    """Issue the report, in the process beside the page: its PDF takes seconds of computing."""
    async with request.form(max_files=0, max_fields=20) as data:
        sent = Form.of(data)
    details = ReportDetails(
        sent.text("customer"),
        sent.text("place"),
        sent.text("deviations"),
        sent.text("opinion"),
        sent.text("amends"),
        sent.text("reason"),
    )
    check = sent.needed("check", "Check")
    desk = desk_of(request)
    wanted = {
        "check": check,
        "by": sent.person(),
        "signed_in": desk.registry.signed_in(),
        "details": asdict(details),
    }
    await desk.printer.sheet(printing.ISSUE, json.dumps(wanted))
    return redirect(f"/issue?{urlencode({'check': check})}")


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
WRITES = (("/issue", issue),)
