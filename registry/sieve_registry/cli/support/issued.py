"""Issued reports on the command line: issue, write again, withdraw, list, prove."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any

from sieve_inspect.errors import UsageError
from sieve_registry.audit import issued
from sieve_registry.audit.issued import IssuedReport, ReportDetails
from sieve_registry.cli.support import output
from sieve_registry.cli.support.running import print_remark, progress
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry

__all__ = ["ReportDetails", "issue", "print_list", "prove", "withdraw", "write"]

_FIELDS = (
    "number issued=fact.on_date by=fact.person check=fact.payload.check sieve=fact.payload.sieve "
    "laboratory=fact.payload.laboratory customer=fact.payload.customer place=fact.payload.place "
    "environment=fact.payload.environment deviations=fact.payload.deviations "
    "opinion=fact.payload.opinion amends=fact.payload.amends reason=fact.payload.reason "
    "state replaced_by withdrawn=withdrawn.payload.reason event=fact.seq"
)


def report_dict(report: IssuedReport) -> dict[str, Any]:
    """An issued report as JSON-ready data, with the hashes of its files."""
    files = [output.fields(kept, "name role sha256 size") for kept in report.fact.payload.evidence]
    return {**output.fields(report, _FIELDS), "files": files}


def issue(
    registry: Registry,
    check_id: str,
    details: ReportDetails,
    terms: RecordTerms,
    out: Path | None,
    json_path: str | None,
) -> None:
    """Issue the report of a check and write its files."""
    from sieve_registry.report import issue_report
    from sieve_registry.report.pages import can_write_pdf
    from sieve_registry.settings import letterhead

    _refuse_kind(out)
    output.check_outputs([("--out", out if out is not None and out.suffix else None)], json_path)
    if out is not None and out.suffix.lower() == ".pdf" and not can_write_pdf():
        raise UsageError(message='PDF/A needs an extra part: pip install "sieveward[pdf]".')
    with progress("Issuing the report", 1) as update:
        report = issue_report(
            registry, check_id, details, letterhead(), terms, progress=partial(update, 0)
        )
    _write_and_print(registry, report, out, json_path)
    if len(report.fact.payload.evidence) == 1:
        print_remark('Issued as HTML only. For PDF/A too: pip install "sieveward[pdf]".')


def write(registry: Registry, number: str, out: Path | None, json_path: str | None) -> None:
    """Write the kept files of an issued report again."""
    _refuse_kind(out)
    _write_and_print(registry, issued.issued_report(registry, number), out, json_path)


def _refuse_kind(out: Path | None) -> None:
    if out is not None and out.suffix and out.suffix.lower() not in (".html", ".pdf"):
        raise UsageError(message=f"Name the report .html or .pdf, or a folder, not '{out.name}'.")


def _write_and_print(
    registry: Registry, report: IssuedReport, out: Path | None, json_path: str | None
) -> None:
    kept, place = report.fact.payload.evidence, Path() if out is None else out
    if place.suffix:
        wanted = [file for file in kept if file.extension == place.suffix.lower()]
        if not wanted:
            kind = place.suffix[1:].upper()
            raise UsageError(message=f"{report.number} was not issued as {kind}.")
        written = {place: wanted[0]}
    else:
        output.make_folder(place)
        written = {place / file.name: file for file in kept}
    for path, file in written.items():
        output.write_bytes(path, issued.report_file(registry, file))
    files = [{"file": str(path), "sha256": file.sha256} for path, file in written.items()]
    if output.emit(json_path, {**report_dict(report), "written": files}):
        return
    output.text(report.sentence)
    for path, file in written.items():
        _print_file(path, file.sha256)


def _print_file(name: Path | str, sha256: str) -> None:
    output.line(str(name))
    output.line(f"  SHA-256 {sha256}")


def withdraw(
    registry: Registry, number: str, reason: str, terms: RecordTerms, json_path: str | None
) -> None:
    """Withdraw an issued report."""
    report = issued.withdraw(registry, number, reason, terms)
    if not output.emit(json_path, report_dict(report)):
        output.text(report.sentence)


def print_list(registry: Registry, json_path: str | None) -> None:
    """Every issued report with its state."""
    reports = issued.issued_reports(registry)
    if output.emit(json_path, {"reports": [report_dict(report) for report in reports]}):
        return
    if not reports:
        output.line("No report is issued. To issue one: sieveward report CHECK --issue")
        return
    columns = {"report": "", "check": "", "sieve": "", "issued": "", "customer": "", "state": ""}
    rows = [
        (r.number, r.fact.payload.check, output.shortened(r.fact.payload.sieve), r.fact.on_date,
         output.shortened(r.fact.payload.customer), r.state)
        for r in reports
    ]  # fmt: skip
    output.table("Issued reports", columns, rows)
    for report in reports:
        if report.replaced_by:
            output.text(f"{report.number} is replaced by {report.replaced_by}.")


def prove(
    registry: Registry,
    number: str | None,
    file: Path | None,
    sha256: str | None,
    json_path: str | None,
) -> None:
    """Tell whether a file, or a hash, is that of a report as issued, and what became of it."""
    if file is not None and sha256 is not None:
        raise UsageError(message="Give --file or --hash, not both.")
    if file is None and sha256 is None:
        report = issued.issued_report(registry, str(number))
        if not output.emit(json_path, report_dict(report)):
            output.text(report.sentence)
            for kept in report.fact.payload.evidence:
                _print_file(kept.name, kept.sha256)
        return
    report, kept = issued.proven_report(registry, number or "", file=file, sha256=sha256 or "")
    found = output.fields(kept, "name role sha256 size")
    if output.emit(json_path, {**report_dict(report), "is": found}):
        return
    shown = file.name if file is not None else f"The hash {kept.sha256[:12]}…"
    output.text(f"{shown} is the {kept.role} {kept.name} as it was issued, to the byte.")
    output.text(report.sentence)
    if report.state != issued.ReportState.ISSUED:
        output.text(f"Do not rely on it: {report.state}.")
