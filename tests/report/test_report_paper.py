"""Reports as the command writes them: a sieve's history, PDF, and the auditor's folder."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import shutil
import sys
from html.parser import HTMLParser
from importlib import import_module
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest

import report_lab
from program import HousedProgram


@pytest.fixture
def type_it(
    filled: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> HousedProgram:
    """Runs `sieveward …` in an empty folder, on a copy of the laboratory."""
    copy, home = tmp_path / "lab", tmp_path / "home"
    shutil.copytree(filled, copy)
    home.mkdir()
    monkeypatch.chdir(home)
    return HousedProgram(monkeypatch, capsys, copy / "registry.sqlite", home=home, lab=copy)


@pytest.mark.parametrize(
    ("words", "check", "sieve"),
    [
        (("S-0125",), None, "S-0125"),
        (("3",), "C-0003", "S-0125"),
        (("12",), None, "12"),  # there is no check 12
        (("--sieve", "12"), None, "12"),
        ((report_lab.ODD_NAME,), None, report_lab.ODD_NAME),
    ],
)
def test_a_report_is_of_a_check_or_a_sieve_and_named_by_it(
    type_it: HousedProgram, words: tuple[str, ...], check: str | None, sieve: str
) -> None:
    code, out, _ = type_it("report", *words, "--as-of", "2023-05-30", "--json", "-")
    if check is not None:
        assert code == 2  # a check is as it was recorded
        code, out, _ = type_it("report", *words, "--json", "-")
    document = json.loads(out)
    assert (code, document["check"], document["sieve"]) == (0, check, sieve)
    name = f"{check or re.sub('[^A-Za-z0-9_-]+', '_', sieve).strip('_')}.html"
    assert [path.name for path in type_it.home.iterdir()] == [name]
    page = (type_it.home / name).read_text("utf-8")
    assert document["ledger"]["head"] in page
    assert check is not None or "as of 2023-05-30" in page


@pytest.mark.parametrize(
    ("words", "code", "tells"),
    [
        (("S-0126",), 32, "did you mean 'S-0125'"),
        (("--sieve", "C-0003"), 32, "no sieve 'C-0003'"),
        (("99",), 35, "There is no check '99'"),
        (("1", "--out", "page.txt"), 2, "Name the report .html or .pdf, not 'page.txt'"),
    ],
)
def test_an_unknown_subject_is_refused_in_one_sentence(
    type_it: HousedProgram, words: tuple[str, ...], code: int, tells: str
) -> None:
    exit_code, _, err = type_it("report", *words)
    assert (exit_code, err.count("\n")) == (code, 1)
    assert tells in err
    assert not list(type_it.home.iterdir())


def import_weasyprint() -> Any:
    """The module; the test is skipped where it or the libraries it loads are missing."""
    try:
        return import_module("weasyprint")
    except (ImportError, OSError) as error:
        pytest.skip(f"weasyprint cannot be loaded: {error}")


def test_a_pdf_of_a4_pages_the_same_every_time(type_it: HousedProgram) -> None:
    import_weasyprint()
    for name in ("one.pdf", "two.pdf"):
        assert type_it("report", "S-0125", "--as-of", "2023-05-30", "--out", name)[0] == 0
    data = (type_it.home / "one.pdf").read_bytes()
    assert data == (type_it.home / "two.pdf").read_bytes()
    assert data.startswith(b"%PDF-1.7")
    assert type_it("report", "3", "--out", "check.pdf")[0] == 0
    assert len((type_it.home / "check.pdf").read_bytes()) < 4_000_000


def test_a_report_fits_its_pages() -> None:
    weasyprint = import_weasyprint()
    from report_sample import sample
    from sieve_registry.report import render_check_report

    pages = weasyprint.HTML(string=render_check_report(sample())).render().pages
    assert 4 <= len(pages) <= 9
    for page in pages:  # A4 in CSS pixels of 1/96 inch
        assert (page.width, page.height) == pytest.approx((793.7, 1122.5), abs=0.1)


def test_without_the_extra_a_pdf_is_refused_in_one_sentence(
    type_it: HousedProgram, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    code, _, err = type_it("report", "1", "--out", "one.pdf")
    assert (code, err.count("\n")) == (2, 1)
    assert 'pip install "sieveward[pdf]"' in err
    assert not list(type_it.home.iterdir())


class Seen(HTMLParser):
    """The addresses a page leads to."""

    def __init__(self) -> None:
        super().__init__()
        self.hrefs: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.hrefs += [value or "" for name, value in attrs if name == "href" and tag == "a"]


def test_the_auditors_folder_stands_alone(type_it: HousedProgram) -> None:
    out = type_it.home / "audit"
    code, output, _ = type_it("audit", "--as-of", "2023-05-30", "--out", str(out), "--with-files")
    assert code == 0, output
    page = (out / "index.html").read_text("utf-8")
    seen = Seen()
    seen.feed(page)
    files = {href for href in seen.hrefs if not href.startswith("#")}
    assert {href for href in seen.hrefs if href.startswith("#")}
    for href in files:
        assert (out / unquote(href)).is_file(), href
    there = {path.relative_to(out).as_posix() for path in out.rglob("*") if path.is_file()}
    assert there == {unquote(href) for href in files} | {"index.html"} | {
        f"{name}.csv" for name in re.findall(r'<h2 id="(\w+)"', page) if name != "notes"
    }
    for path in (out / "evidence").rglob("*.*"):
        assert hashlib.sha256(path.read_bytes()).hexdigest() == path.stem
    assert {f"reports/C-000{n}.html" for n in (1, 2, 3)} <= there
    (evidence,) = re.findall(r'<table data-name="evidence">.*?</table>', page, re.DOTALL)
    scans = re.findall(r">(C-000\d)</a></td><td class=\"short\">scan</td>", evidence)
    assert sorted(scans) == ["C-0001", "C-0002", "C-0003"]


def test_without_files_the_evidence_is_linked_where_it_lies(type_it: HousedProgram) -> None:
    out = type_it.home / "audit"
    assert type_it("audit", "--as-of", "2023-05-30", "--out", str(out))[0] == 0
    seen = Seen()
    seen.feed((out / "index.html").read_text("utf-8"))
    linked = [href for href in seen.hrefs if "registry.evidence" in href]
    assert linked
    assert all((out / unquote(href)).resolve().is_file() for href in linked)


def test_missing_evidence_is_left_out_and_reported(type_it: HousedProgram) -> None:
    scan = next((type_it.lab / "registry.evidence").rglob("*.tif"))
    scan.unlink()
    out = type_it.home / "audit"
    words = ("--as-of", "2023-05-30", "--out", str(out), "--with-files")
    code, output, _ = type_it("audit", *words)
    assert code == 0
    assert "2 missing or changed files were left out" in output  # the scan and its report
    page = (out / "index.html").read_text("utf-8")
    assert "Not as recorded: 1 finding," in page
    assert len(list((out / "reports").glob("C-*.html"))) == 2


def test_only_the_pages_own_script_may_run(type_it: HousedProgram) -> None:
    out = type_it.home / "audit"
    type_it("audit", "--as-of", "2023-05-30", "--out", str(out))
    page = (out / "index.html").read_text("utf-8")
    (script,) = re.findall(r"<script>(.*?)</script>", page, re.DOTALL)
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert f"script-src 'sha256-{digest}'" in page
    assert "://" not in page


def test_files_need_a_folder(type_it: HousedProgram) -> None:
    code, _, err = type_it("audit", "--as-of", "2023-05-30", "--with-files")
    assert (code, err.count("\n")) == (2, 1)
