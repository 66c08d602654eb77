"""Issued reports (ISO/IEC 17025:2017, 7.8): numbered, kept, amended, withdrawn, proven."""

from __future__ import annotations

import io
import json
import re
import zlib
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from clock import Clock
from program import Program
from sieve_inspect.errors import UsageError
from sieve_registry.audit import commands as audit_commands
from sieve_registry.audit import issued, verification
from sieve_registry.audit.errors import ReportError
from sieve_registry.audit.issued import IssuedReport, ReportDetails, ReportState
from sieve_registry.audit.queries import audit
from sieve_registry.errors import BadTextError, ReportDiffersError, RuleRefusedError
from sieve_registry.ledger.events import ProofRulesSet
from sieve_registry.quality import corrections
from sieve_registry.report import CheckView, issuing, render_check_report
from sieve_registry.report.pages import ARCHIVE, data_uri, pdf_bytes
from sieve_registry.settings import Letterhead
from sieve_registry.sieves.laboratory import set_proof_rules
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry

HEAD = Letterhead("Example Laboratory", "1 Sample Road", "")
ADA = RecordTerms(by="Ada Moss")
Issue = Callable[..., IssuedReport]


REAL_PAGE = render_check_report


def short_page(_view: CheckView, _letterhead: Letterhead, block: issuing.IssueBlock) -> str:
    """Stands for the page, which takes half a second to draw."""
    return f"{block.number} for {block.report.customer}"


@pytest.fixture
def issue(
    registry: Registry,
    add: Callable[..., Any],
    check: Callable[..., Any],
    monkeypatch: pytest.MonkeyPatch,
) -> Issue:
    """Issues the report of a sieve's only check, as a page alone."""
    monkeypatch.setattr(issuing, "can_write_pdf", lambda: False)
    monkeypatch.setattr(issuing, "render_check_report", short_page)
    add()
    number = check().check.id

    def issuing_one(terms: RecordTerms = ADA, **details: str) -> IssuedReport:
        return issuing.issue_report(registry, number, ReportDetails(**details), HEAD, terms)

    return issuing_one


def page(registry: Registry, report: IssuedReport) -> str:
    (kept,) = report.fact.payload.evidence
    return issued.report_file(registry, kept).decode()


