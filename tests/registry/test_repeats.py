"""Scans and cloth used again are asked about: named, and recorded for a reason only."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from program import Program
from registry_made import Measuring
from sieve_registry.checks.errors import OverlappingFieldsError, UsedScanError
from sieve_registry.checks.repeats import overlapping, refuse_without_reason

DATABASES = ("sqlite",)
CERTAIN = {"image": 1, "apertures": 118, "p_false_match": 1e-9}
NAMED = "Fields 1 and 2 (a.tif, b.tif) show the same 118 apertures: counted once"


def test_only_certain_overlaps_are_named() -> None:
    """At 1e-6 `compare` says one cloth; below that an overlap may be chance."""

    def sentences(p_false: float) -> tuple[str, ...]:
        shared = [CERTAIN | {"p_false_match": p_false}]
        images: list[dict[str, Any]] = [{"file": "a.tif"}, {"file": "b.tif", "shared": shared}]
        return overlapping(images, ())

    assert sentences(1e-6) == (NAMED,)
    assert sentences(1.1e-6) == ()


def test_every_pair_is_named() -> None:
    pairs = [CERTAIN, CERTAIN | {"image": 2, "apertures": 70}]
    files: list[dict[str, Any]] = [{"file": f"{name}.tif"} for name in "abc"]
    files[2]["shared"] = pairs
    first, second = overlapping(files, ())
    assert "1 and 3 (a.tif, c.tif) show the same 118" in first
    assert "2 and 3 (b.tif, c.tif) show the same 70" in second


def test_the_error_is_that_of_what_is_repeated() -> None:
    refuse_without_reason((), (), "")
    refuse_without_reason(("used",), ("overlap",), "meant")
    with pytest.raises(OverlappingFieldsError, match="scan other places of the cloth"):
        refuse_without_reason((), ("overlap",), "")
    with pytest.raises(UsedScanError, match="used; overlap"):
        refuse_without_reason(("used",), ("overlap",), "")
    assert (OverlappingFieldsError.exit_code, UsedScanError.exit_code) == (28, 28)


@pytest.fixture
def scans(measuring: Measuring, tmp_path: Path, run: Program) -> list[Path]:
    """Two scans that show the same cloth, of a sieve on record."""
    measuring.shared = CERTAIN
    paths = [tmp_path / name for name in ("a.tif", "b.tif")]
    for path in paths:
        path.write_bytes(path.name.encode())
    assert run("sieve", "add", "S-1", "--nominal", "75um").code == 0
    return paths


CHECK = ("check", "S-1")
OPTIONS = ("--um-per-px", "5.29", "--visual", "ok", "--by", "Ada Moss")


def test_overlapping_fields_are_refused_in_a_pipe_and_recorded_for_a_reason(
    run: Program, scans: list[Path]
) -> None:
    refused = run(*CHECK, *scans, *OPTIONS)
    assert (refused.code, refused.err.count("\n")) == (28, 1)
    assert f"{NAMED}. Nothing was recorded" in refused.err
    assert "with --accept-scan REASON" in refused.err
    assert json.loads(run("sieve", "show", "S-1", "--json", "-").out)["checks"] == []
    recorded = run(*CHECK, *scans, *OPTIONS, "--accept-scan", "a small cloth", "--json", "-")
    assert recorded.code == 0
    assert f"{NAMED}; recorded because: a small cloth" in json.loads(recorded.out)["warnings"]


def at_terminal(monkeypatch: pytest.MonkeyPatch, answer: str) -> list[str]:
    """A person at the terminal answers so; the questions are listed."""
    asked: list[str] = []

    def prompt(question: str, **_: Any) -> str:
        asked.append(question)
        return answer

    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    monkeypatch.setattr("typer.prompt", prompt)
    return asked


def test_a_person_at_the_terminal_gives_the_reason_once(
    run: Program, scans: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    run(*CHECK, *scans, *OPTIONS, "--accept-scan", "a small cloth")
    asked = at_terminal(monkeypatch, "judged again")
    again = run(*CHECK, *scans, *OPTIONS, "--json", "-")
    assert (again.code, len(asked)) == (0, 1)  # the scans are used again, and overlap
    assert "a.tif is the same file that check C-0001 of sieve S-1 used" in again.err
    warnings = json.loads(again.out)["warnings"]
    assert sum(text.endswith("recorded because: judged again") for text in warnings) == 3


def test_without_a_reason_typed_nothing_is_recorded(
    run: Program, scans: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = at_terminal(monkeypatch, "  ")
    stopped = run(*CHECK, *scans, *OPTIONS)
    assert (stopped.code != 0, len(asked)) == (True, 1)
    assert f"{NAMED}." in stopped.err
    assert json.loads(run("sieve", "show", "S-1", "--json", "-").out)["checks"] == []
