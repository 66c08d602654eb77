"""`sieveward validate`: the quick part of the matrix, its report, and its answer."""

from __future__ import annotations

import csv
import importlib.metadata
import importlib.util
import io
import json
import sys
from dataclasses import replace
from html.parser import HTMLParser
from importlib.metadata import PackageNotFoundError
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sieve_inspect.synthetic import Optics
from sieve_inspect.validation import as_html, run
from sieve_inspect.validation.accuracy import accuracy_row, limits_of
from sieve_inspect.validation.bound import line_spread_power, width_bound
from sieve_inspect.validation.cases import clean_cases, hard_cases
from sieve_inspect.validation.damage import damage_cases
from sieve_inspect.validation.model import Row
from sieve_inspect.workers.software import software
from sieve_registry.cli.main import main


def typed(monkeypatch: pytest.MonkeyPatch, *arguments: object) -> int:
    monkeypatch.setattr(sys, "argv", ["sieveward", "validate", *map(str, arguments)])
    with pytest.raises(SystemExit) as ended:
        main()
    return int(ended.value.code or 0)


def only(monkeypatch: pytest.MonkeyPatch, *jobs: object) -> None:
    """Let nothing but these rows be run."""
    monkeypatch.setattr(run, "_jobs", lambda _: list(jobs))


@pytest.fixture(scope="module")
def quick(tmp_path_factory: pytest.TempPathFactory) -> tuple[int, Path]:
    """One run of the quick part: exit code and the folder."""
    folder = tmp_path_factory.mktemp("validation") / "new"
    with pytest.MonkeyPatch.context() as patch:
        return typed(patch, "--out", folder, "--quick"), folder


@pytest.fixture(scope="module")
def told(quick: tuple[int, Path]) -> Any:
    return json.loads((quick[1] / "validation.json").read_text(encoding="utf-8"))


def test_every_row_of_the_quick_part_holds(told: dict[str, Any]) -> None:
    assert [row["name"] for row in told["rows"] if row["verdict"] != "holds"] == []


def test_the_code_is_the_answer(quick: tuple[int, Path], told: dict[str, Any]) -> None:
    assert quick[0] == (0 if told["ok"] else 1)
    assert told["ok"] == all(row["verdict"] == "holds" for row in told["rows"])


def test_every_kind_of_row_is_there(told: dict[str, Any]) -> None:
    assert told["schema"] == "sieveward.validation/1"
    groups = {row["group"] for row in told["rows"]}
    assert groups == {"clean", "hard", "comb", "damage", "refusal", "honesty"}
    for row in told["rows"]:
        assert row["tried"]
        assert row["truth"]
        assert row["result"]
        assert row["limit"]
        assert all(len(digest) == 64 for digest in row["pixels_sha256"])
    assert set(told["versions"]) >= {"python", "sieveward", "numpy", "scipy"}


def test_only_the_report_is_in_the_folder(quick: tuple[int, Path]) -> None:
    names = sorted(path.name for path in quick[1].iterdir())
    assert names == [f"validation.{kind}" for kind in ("csv", "html", "json", "md")]


def test_the_table_says_the_same(quick: tuple[int, Path], told: dict[str, Any]) -> None:
    text = (quick[1] / "validation.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [r["name"] for r in rows] == [r["name"] for r in told["rows"]]
    for row, other in zip(rows, told["rows"], strict=True):
        for name, value in other["figures"].items():
            if value is not None:
                assert float(row[name]) == pytest.approx(value, rel=1e-4, abs=1e-9)


class Reader(HTMLParser):
    """Which tags are opened, and what they would load."""

    def __init__(self) -> None:
        super().__init__()
        self.loads, self.open = [], []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.loads += [value for name, value in attrs if name in ("src", "href")]
        if tag not in ("meta", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_page_needs_nothing_else(quick: tuple[int, Path], told: dict[str, Any]) -> None:
    text = (quick[1] / "validation.html").read_text(encoding="utf-8")
    reader = Reader()
    reader.feed(text)
    assert reader.loads == []
    assert reader.open == []
    for row in told["rows"]:
        assert row["name"] in text


def test_a_row_that_does_not_hold_makes_the_answer_no(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = Row("hard", "made up", "a", "b", "c <d>", "e", holds=False)
    only(monkeypatch, ("hard", "made up", lambda _: bad))
    assert typed(monkeypatch, "--out", tmp_path) == 1
    assert "does not hold" in capsys.readouterr().out
    page = (tmp_path / "validation.html").read_text(encoding="utf-8")
    assert "c &lt;d&gt;" in page


def test_a_fault_is_a_row_and_ends_nothing(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    def broken(folder: Path) -> None:
        raise ZeroDivisionError("made up")

    good = Row("hard", "good", "a", "b", "c", "e", holds=True)
    only(monkeypatch, ("hard", "broken", broken), ("hard", "good", lambda _: good))
    report = run.run_validation()
    assert [row.holds for row in report.rows] == [False, True]
    assert "ZeroDivisionError" in report.rows[0].result
    assert not report.ok


def test_a_folder_that_cannot_be_made_is_told_before_the_work(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    only(monkeypatch, ("hard", "begun", lambda _: pytest.fail("work was begun")))
    (tmp_path / "file").write_text("x", encoding="utf-8")
    assert typed(monkeypatch, "--out", tmp_path / "file") == 23


def test_it_works_without_scikit_image(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The other route is then left out, and the report says so."""
    monkeypatch.setitem(sys.modules, "skimage", None)
    found = importlib.util.find_spec
    monkeypatch.setattr(
        importlib.util, "find_spec", lambda n, *a: None if n == "skimage" else found(n, *a)
    )
    known = importlib.metadata.version

    def lacking(package):
        if package == "scikit-image":
            raise PackageNotFoundError(package)
        return known(package)

    # Asked anew: what is installed is otherwise looked up once.
    monkeypatch.setattr("sieve_inspect.workers.software.version", lacking)
    monkeypatch.setattr(run, "software", software.__wrapped__)
    case = clean_cases()[0]
    row = accuracy_row(replace(case, shape=(140, 180)), tmp_path, limits_of(case), "clean")
    assert row.figures["otsu_bias_px"] is None
    only(monkeypatch, ("clean", row.name, lambda _: row))
    assert "scikit-image is not installed here" in as_html(run.run_validation())


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


def test_the_developers_table_names_every_row() -> None:
    text = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.split("<!-- validation.md -->")[1].split("<!-- end of validation.md -->")[0]
    told = {line.split("|")[1].split()[0] for line in table.splitlines() if line.startswith("| ")}
    drawn = {case.name for case in (*clean_cases(), *hard_cases(), *damage_cases())}
    assert drawn <= told
