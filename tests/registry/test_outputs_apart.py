"""What a command of the registry writes never replaces what it reads, or its other output."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from program import Program

SCALE = ("--um-per-px", "5.29")


@pytest.fixture
def shelf(run: Program) -> Program:
    run("sieve", "add", "S-1", "--nominal", "75um")
    return run


def test_a_check_never_overwrites_its_scan_nor_its_scale(
    shelf: Program, scan: Path, tmp_path: Path
) -> None:
    before = scan.read_bytes()
    answer = shelf("check", "S-1", str(scan), *SCALE, "--json", str(scan))
    assert answer.code == 2
    assert "would overwrite the scan" in answer.err
    assert scan.read_bytes() == before
    scale = tmp_path / "scale.json"
    scale.write_text("{}", encoding="utf-8")
    answer = shelf("check", "S-1", str(scan), "--scale", str(scale), "--json", str(scale))
    assert "would overwrite the scale" in answer.err
    assert "no check" in shelf("report", "C-0001").err


@pytest.mark.parametrize(
    "typed",
    [
        ("wear", "S-1", "--plot", "{}.svg", "--json", "{}.svg"),
        ("lookback", "S-1", "--csv", "{}.csv", "--html", "{}.csv"),
        ("report", "S-1", "--out", "{}.html", "--json", "{}.html"),
        ("label", "S-1", "--out", "{}.svg", "--json", "{}.svg"),
        ("export", "{}.csv", "--json", "{}.csv"),
    ],
)
def test_two_outputs_are_two_files(shelf: Program, tmp_path: Path, typed: tuple[str, ...]) -> None:
    answer = shelf(*(word.format(tmp_path / "one") for word in typed))
    assert answer.code == 2
    assert "would both be written" in answer.err
    assert not list(tmp_path.glob("one*"))


def test_tables_that_are_read_stay(shelf: Program, tmp_path: Path) -> None:
    table, curve = tmp_path / "sieves.csv", tmp_path / "psd.csv"
    table.write_text("id,nominal\nS-2,75um\n", encoding="utf-8")
    curve.write_text("size_um,passing_percent\n10,0\n100,100\n", encoding="utf-8")
    assert "overwrite the table" in shelf("import", str(table), "--json", str(table)).err
    typed = ("effect", "S-1", "--psd", str(curve), "--csv", str(curve))
    assert "overwrite the distribution" in shelf(*typed).err
    assert table.read_text(encoding="utf-8").startswith("id,")
    assert curve.read_text(encoding="utf-8").startswith("size_um,")


def test_what_a_person_reads_fits_80_columns(shelf: Program, scan: Path, tmp_path: Path) -> None:
    today = date.today().isoformat()
    shelf("check", "S-1", str(scan), *SCALE, "--accept-scan", "a drawn scan")
    for typed in (("verify",), ("audit", "--as-of", today), ("sieve", "show", "S-1")):
        answer = shelf(*typed)
        out = answer.out
        assert answer.code == 0, answer.err
        told = [line for line in out.splitlines() if str(tmp_path) not in line]
        assert told
        assert max(len(line) for line in told) <= 80, typed
    assert "Ledger head: " in shelf("verify").out
