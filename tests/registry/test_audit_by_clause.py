"""An audit by clause of ISO/IEC 17025:2017, and samples of checks with their whole chain."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

import scale_lab
from program import Program
from sieve_registry.audit import clauses, findings, sample
from sieve_registry.audit.queries import audit
from sieve_registry.report import audit_page, sample_page
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry

ADA = RecordTerms(by="Ada Moss")


class Links(HTMLParser):
    """The addresses a page links to."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found += [value for name, value in attrs if tag == "a" and name == "href" and value]


def by_number(registry: Registry) -> dict[str, dict[str, str]]:
    answer = audit(registry, registry.today()).to_dict()
    return {row["clause"]: row for row in answer["clauses"]}


def test_each_clause_names_what_is_held_and_what_is_open(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any]
) -> None:
    add()
    check()
    findings.raise_finding(registry, "no humidity kept", ADA, clause="6.3.3")
    rows = by_number(registry)
    assert rows["7.5"]["held here"] == "check recorded: 1"
    assert rows["7.5"]["newest"] == "2026-03-02"
    assert (rows["6.3"]["open findings"], rows["6.4"]["open findings"]) == ("1", "")
    assert rows["7.1"]["held here"] == clauses.NOT_HERE
    assert rows["7.8"]["held here"] == "nothing recorded yet"
    findings.answer_finding(registry, "1", "no meter", "meter bought", ADA)
    findings.close_finding(registry, "1", "readings of a week", ADA)
    assert by_number(registry)["6.3"]["open findings"] == ""


def test_clauses_from_6_2_on_are_listed_once_in_their_order() -> None:
    numbers = [tuple(map(int, clause.number.split("."))) for clause in clauses.CLAUSES]
    assert numbers == sorted(set(numbers))
    assert {(6, n) for n in range(2, 7)} | {(7, n) for n in range(1, 12)} <= set(numbers)
    assert {(8, n) for n in range(1, 10)} <= set(numbers)


def test_every_kind_of_event_answers_a_clause_or_is_named_as_life() -> None:
    """A new kind of event has to find its clause."""
    from sieve_registry.ledger import events

    answered = {kind for clause in clauses.CLAUSES for kind in clause.kinds}
    life = {events.SieveEdited, events.SieveReturned, events.StackSet, events.StackRun,
            events.LaboratoryRulesSet}  # fmt: skip
    assert set(events.EVENT_TYPES) - answered == life


def test_the_page_by_clause_links_only_to_what_is_there(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any], tmp_path: Path
) -> None:
    add()
    check()
    folder = tmp_path / "audit"
    folder.mkdir()
    for name, pieces in audit_page.render(audit(registry, registry.today())):
        (folder / name).write_bytes(b"".join(pieces))
    index = (folder / "index.html").read_text(encoding="utf-8")
    assert 'href="by-clause.html"' in index
    found = Links((folder / "by-clause.html").read_text(encoding="utf-8")).found
    assert "index.html#checks" in found
    for link in found:
        name, _, anchor = link.partition("#")
        assert (folder / name).is_file()
        assert not anchor or f'id="{anchor}"' in index


def test_the_same_seed_chooses_the_same_checks(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any]
) -> None:
    add()
    for _ in range(6):
        check()
    day = registry.today()
    first = sample.choose(registry, day, 3, 7)
    assert (len(first), first) == (3, sample.choose(registry, day, 3, 7))
    assert any(sample.choose(registry, day, 3, seed) != first for seed in range(5))
    assert len(sample.choose(registry, day, 100, 7)) == 6


def test_a_sampled_check_brings_certificate_scale_device_and_scan(
    lab: scale_lab.ScaleLab,
    run: Program,
    scan: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(sample_page, "render_check_report", lambda *_: "report")
    monkeypatch.setattr(sample_page, "check_view", lambda *_: None)
    assert scale_lab.check(lab, scan).code == 0
    assert run("equipment", "add", "EQ-1", "--kind", "device").code == 0
    assert run("equipment", "edit", "EQ-1", "--set", "names=f-24").code == 0
    folder = tmp_path / "audit"
    made = run("audit", "--as-of", "2026-04-01", "--out", folder, "--sample", "1", "--seed", "3")
    assert "The sample, seed 3:" in made.out
    kinds = {path.name.partition("-")[2] for path in (folder / "sample" / "C-0001").iterdir()}
    assert {"check-recorded.json", "artefact-added.json", "scale-calibrated.json",
            "device-added.json", "equipment-added.json", "1-scan.tif"} <= kinds  # fmt: skip
    index = folder / "sample" / "index.html"
    for link in Links(index.read_text(encoding="utf-8")).found:
        assert (index.parent / link).is_file()
    assert run("audit", "--as-of", "2026-03-02", "--sample", "1").code == 2
    assert run("audit", "--as-of", "2026-03-02", "--seed", "1").code == 2


def test_the_terminal_has_columns_for_every_table() -> None:
    """Each names columns of its table: a table that is empty here may be filled elsewhere."""
    from sieve_registry.audit import queries
    from sieve_registry.cli.commands import audit as command

    assert set(command._ON_TERMINAL) == set(queries._ORDER)


def test_the_terminal_shows_persons_equipment_and_certificates(run: Program) -> None:
    run("person", "add", "AM", "--name", "Ada Moss", "--role", "metrologist")
    run("person", "authorise", "AM", "check")
    run("equipment", "add", "E-1", "--kind", "shaker")
    run("sieve", "add", "S-1", "--nominal", "75um")
    run("certificate", "add", "S-1", "--number", "EX-1", "--laboratory", "Example Calibration",
        "--mean-x", "75.1um", "--mean-y", "75.2um", "--u-mean", "0.4um")  # fmt: skip
    shown = run("audit", "--as-of", date.today().isoformat())
    assert shown.code == 0
    for words in ("Ada Moss", "E-1", "EX-1"):
        assert words in shown.out
