"""Reports issued under a number: the page with its particulars, and the same as PDF/A."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sieve_inspect.errors import UsageError
from sieve_registry.audit import issued
from sieve_registry.audit.issued import IssuedReport, ReportDetails, ReportDraft
from sieve_registry.checks import queries as check_queries
from sieve_registry.ledger.events import ReportIssued
from sieve_registry.people import queries as people_queries
from sieve_registry.people.recording import RecordTerms, person, refuse_unentitled
from sieve_registry.report.check_page import render_check_report
from sieve_registry.report.gather import check_view
from sieve_registry.report.pages import ARCHIVE, can_write_pdf, pdf_bytes
from sieve_registry.scales.environment import words
from sieve_registry.settings import Letterhead
from sieve_registry.sieves.recording import EvidenceSource
from sieve_registry.store.engine import Registry
from sieve_registry.values import clean_text

HTML, PDF = "report page", "report PDF/A"  # roles of the kept files


@dataclass(frozen=True)
class IssueBlock:
    """The particulars an issued report prints; `amends` and `reason` are "" in a first report."""

    number: str
    on_date: str
    person: str
    report: ReportIssued


def issue_report(
    registry: Registry,
    check_id: str,
    details: ReportDetails,
    letterhead: Letterhead | None,
    terms: RecordTerms,
    *,
    pdf: bool = True,
    progress: Callable[[float], None] = lambda _: None,
) -> IssuedReport:
    """Issue the report of a check: as a page, and as PDF/A where the extra `pdf` is installed.

    Without `pdf` as a page alone. `progress` is called with the share done, 0..1.

    Raises `UsageError` where the laboratory's name is not set, `UnknownCheckError`, and as
    `issued.issue`.
    """
    named = named_laboratory(letterhead)
    detail = check_queries.get_check(registry, check_id)
    payload = json.loads(detail.event.payload)
    texts: dict[str, Any] = {
        name: clean_text(name, getattr(details, name))
        for name in ("customer", "place", "opinion", "reason")
    }
    stated = clean_text("deviations", details.deviations)
    amends = issued.issued_report(registry, details.amends).number if details.amends else ""
    draft = ReportIssued(
        check=detail.check.id,
        sieve=detail.check.sieve_id,
        laboratory=named.name,
        address=named.address,
        environment=environment_of(payload),
        deviations=(*_deviations(payload), *((stated,) if stated else ())),
        amends=amends,
        **texts,
    )
    refuse_unentitled(registry, ReportIssued, terms)  # before the page is made
    known = people_queries.roster(registry).named(person(terms.by))
    by = person(terms.by) if known is None else known.name

    def files(ready: ReportDraft) -> Sequence[EvidenceSource]:
        view = check_view(registry, detail.check.id)
        block = IssueBlock(ready.number, ready.on_date.isoformat(), by, ready.payload)
        page = render_check_report(view, letterhead, block)
        progress(0.25)
        made: list[EvidenceSource] = [(page.encode(), HTML, f"{ready.number}.html")]
        if pdf and can_write_pdf():
            made.append(
                (
                    pdf_bytes(page, ARCHIVE, lambda share: progress(0.25 + 0.75 * share)),
                    PDF,
                    f"{ready.number}.pdf",
                )
            )
        return made

    return issued.issue(registry, draft, files, terms)


def named_laboratory(letterhead: Letterhead | None) -> Letterhead:
    """The laboratory that issues reports. Raises `UsageError` where its name is not set."""
    if letterhead is None or not letterhead.name:
        raise UsageError(
            message="Laboratory missing: an issued report names it. Set it once with `sieveward "
            "settings --laboratory NAME --address T`."
        )
    return letterhead


def environment_of(payload: Mapping[str, Any]) -> str:
    """The conditions a check recorded, "" where it recorded none."""
    if recorded := words(payload.get("environment")):
        return recorded
    check = (payload.get("trace") or {}).get("check") or {}
    temperature = check.get("temperature_c")
    return "" if temperature is None else f"{float(temperature):g} °C"


def _deviations(payload: Mapping[str, Any]) -> tuple[str, ...]:
    """What the check itself records as done otherwise than the method demands."""
    accepted = (payload.get("trace") or {}).get("accepted")
    if not accepted:
        return ()
    return (f"{', '.join(accepted['expired'])}, accepted by {accepted['by']}: {accepted['why']}",)
