"""Laboratories' own tables: imported completely or not at all, and no formula is ever written."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from program import Program
from registry_kinds import file_only
from sieve_inspect.errors import UsageError
from sieve_registry.audit import verification
from sieve_registry.checks import queries as check_queries
from sieve_registry.errors import ArchiveError
from sieve_registry.exchange import table_export, tables
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry

ADA = RecordTerms(by="Ada Moss")
OWN = """
[columns]
id = "Sieve no."
nominal = "Mesh"
in_service = "In use since"
frame = "Size"
[dates]
format = "%d.%m.%Y"
"""


@pytest.fixture
def table(tmp_path: Path) -> Callable[..., Path]:
    def writing(text: str, name: str = "own.csv", encoding: str = "utf-8") -> Path:
        path = tmp_path / name
        path.write_bytes(text.encode(encoding))
        return path

    return writing


def read(
    registry: Registry,
    path: Path,
    what: str = "sieves",
    mapping: Path | None = None,
    dry_run: bool = False,
) -> tables.Imported:
    mapped = tables.read_mapping(mapping)
    return tables.import_table(registry, path, what, mapped, ADA, dry_run=dry_run)


def test_a_table_with_its_own_columns_is_read_by_a_mapping(
    registry: Registry, table: Callable[..., Path]
) -> None:
    own = table(OWN, "map.toml")
    sieves = table("Sieve no.;Mesh;In use since;Size;Maker\n=1+1;75 um;10.01.2025;8in;Meadow\n"
                   "B;No. 200;11.01.2025;;@Home\n", encoding="cp1252")  # fmt: skip
    trial = read(registry, sieves, mapping=own, dry_run=True)
    assert (trial.rows, trial.recorded, trial.bad) == (2, False, ())
    assert verification.ledger_head(registry)[0] == 0
    done = read(registry, sieves, mapping=own)
    assert (done.rows, done.recorded) == (2, True)
    first, second = (h.sieve for h in sieve_queries.all_histories(registry))
    assert (first.id, first.nominal_nm, first.frame_nm) == ("=1+1", 75_000, 203_200_000)
    assert (first.in_service, second.maker, second.frame_nm) == (date(2025, 1, 10), "@Home", None)
    assert verification.verify(registry).ok
    assert verification.ledger_head(registry)[0] == 3  # the table, and each of its rows


def test_every_bad_row_is_listed_with_its_line_and_nothing_is_recorded(
    registry: Registry, add: Callable[..., Any], table: Callable[..., Path]
) -> None:
    add("A")
    path = table(
        'id,nominal,frame,in_service,maker\n'
        'A,75um,,,\n'
        'B,75,,,\n'
        'C,75um,8,,\n'
        'D,75um,,2025-02-30,\n'
        '"E\nE",75um,,,\n'
        'F,75um,,2030-01-01,\n'
        'G,75um,,,\n'
        'G,90um,,,\n'
        ',75um,,,\n'
    )  # fmt: skip
    done = read(registry, path)
    assert not done.recorded
    assert [row.line for row in done.bad] == [2, 3, 4, 5, 6, 8, 10, 11]
    assert "already" in done.bad[0].reason
    assert "already" in done.bad[6].reason
    assert verification.ledger_head(registry)[0] == 1
    assert verification.verify(registry).ok


def test_past_checks_are_read_with_what_is_known_of_them(
    registry: Registry, add: Callable[..., Any], table: Callable[..., Path]
) -> None:
    add("A", in_service=date(2024, 1, 1))
    path = table(
        "sieve,date,outcome,mean_x,mean_y,max_x,by,note\n"
        'A,2024-02-01,OK,"75,12",74.9,81,Cy Fenn,with an eyepiece\n'
        "A,2025-02-01,rejected,79.1,78.8,,,\n"
    )
    words = table('[words]\n"OK" = "pass"\n"Rejected" = "fail"\n', "words.toml")
    assert read(registry, path, "checks", words).recorded
    first, second = sieve_queries.get_history(registry, "A").checks
    assert (first.outcome, first.person, first.reasons) == (
        "pass",
        "Cy Fenn",
        ("with an eyepiece",),
    )
    assert (first.x.mean_um, first.x.max_um) == (Decimal("75.12"), Decimal(81))
    assert first.y.max_um is None
    assert (second.outcome, second.person, second.scale_source) == ("fail", "Ada Moss", None)
    assert sieve_queries.get_state(registry, "A").due == date(2026, 2, 1)
    assert verification.verify(registry).ok


@pytest.mark.parametrize(
    ("row", "why"),
    [
        ("Z,2025-01-01,pass,75,75", "no sieve 'Z'"),
        ("A,2023-01-01,pass,75,75", "before sieve"),
        ("A,2025-01-01,good,75,75", "is not known"),
        ("A,2025-01-01,pass,,75", "mean_x is empty"),
        ("A,2025-01-01,pass,75,1e99", "plausible"),
        ("A,2025-01-01,pass,=75,75", "not a number"),
        ("A,01.02.2025,pass,75,75", "YYYY-MM-DD"),
        ("A,2024-05-01,pass,75,75.0", "has the same means"),
    ],
)
def test_a_check_that_cannot_have_been_is_a_bad_row(
    registry: Registry, add: Callable[..., Any], table: Callable[..., Path], row: str, why: str
) -> None:
    add("A", in_service=date(2024, 1, 1))
    path = table(f"sieve,date,outcome,mean_x,mean_y\nA,2024-05-01,pass,75,75\n{row}\n")
    done = read(registry, path, "checks")
    assert [bad.line for bad in done.bad] == [3]
    assert why in done.bad[0].reason
    assert verification.ledger_head(registry)[0] == 1


@pytest.mark.parametrize(
    ("text", "mapping", "why"),
    [
        ("name,nominal\nA,75um\n", "", "no column 'id'"),
        ("", "", "no column"),
        ("id,nominal\n", '[columns]\nfoo = "x"\n', "'foo'"),
        ("id,nominal\n", '[columns]\nmaker = "Works"\n', "no column 'Works'"),
        ("id,nominal\n", "[columns\n", "cannot be read"),
    ],
)
def test_a_table_without_the_needed_columns_is_refused(
    registry: Registry, table: Callable[..., Path], text: str, mapping: str, why: str
) -> None:
    own = table(mapping, "map.toml") if mapping else None
    with pytest.raises(UsageError, match=why):
        read(registry, table(text), mapping=own)


def test_the_file_that_was_read_in_is_kept_as_evidence(
    registry: Registry, table: Callable[..., Path]
) -> None:
    path = table("id,nominal\nA,75um\n")
    read(registry, path)
    with registry.reading() as connection:
        from sieve_registry.store import listing, reader

        event = reader.event_of(connection, 1)
        (kept,) = listing.evidence_files(connection)
    assert (event.kind, json.loads(event.payload)["rows"]) == ("records imported", 1)
    assert check_queries.evidence_bytes(registry, kept[0]) == path.read_bytes()


def test_a_workbook_is_read_as_text_days_and_numbers(registry: Registry, tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.active.append(["id", "nominal", "in_service", "interval_months", "maker"])
    book.active.append(["A", "75um", date(2025, 1, 2), 6, "=1+1"])
    book.save(tmp_path / "own.xlsx")
    assert read(registry, tmp_path / "own.xlsx").recorded
    sieve = sieve_queries.get_history(registry, "A").sieve
    assert (sieve.in_service, sieve.interval_months, sieve.maker) == (date(2025, 1, 2), 6, "=1+1")


def test_a_file_that_is_not_a_workbook_is_refused(
    registry: Registry, table: Callable[..., Path]
) -> None:
    with pytest.raises(ArchiveError, match="not an XLSX table"):
        read(registry, table("PK no workbook", "own.xlsx"))
    with pytest.raises(ArchiveError, match="cannot be read"):
        read(registry, table("").with_name("nowhere.csv"))


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_exported_cells_are_no_formulas_and_read_back_the_same(
    run: Program, registry: Registry, add: Callable[..., Any], tmp_path: Path, kind: str
) -> None:
    add("=1+1", location="@home", maker="+49 5", serial="-3")
    out = tmp_path / f"out.{kind}"
    assert run("export", str(out)).code == 0
    if kind == "csv":
        rows = list(csv.reader(io.StringIO(out.read_text("utf-8-sig"))))
        assert not any(c.startswith(("=", "+", "-", "@")) for row in rows for c in row)
    else:
        sheet = openpyxl.load_workbook(out).active
        assert "f" not in {cell.data_type for row in sheet for cell in row}
        assert sheet["A2"].value == "=1+1"
        assert sheet["A2"].data_type == "s"
    elsewhere = str(tmp_path / "new" / "r.sqlite")
    assert run("import", str(out), registry=elsewhere).code == 0
    shown = json.loads(run("sieve", "show", "=1+1", "--json", "-", registry=elsewhere).out)
    assert (shown["id"], shown["location"], shown["maker"]) == ("=1+1", "@home", "+49 5")
    assert shown["serial"] == "-3"


@file_only
def test_commands_list_bad_rows_and_exit_with_48(run: Program, table: Callable[..., Path]) -> None:
    path = table("id,nominal\nA,75um\nB,75\n")
    trial = run("import", str(path), "--dry-run")
    assert trial.code == 39  # a trial begins no registry
    run("sieve", "add", "Z", "--nominal", "75um")
    trial = run("import", str(path), "--dry-run")
    assert trial.code == 48
    assert "line 3: '75' " in trial.out
    assert trial.err.count("\n") == 1
    path.write_text("id,nominal\nA,75um\n")
    assert "--dry-run" in run("import", str(path), "--dry-run").out
    assert "Imported 1 sieves" in run("import", str(path)).out
    out = path.with_name("checks.csv")
    assert "Exported 0 checks" in run("export", str(out), "--what", "checks").out


def test_a_mapping_that_would_map_nothing_is_refused_and_the_help_shows_one(
    registry: Registry, table: Callable[..., Path], run: Program
) -> None:
    with pytest.raises(UsageError, match=r"'id' is outside.*\[columns\]"):
        tables.read_mapping(table('id = "Sieve no."', "map.toml"))
    with pytest.raises(UsageError, match="has no column 'id' for id; it has 'Nr', 'Mesh'"):
        read(registry, table("Nr;Mesh\n1;75um\n"))
    shown = run("import", "--help").out
    example = shown[shown.index("[columns]") : shown.index("Arguments")].rpartition("\n")[0]
    assert tables.read_mapping(table(example, "help.toml")).columns["id"] == "Sieve no."
    for name in (*tables.SIEVE_COLUMNS, *tables.CHECK_COLUMNS):
        assert name in shown


def test_a_past_check_that_counted_nothing_is_written_without_a_count(
    registry: Registry, table: Callable[..., Path], add: Callable[..., Any]
) -> None:
    add()
    read(registry, table("sieve,date,outcome,mean_x,mean_y\nS-1,2026-01-05,pass,75,75\n"), "checks")
    header, row = table_export.check_rows(registry)
    assert dict(zip(header, row, strict=True))["count"] == ""


def test_nothing_of_a_table_is_dropped_without_a_word(
    run: Program, registry: Registry, table: Callable[..., Path], add: Callable[..., Any]
) -> None:
    add()
    header = "sieve,date,outcome,mean_x,mean_y,u_mean_x,u_mean_y,certificate,Shelf"
    path = table(f"{header}\nS-1,2026-01-05,pass,75.2,75,0.21,0.3,K 17,4\n")
    done = json.loads(run("import", path, "--what", "checks", "--json", "-").out)
    assert done["ignored_columns"] == ["Shelf"]
    (check,) = sieve_queries.get_history(registry, "S-1").checks
    assert (check.x.u_mean_um, check.y.u_mean_um) == (Decimal("0.21"), Decimal("0.3"))
    assert check.reasons == ("certificate K 17",)


def test_an_unknown_word_for_an_outcome_points_to_the_mapping(
    registry: Registry, table: Callable[..., Path], add: Callable[..., Any]
) -> None:
    add()
    told = read(
        registry, table("sieve,date,outcome,mean_x,mean_y\nS-1,2026-01-05,ok,75,75\n"), "checks"
    )
    assert "[words]" in told.bad[0].reason
