"""`sieveward validate`: the quick part of the matrix, its report, and its answer."""

from __future__ import annotations

import csv
import io
import json
import sys
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import sieve_inspect.validation
from sieve_inspect.synthetic import Optics
from sieve_inspect.validation import Group, Row, run
from sieve_inspect.validation.accuracy import limits_of
from sieve_inspect.validation.bound import line_spread_power, width_bound
from sieve_inspect.validation.cases import clean_cases, hard_cases
from sieve_inspect.validation.refusal import refusals
from sieve_inspect.validation.run import Job
from sieve_inspect.validation.threshold import region_widths
from sieve_registry.cli.main import main

PAGE = Path(sieve_inspect.validation.__file__).parent / "ACCURACY.md"
TEMPLATE = PAGE.parent / "templates" / "accuracy.md"


def validate(monkeypatch: pytest.MonkeyPatch, *arguments: object) -> int:
    """The exit code of the command."""
    monkeypatch.setattr(sys, "argv", ["sieveward", "validate", *map(str, arguments)])
    with pytest.raises(SystemExit) as ended:
        main()
    return int(ended.value.code or 0)


def only(monkeypatch: pytest.MonkeyPatch, **rows: Callable[[Path], Row]) -> None:
    """Replace the matrix by these rows."""
    jobs = [Job(Group.HARD, name, make) for name, make in rows.items()]
    monkeypatch.setattr(run, "_jobs", lambda _: jobs)


def row(name: str, result: str = "c", *, holds: bool = True) -> Row:
    """A made-up row."""
    return Row(Group.HARD, name, "a", "b", result, "e", holds=holds)


@pytest.fixture(scope="module")
def quick(tmp_path_factory: pytest.TempPathFactory) -> tuple[int, Path]:
    """One run of the quick part: exit code and the folder."""
    folder = tmp_path_factory.mktemp("validation") / "new"
    with pytest.MonkeyPatch.context() as patch:
        return validate(patch, "--out", folder, "--quick"), folder


@pytest.fixture(scope="module")
def report(quick: tuple[int, Path]) -> dict[str, Any]:
    """The report of the quick part, from its JSON."""
    data = json.loads((quick[1] / "validation.json").read_text(encoding="utf-8"))
    assert isinstance(data, dict)
    return data


def test_every_row_of_the_quick_part_holds(report: dict[str, Any]) -> None:
    assert [row["name"] for row in report["rows"] if row["verdict"] != "holds"] == []


def test_the_exit_code_is_the_answer(quick: tuple[int, Path], report: dict[str, Any]) -> None:
    assert quick[0] == (0 if report["ok"] else 1)
    assert report["ok"] == all(row["verdict"] == "holds" for row in report["rows"])


def test_every_kind_of_row_is_there(report: dict[str, Any]) -> None:
    assert report["schema"] == "sieveward.validation/1"
    groups = {row["group"] for row in report["rows"]}
    assert groups == {"clean", "hard", "comb", "light", "damage", "refusal", "honesty"}
    for row in report["rows"]:
        assert row["tried"]
        assert row["truth"]
        assert row["result"]
        assert row["limit"]
        assert all(len(digest) == 64 for digest in row["pixels_sha256"])
    assert set(report["versions"]) >= {"python", "sieveward", "numpy", "scipy"}


def test_the_threshold_route_always_runs(report: dict[str, Any]) -> None:
    for row in report["rows"]:
        if row["group"] in ("clean", "hard"):
            assert abs(row["figures"]["otsu_bias_px"]) < 2


def test_the_threshold_route_measures_the_area_of_regions() -> None:
    image = np.zeros((80, 80), np.uint8)
    for top, left in ((10, 10), (10, 40), (40, 10), (40, 40), (0, 70)):  # the last at the border
        image[top : top + 12, left : left + 12] = 200
    assert region_widths(image).tolist() == [12.0] * 4
    assert region_widths(200 - image, bright=False).tolist() == [12.0] * 4


def test_only_the_report_is_in_the_folder(quick: tuple[int, Path]) -> None:
    names = sorted(path.name for path in quick[1].iterdir())
    assert names == [f"validation.{kind}" for kind in ("csv", "html", "json", "md")]