def test_a_report_has_number_laboratory_customer_and_opinion_marked_so(
    registry: Registry, issue: Issue, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(issuing, "render_check_report", REAL_PAGE)
    report = issue(customer="Example Mills", opinion="Fit for coarse work.", place="room 3")
    assert report.number == "R-2026-0001"
    text = page(registry, report)
    assert "This report replaces" not in text
    for words in ("Report R-2026-0001", "Example Laboratory, 1 Sample Road", "Example Mills",
                  "authorised by Ada Moss", "room 3", "End of report R-2026-0001"):  # fmt: skip
        assert words in text
    assert re.search(r"Opinion of Ada Moss, not a measured result:</strong> Fit for coarse", text)
    assert verification.verify(registry).ok


def test_numbers_run_by_year_and_begin_with_the_laboratorys_prefix(
    registry: Registry, issue: Issue, clock: Clock
) -> None:
    assert [issue().number, issue().number] == ["R-2026-0001", "R-2026-0002"]
    set_proof_rules(registry, ProofRulesSet(report_prefix="EX"), ADA)
    assert issue().number == "EX-2026-0001"
    set_proof_rules(registry, ProofRulesSet(report_prefix="Ex"), ADA)
    assert issue().number == "Ex-2026-0002"
    set_proof_rules(registry, ProofRulesSet(report_prefix="EX"), ADA)
    clock.set("2026-12-20")
    assert issue(RecordTerms(by="Ada Moss")).number == "EX-2026-0003"
    clock.set("2027-01-04")
    assert issue().number == "EX-2027-0001"


def test_evidence_is_kept_from_the_newest_report_whichever_was_entered_last(
    registry: Registry, issue: Issue, clock: Clock
) -> None:
    set_proof_rules(registry, ProofRulesSet(keep_years=5), ADA)
    clock.set("2026-06-01")
    issue(RecordTerms(by="Ada Moss"))
    issue(RecordTerms(date(2026, 5, 1), "Ada Moss"))
    (table,) = [t for t in audit(registry, registry.today()).tables if t.name == "retention"]
    assert [row[table.columns.index("keep until")] for row in table.rows] == ["2031-06-01"]


def test_an_amended_report_names_what_it_replaces_and_the_old_one_stays(
    registry: Registry, issue: Issue
) -> None:
    old = issue(customer="Example Mills")
    before = page(registry, old)
    with pytest.raises(BadTextError):
        issue(amends=old.number)
    new = issue(amends="r-2026-0001", reason="another customer", customer="Sample Mills")
    assert (new.fact.payload.amends, new.fact.payload.reason) == (old.number, "another customer")
    then = issued.issued_report(registry, "R-2026-0001")
    assert (then.state, then.replaced_by) == (ReportState.AMENDED, "R-2026-0002")
    assert page(registry, then) == before
    with pytest.raises(ReportError, match="replaced by R-2026-0002"):
        issue(amends=old.number, reason="again")


def test_a_copy_is_proven_by_its_hash_and_an_altered_copy_is_not(
    registry: Registry, issue: Issue, tmp_path: Path
) -> None:
    report = issue()
    copy = tmp_path / "sent.html"
    copy.write_text(page(registry, report), encoding="utf-8", newline="")
    found, kept = issued.proven_report(registry, "", file=copy)
    assert (found.number, kept.name) == ("R-2026-0001", "R-2026-0001.html")
    assert issued.proven_report(registry, "R-2026-0001", sha256=kept.sha256.upper())[1] == kept
    copy.write_text(page(registry, report) + " ", encoding="utf-8", newline="")
    with pytest.raises(ReportDiffersError, match=r"sent\.html is not report R-2026-0001"):
        issued.proven_report(registry, "R-2026-0001", file=copy)


def test_a_withdrawn_report_says_why(registry: Registry, issue: Issue) -> None:
    gone = issued.withdraw(registry, issue().number, "sieve mixed up", ADA)
    assert gone.state == ReportState.WITHDRAWN
    assert "withdrawn on 2026-03-02 by Ada Moss: sieve mixed up" in gone.sentence
    with pytest.raises(ReportError, match="already"):
        issued.withdraw(registry, gone.number, "again", ADA)


def test_a_void_or_unsigned_check_is_not_reported(registry: Registry, issue: Issue) -> None:
    audit_commands.demand_sign_off(registry, True, ADA)
    with pytest.raises(RuleRefusedError, match="not signed off"):
        issue()
    corrections.correct(registry, "C-0001", {}, "wrong sieve", ADA, void=True)
    with pytest.raises(RuleRefusedError, match="void"):
        issue()
    assert issued.issued_reports(registry) == []


def test_two_benches_never_issue_the_same_number(
    registry: Registry, issue: Issue, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The number is taken while the page of the other report is made."""
    made: list[str] = []

    def slowly(view: CheckView, head: Letterhead, block: issuing.IssueBlock) -> str:
        made.append(block.number)
        if len(made) == 1:
            issue()
        return short_page(view, head, block)

    monkeypatch.setattr(issuing, "render_check_report", slowly)
    assert issue().number == "R-2026-0002"
    assert made == ["R-2026-0001", "R-2026-0001", "R-2026-0002"]


def test_the_pdf_declares_itself_as_pdf_a(registry: Registry) -> None:
    """ISO 19005-3, 6.6.4: the file's own metadata name the part and the level of conformance."""
    data = pdf_bytes("<!DOCTYPE html><html lang='en'><title>T</title><p>75", ARCHIVE)
    packed = re.search(rb"/Subtype /XML/Filter /FlateDecode/Length (\d+)>>\nstream\n", data)
    assert packed is not None
    end = packed.end() + int(packed[1])
    xmp = zlib.decompress(data[packed.end() : end]).decode()
    assert 'pdfaid:part="3"' in xmp
    assert 'pdfaid:conformance="B"' in xmp


def test_pdf_a_smooths_no_picture_and_needs_a_glyph_for_every_character() -> None:
    """ISO 19005-3, 6.2.8 and 6.2.11.8."""
    file = io.BytesIO()
    Image.new("RGB", (3, 3), "grey").save(file, "PNG")
    picture = data_uri(file.getvalue(), "png")
    page = f"<!DOCTYPE html><html lang='en'><title>T</title><img alt='' src='{picture}'>75"
    assert b"/Interpolate false" in (data := pdf_bytes(page, ARCHIVE))
    assert b"/Interpolate true" not in data
    with pytest.raises(UsageError, match="No font on this computer has \U0010fffd"):
        pdf_bytes(f"{page}\U0010fffd", ARCHIVE)


def test_commands(
    run: Program, scan: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(issuing, "can_write_pdf", lambda: False)
    monkeypatch.setattr(issuing, "render_check_report", short_page)
    monkeypatch.setenv("SIEVEWARD_SETTINGS", str(tmp_path / "settings.json"))
    run("sieve", "add", "S-1", "--nominal", "75um")
    run("check", "S-1", scan, "--um-per-px", "5.29", "--visual", "ok")
    assert "--laboratory NAME" in run("report", "1", "--issue").err
    run("settings", "--laboratory", "Example Laboratory")
    folder = tmp_path / "out"
    made = run("report", "1", "--issue", "--customer", "Example Mills", "--out", folder)
    assert (made.code, [path.name for path in folder.iterdir()]) == (0, ["R-2026-0001.html"])
    again = json.loads(
        run("report", "--number", "R-2026-0001", "--out", tmp_path / "b.html", "--json", "-").out
    )
    (file,) = again["files"]
    assert again["written"] == [{"file": str(tmp_path / "b.html"), "sha256": file["sha256"]}]
    proven = run("verify", "--file", tmp_path / "b.html")
    assert "as it was issued, to the" in proven.out
    assert run("verify", "--report", "R-2026-0001", "--hash", "0" * 64).code == 68
    assert run("verify", "--report", "R-2026-0009").code == 67
    assert run("report", "1", "--customer", "Example Mills").code == 2
    run("report", "--withdraw", "R-2026-0001", "--reason", "wrong sieve")
    (listed,) = json.loads(run("report", "--list", "--json", "-").out)["reports"]
    assert (listed["state"], listed["withdrawn"]) == ("withdrawn", "wrong sieve")


def test_a_printed_report_names_the_report_it_replaces_and_why(
    registry: Registry, issue: Issue, monkeypatch: pytest.MonkeyPatch
) -> None:
    old = issue()
    monkeypatch.setattr(issuing, "render_check_report", REAL_PAGE)
    text = page(registry, issue(amends=old.number, reason="another customer"))
    assert "This report replaces R-2026-0001:</strong> another customer" in text
    assert "it is replaced by" not in text
    assert (
        "Report R-2026-0001 of check C-0001 was issued on 2026-03-02 by Ada Moss; it stands."
        in text
    )
