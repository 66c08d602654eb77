"""`sieveward report` on the demo's registry."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from program import HousedProgram
from sieve_registry.demo.run import DemoResult

pytestmark = pytest.mark.long  # the demo runs whole


@pytest.fixture
def report(
    finished: tuple[DemoResult, list[str]],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> HousedProgram:
    """Runs `sieveward report …` in an empty folder, on a copy of the demo's registry."""
    home = tmp_path / "home"
    home.mkdir()
    copy = tmp_path / "lab"
    shutil.copytree(finished[0].folder, copy)
    monkeypatch.chdir(home)
    place = copy / "registry.sqlite"
    return HousedProgram(monkeypatch, capsys, place, ("report",), home=home, lab=copy)


@pytest.mark.parametrize("spelling", ["C-0001", "c-1", "1"])
def test_the_page_is_named_by_the_registry(report: HousedProgram, spelling: str) -> None:
    code, out, err = report(spelling)
    assert (code, err) == (0, "")
    assert "C-0001.html" in out
    assert [path.name for path in report.home.iterdir()] == ["C-0001.html"]


@pytest.mark.parametrize("hostile", ["../../C-0001", "C-0001/../x", "/etc/passwd", "C-0001\n", "*"])
def test_what_is_typed_never_becomes_a_path(report: HousedProgram, hostile: str) -> None:
    code, _, err = report(hostile)
    names = [path.name for path in report.home.iterdir()]
    if code:
        assert (code, names) == (35, [])
        assert err.startswith("sieveward: There is no check")
        assert err.count("\n") == 1
    else:
        assert names == ["C-0001.html"]


def test_elsewhere_and_as_json(report: HousedProgram) -> None:
    code, out, _ = report("12", "--out", "page.html", "--json", "-")
    found = json.loads(out)
    assert (code, found["check"], found["file"]) == (0, "C-0012", "page.html")
    page = (report.home / "page.html").read_bytes()
    assert found["bytes"] == len(page)
    assert found["ledger"]["head"].encode() in page


@pytest.mark.parametrize(
    ("out", "expected"), [("missing/page.html", 23), ("scan.png", 2), ("folder.html", 23)]
)
def test_places_that_cannot_take_a_page(report: HousedProgram, out: str, expected: int) -> None:
    (report.home / "folder.html").mkdir()
    before = sorted(report.home.rglob("*"))
    code, _, err = report("1", "--out", out)
    assert code == expected
    assert err.count("\n") == 1
    assert sorted(report.home.rglob("*")) == before


def test_a_changed_proof_gives_no_report(report: HousedProgram) -> None:
    for path in (report.lab / "registry.evidence").rglob("*.csv"):
        path.chmod(0o644)
        path.write_bytes(path.read_bytes() + b"1")
    code, _, err = report("1")
    assert code == 41
    assert err.count("\n") == 1
    assert not list(report.home.iterdir())


def test_later_events_are_shown(report: HousedProgram) -> None:
    report("1")
    page = (report.home / "C-0001.html").read_text(encoding="utf-8")
    assert "checked again since" in page
    report("20")  # the torn sieve, retired since
    page = (report.home / "C-0020.html").read_text(encoding="utf-8")
    assert "by Lena Holt" in page