def test_the_table_has_the_figures_of_the_json(
    quick: tuple[int, Path], report: dict[str, Any]
) -> None:
    text = (quick[1] / "validation.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [r["name"] for r in rows] == [r["name"] for r in report["rows"]]
    for row, other in zip(rows, report["rows"], strict=True):
        for name, value in other["figures"].items():
            if value is not None:
                assert float(row[name]) == pytest.approx(value, rel=1e-4, abs=1e-9)


class Reader(HTMLParser):
    """Which tags are opened, and what they would load."""

    def __init__(self) -> None:
        super().__init__()
        self.loads: list[str | None] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep the tag and what it would load."""
        self.loads += [value for name, value in attrs if name in ("src", "href")]
        if tag not in ("meta", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        """Tags close in their order."""
        assert self.open.pop() == tag


def test_the_page_needs_no_other_file(quick: tuple[int, Path], report: dict[str, Any]) -> None:
    text = (quick[1] / "validation.html").read_text(encoding="utf-8")
    reader = Reader()
    reader.feed(text)
    assert reader.loads == []
    assert reader.open == []
    assert "Every row holds." in text
    assert "threshold route, bias in px" in text
    for row in report["rows"]:
        assert f"<td>{row['name']}</td>" in text


def test_a_row_that_does_not_hold_makes_the_answer_no(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    only(monkeypatch, bad=lambda _: row("bad", "c <d> | e", holds=False))
    assert validate(monkeypatch, "--out", tmp_path) == 1
    assert "does not hold" in capsys.readouterr().out
    page = (tmp_path / "validation.html").read_text(encoding="utf-8")
    assert "c &lt;d&gt; | e" in page
    assert "1 of 1 rows do not hold" in page
    accuracy = (tmp_path / "validation.md").read_text(encoding="utf-8")
    assert "| bad **(does not hold)** | c <d> \\| e | | | | | |" in accuracy
    assert "0 of 1 rows hold" in accuracy


def test_a_fault_is_a_row_and_the_others_run(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(_folder: Path) -> Row:
        raise ZeroDivisionError("made up")

    only(monkeypatch, broken=broken, good=lambda _: row("good"))
    result = run.run_validation()
    assert [row.holds for row in result.rows] == [False, True]
    assert "ZeroDivisionError" in result.rows[0].result
    assert not result.ok


def test_a_folder_that_cannot_be_made_is_reported_before_the_work(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    only(monkeypatch, begun=lambda _: pytest.fail("work was begun"))
    (tmp_path / "file").write_text("x", encoding="utf-8")
    assert validate(monkeypatch, "--out", tmp_path / "file") == 23


def test_the_bound_of_a_gaussian_edge() -> None:
    """∫L² of a Gaussian of s px is 1/(2√π s); the pixel's width adds 1/12 px² to s²."""
    for blur in (0.8, 1.5, 3.0):
        power = line_spread_power(Optics("gaussian", blur), np.array([1.0, 0.0]))
        known = 1 / (2 * np.sqrt(np.pi) * np.sqrt(blur**2 + 1 / 12))
        assert power == pytest.approx(known, rel=2e-3)


def test_no_fit_does_better_than_the_bound() -> None:
    """The best there is for one free edge, least squares over known blur and level, reaches it."""
    rng = np.random.default_rng(5)
    x = np.arange(-12, 13.0)
    from scipy.stats import norm

    s, noise, count = np.hypot(1.0, 12**-0.5), 0.05, 4000
    slope = norm.pdf(x / s) / s
    seen = noise * rng.standard_normal((count, x.size))
    shifts = seen @ slope / (slope @ slope)  # linear in a small shift
    two_edges = np.sqrt(2) * shifts.std()
    bound = width_bound(noise, Optics("gaussian", 1.0), np.array([1.0, 0.0]), opening_px=2.0)
    assert two_edges == pytest.approx(bound, rel=0.05)


def test_the_accuracy_page_has_every_row_and_limit() -> None:
    text = PAGE.read_text(encoding="utf-8")
    cells = {line.split(" | ")[0].removeprefix("| ") for line in text.splitlines()}
    jobs = run._jobs(False)
    shown = [job.name for job in jobs if job.group is not Group.REFUSAL]
    assert [name for name in shown if name not in cells] == []
    assert [r.tried for r in refusals() if r.tried not in cells] == []
    assert f"{len(jobs)} of {len(jobs)} rows hold" in text
    limits = {str(limits_of(case, clean=True)) for case in clean_cases()}
    limits |= {str(limits_of(case)) for case in hard_cases()}
    assert [limit for limit in limits if f"Limits: {limit}." not in text] == []


def test_the_text_of_the_accuracy_page_is_the_templates() -> None:
    page = PAGE.read_text(encoding="utf-8").splitlines()
    template = TEMPLATE.read_text(encoding="utf-8").splitlines()
    fixed = [line for line in template if not ("{{" in line or "{%" in line)]
    assert [line for line in fixed if line not in page] == []
