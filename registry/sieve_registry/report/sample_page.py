"""A sample of checks as files: one folder for each with report, records and evidence, an index."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from sieve_registry.audit import sample
from sieve_registry.audit.sample import Chain, Link
from sieve_registry.checks import queries as check_queries
from sieve_registry.errors import EvidenceAlteredError, EvidenceError
from sieve_registry.report.check_page import render_check_report
from sieve_registry.report.gather import check_view
from sieve_registry.report.pages import page_mark, render_page
from sieve_registry.settings import Letterhead
from sieve_registry.store.engine import Registry


@dataclass(frozen=True)
class SampledFile:
    """A file of the sample: its name as kept, where it lies, or why it is missing."""

    name: str
    role: str
    href: str
    fault: str = ""


@dataclass(frozen=True)
class SampledLink:
    """A record of a chain, with the place of its JSON file and its evidence."""

    link: Link
    href: str
    files: tuple[SampledFile, ...]


@dataclass(frozen=True)
class SampledCheck:
    """A check of the sample; `report` is "" where the report could not be made."""

    chain: Chain
    report: str
    links: tuple[SampledLink, ...]


def sample_files(
    registry: Registry, day: date, count: int, seed: int, letterhead: Letterhead | None
) -> Iterator[tuple[str, bytes]]:
    """The files of a sample by name, one after the other; the index comes last.

    Missing and altered evidence is left out and named on the index. Raises `UsageError`.
    """
    shown = []
    for check_id in sample.choose(registry, day, count, seed):
        chain = sample.chain_of(registry, check_id)
        links = []
        for number, link in enumerate(chain.links, start=1):
            place = f"{check_id}/{number:02d}"
            href = f"{place}-{link.event.kind.replace(' ', '-')}.json"
            yield href, json.dumps(link.to_dict(), indent=1, ensure_ascii=False).encode()
            files = []
            for position, kept in enumerate(link.files, start=1):
                name = f"{place}-{position}-{_plain(kept.role)}{kept.extension}"
                try:
                    yield name, check_queries.evidence_bytes(registry, kept.sha256)
                    files.append(SampledFile(kept.name, kept.role, name))
                except (EvidenceError, EvidenceAlteredError) as error:
                    files.append(SampledFile(kept.name, kept.role, "", str(error)))
            links.append(SampledLink(link, href, tuple(files)))
        report = f"{check_id}/report.html"
        try:
            view = check_view(registry, check_id)
            yield report, render_check_report(view, letterhead).encode()
        except (EvidenceError, EvidenceAlteredError):
            report = ""
        shown.append(SampledCheck(chain, report, tuple(links)))
    context = {
        "checks": shown,
        "day": day,
        "seed": seed,
        "page_mark": page_mark(f"sample of {len(shown)} checks, seed {seed}, {day}"),
    }
    yield "index.html", render_page("sample.html", context).encode()


def _plain(role: str) -> str:
    return "".join(letter if letter.isalnum() else "-" for letter in role)
