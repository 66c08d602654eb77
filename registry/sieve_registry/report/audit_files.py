"""An audit with all it links to: every report and every evidence file, then page and tables."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

from sieve_registry.audit.queries import Audit
from sieve_registry.checks import queries as check_queries
from sieve_registry.errors import EvidenceAlteredError, EvidenceError
from sieve_registry.report.audit_page import Links, render
from sieve_registry.report.check_page import render_check_report
from sieve_registry.report.gather import check_view
from sieve_registry.report.history_page import history_view, render_sieve_history
from sieve_registry.settings import letterhead
from sieve_registry.store.engine import Registry
from sieve_registry.values import file_stem


@dataclass
class AuditFiles:
    """The files of an audit; `lost` counts those missing or changed, which its findings name."""

    registry: Registry
    audit: Audit
    lost: int = 0

    def written(self, progress: Callable[[float], None]) -> Iterator[tuple[str, bytes]]:
        """The files by name, one after the other; `progress` is called with the share done."""
        tables = {table.name: table.rows for table in self.audit.tables}
        checks = {row[0]: f"reports/{row[0]}.html" for row in tables["checks"]}
        sieves = _history_files([row[0] for row in tables["sieves"]])
        # By name, as checks may share a file of the evidence.
        work: dict[str, Callable[[], bytes]] = {
            where: partial(self._check_page, subject) for subject, where in checks.items()
        }
        work |= {where: partial(self._history, subject) for subject, where in sieves.items()}
        for row in tables["evidence"]:
            read = partial(check_queries.evidence_bytes, self.registry, row[0])
            work[f"evidence/{row[1]}"] = read
        made = set()
        for number, (where, make) in enumerate(work.items(), start=1):
            try:
                data = make()
            except (EvidenceError, EvidenceAlteredError):
                self.lost += 1
            else:
                made.add(where)
                yield where, data
            progress(number / (len(work) + 1))  # page and tables come last
        reports = {subject: where for subject, where in checks.items() if where in made}
        for name, pieces in render(self.audit, Links(reports, sieves, "evidence")):
            yield name, b"".join(pieces)
        progress(1.0)

    def _check_page(self, check_id: str) -> bytes:
        view = check_view(self.registry, check_id)
        return render_check_report(view, letterhead()).encode()

    def _history(self, sieve_id: str) -> bytes:
        view = history_view(self.registry, sieve_id, self.audit.as_of)
        return render_sieve_history(view, letterhead()).encode()


def _history_files(ids: Sequence[str]) -> dict[str, str]:
    """A file for each sieve, by its id in characters safe for a file, numbered where two agree."""
    files: dict[str, str] = {}
    taken: set[str] = set()
    for sieve_id in ids:
        name = stem = f"sieve-{file_stem(sieve_id)}"
        number = 2
        while name.casefold() in taken:
            name, number = f"{stem}-{number}", number + 1
        taken.add(name.casefold())
        files[sieve_id] = f"reports/{name}.html"
    return files
