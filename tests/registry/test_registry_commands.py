"""The commands of the registry as a person types them, and their JSON answers."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import subprocess
import sys
import time
from datetime import date
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.core import TyperGroup

from program import Answer, Program
from registry_kinds import file_only
from registry_made import Measuring
from sieve_registry.exchange.sheets import _as_data, csv_bytes, csv_cell

SCALE_FILE = Path(__file__).parents[2] / "demo_images" / "scanner-4800dpi.json"
SCALE = ("--scale", str(SCALE_FILE), "--visual", "ok")  # a certified scale: a pass is a pass


@pytest.fixture
def shelf(run: Program, scan: Path) -> Program:
    """Two sieves, one checked long ago and used."""
    run(
        "sieve", "add", "S-1", "--nominal", "75um", "--in-service", "2024-01-31", "--by", "Ada Moss"
    )
    run("sieve", "add", "=1+1", "--nominal", "No. 200", "--location", "shelf 2")
    run("check", "S-1", str(scan), *SCALE, "--date", "2024-01-31", "--by", "Ada Moss")
    run("use", "S-1", "--count", "12", "--date", "2024-02-01", "--note", "@lime", "--by", "Bo Reed")
    return run


def said(answer: Answer) -> Any:
    assert answer.code == 0, answer.err
    return json.loads(answer.out)


def test_due_answers_by_the_agreed_names(shelf: Program) -> None:
    found = said(shelf("due", "--as-of", "2025-02-01", "--json", "-"))
    assert found["as_of"] == "2025-02-01"
    (sieve,) = found["sieves"]
    expected = {
        "id": "S-1",
        "status": "in service",
        "last_check": "2024-01-31",
        "outcome": "pass",
        "due": "2025-01-31",
        "overdue": True,
    }
    assert {key: sieve[key] for key in expected} == expected


def test_due_within_days_and_failing_on_overdue(shelf: Program) -> None:
    assert shelf("due", "--as-of", "2024-06-01", "--fail-on", "overdue").code == 0
    late = shelf("due", "--as-of", "2025-02-01", "--fail-on", "overdue")
    assert late.code == 1
    assert "1 to check, 1 overdue." in late.out
    far = said(shelf("due", "--as-of", "2024-06-01", "--within", "10", "--json", "-"))
    assert far["sieves"] == []


def test_show_answers_by_the_agreed_names(shelf: Program) -> None:
    found = said(shelf("sieve", "show", "S-1", "--json", "-"))
    assert (found["id"], found["status"], found["uses_total"]) == ("S-1", "in service", 12)
    (check,) = found["checks"]
    assert (check["id"], check["outcome"], check["date"]) == ("C-0001", "pass", "2024-01-31")
    assert check["directions"]["x"]["mean_um"] == 75.12345
    early = said(shelf("sieve", "show", "S-1", "--as-of", "2024-01-31", "--json", "-"))
    assert (len(early["checks"]), early["uses"], early["uses_total"]) == (1, [], 0)


def test_show_and_list_read_well(shelf: Program) -> None:
    shown = shelf("sieve", "show", "S-1").out
    assert "Sieve S-1, 75 um, on " in shown
    assert "C-0001  2024-01-31  pass" in shown
    listed = shelf("sieve", "list").out
    assert "shelf 2" in listed
    assert all(len(line) <= 80 for line in (shown + listed).splitlines())


def test_check_prints_verdict_reasons_values_proposal_number_and_next_step(
    shelf: Program, scan: Path
) -> None:
    out = shelf("check", "S-1", str(scan), *SCALE, "--accept-scan", "a drawn scan").out
    assert ": pass\nScan field-1.tif, read as srgb, as told.\n" in out
    assert "Judged by iso3310-1:2016, compliance grade, decision rule guard-band.\n" in out
    assert "  - the mean is" in out
    assert "71.30  78.70  pass" in out
    assert "Proposed: as the outcome says. You decide." in out
    assert "Recorded as C-0002. Its report: sieveward report C-0002" in out
    assert all(len(line) <= 80 for line in out.splitlines())


@pytest.mark.parametrize(
    ("outcome", "codes"),
    [
        ("pass", (0, 0)),
        ("conditional pass", (0, 1)),
        ("conditional fail", (0, 1)),
        ("fail", (1, 1)),
    ],
)
def test_check_exits_with_1_from_the_outcome_named(
    shelf: Program, scan: Path, measuring: Measuring, outcome: str, codes: tuple[int, int]
) -> None:
    measuring.outcome = outcome
    typed = ("check", "S-1", str(scan), *SCALE, "--json", "-", "--accept-scan", "a drawn scan")
    assert said(shelf(*typed))["outcome"] == outcome
    asked = ("fail", "conditional")
    assert tuple(shelf(*typed, "--fail-on", choice).code for choice in asked) == codes


def test_check_wants_one_scale(shelf: Program, scan: Path) -> None:
    assert shelf("check", "S-1", str(scan)).code == 18
    by_hand = ("--um-per-px", "5.29")
    assert shelf("check", "S-1", str(scan), *by_hand, "--scale", "s.json").code == 2


@pytest.mark.parametrize("turned", [50, 90, 135, 180])
def test_the_turn_of_the_label_reaches_the_measurement(
    run: Program, scan: Path, measuring: Measuring, turned: int
) -> None:
    run("sieve", "add", "S-1", "--nominal", "75um")
    assert run("check", "S-1", scan, *SCALE, "--turned", turned).code == 0
    assert measuring.calls[-1]["prior"].turned_deg == turned


def test_edit_counts_from_its_day(shelf: Program) -> None:
    said(shelf("sieve", "edit", "S-1", "--interval-months", "6", "--date", "2024-03-01",
               "--json", "-"))  # fmt: skip
    due = {}
    for day in ("2024-02-29", "2024-03-01"):
        (sieve,) = said(shelf("due", "--as-of", day, "--json", "-"))["sieves"]
        due[day] = sieve["due"]
    assert due == {"2024-02-29": "2025-01-31", "2024-03-01": "2024-07-31"}


def test_retire_is_a_persons_decision_with_a_reason(shelf: Program) -> None:
    assert shelf("retire", "S-1").code == 2
    said_so = shelf("retire", "S-1", "--reason", "torn at the rim", "--by", "Ada Moss")
    assert "retired from" in said_so.out
    found = said(shelf("sieve", "show", "S-1", "--json", "-"))
    assert (found["status"], found["due"]) == ("retired", None)
    assert found["retirement"]["reason"] == "torn at the rim"
    assert found["retirement"]["by"] == "Ada Moss"
    ids = [sieve["id"] for sieve in said(shelf("due", "--json", "-"))["sieves"]]
    assert ids == ["=1+1"]


def test_verify_reports_ok_with_the_head_to_note(shelf: Program, path: Path) -> None:
    found = said(shelf("verify", "--json", "-"))
    assert (found["ok"], found["events"], found["findings"]) == (True, 4, [])
    assert found["head"] in shelf("verify").out
    assert shelf("verify", "--head", found["head"]).code == 0
    assert shelf("verify", "--head", "0" * 64).code == 40


def test_verify_names_altered_evidence_and_ends_with_40(shelf: Program, path: Path) -> None:
    (scan,) = (path.parent / "registry.evidence").rglob("*.tif")
    scan.chmod(0o644)
    scan.write_bytes(b"altered")
    answer = shelf("verify", "--json", "-")
    assert answer.code == 40
    found = json.loads(answer.out)
    assert not found["ok"]
    assert scan.name in found["findings"][0]["subject"]
    assert scan.name in shelf("verify").out


class Cells(HTMLParser):
    """Collects the text of all table cells, and every tag seen."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.cells: list[str] = []

    def handle_starttag(self, tag: str, _attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        if tag == "td":
            self.cells.append("")

    def handle_data(self, data: str) -> None:
        if self.cells:
            self.cells[-1] += data


def test_audit_names_the_sieves_of_which_something_was_recorded_later(shelf: Program) -> None:
    said_then = shelf("audit", "--as-of", "2024-02-01").out  # the shelf was filled today
    assert f"Recorded later of S-1: sieve {date.today()}; last check {date.today()}." in said_then
    assert "Recorded later of" not in shelf("audit", "--as-of", str(date.today())).out


def test_audit_writes_a_page_and_tables_that_run_nothing(shelf: Program, tmp_path: Path) -> None:
    shelf("sieve", "add", "<script>x</script>", "--nominal", "75um")
    today = date.today().isoformat()
    out = tmp_path / "audit" / "deep"
    answer = shelf("audit", "--as-of", today, "--out", str(out))
    assert str(out / "index.html") in answer.out
    lists = "overdue never_checked no_scale conditional quarantines retirements lookbacks"
    lists += " open_points"
    names = {"sieves", "checks", "uses", "changes", "corrections", "evidence", "findings"}
    names |= set(lists.split()) | {"reports", "work_findings", "retention", "clauses"}
    pages = {"index.html", "by-clause.html"}
    assert {file.name for file in out.iterdir()} == {*pages, *(f"{n}.csv" for n in names)}
    page = Cells()
    text = (out / "index.html").read_text("utf-8")
    page.feed(text)
    assert text.count("<script") == 1  # the filter's own; the page's policy names its hash
    assert {"=1+1", "<script>x</script>", "C-0001", "@lime"} <= set(page.cells)
    sieves = (out / "sieves.csv").read_bytes().decode("utf-8-sig")
    rows = list(csv.DictReader(io.StringIO(sieves)))
    assert [row["sieve"] for row in rows] == ["<script>x</script>", "'=1+1", "S-1"]
    assert "'@lime" in (out / "uses.csv").read_text("utf-8-sig")


def test_audit_answers_for_its_day_and_marks_later_entries(shelf: Program) -> None:
    found = said(shelf("audit", "--as-of", "2024-01-31", "--json", "-"))
    assert [sieve["sieve"] for sieve in found["sieves"]] == ["S-1"]
    assert found["uses"] == []
    assert found["checks"][0]["recorded later"] > "2024-01-31"
    assert found["ledger"]["events"] == 4


def test_audit_into_a_place_that_is_a_file_is_refused(shelf: Program, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    answer = shelf("audit", "--as-of", "2024-02-01", "--out", str(tmp_path / "file"))
    assert (answer.code, answer.out) == (23, "")


# Which first letters a spreadsheet may run: OWASP, "CSV Injection".
@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", "\tx", "\rx"])
def test_a_cell_that_could_run_gets_an_apostrophe(text: str) -> None:
    assert csv_cell(text) == f"'{text}"
    assert csv_cell(f"a{text}") == f"a{text}"


@pytest.mark.parametrize("separator", [";", "\t", "\n", "\r\n", '; "', "; "])
@pytest.mark.parametrize("start", ["=1+1", "@x", "\uff1d1"])
def test_no_cell_of_another_locale_could_run(separator: str, start: str) -> None:
    """Opened where cells end at semicolons or tabs, the text becomes two cells."""
    text = csv_cell(f"shelf{separator}{start}")
    assert not any(part.lstrip(' "').startswith(start[0]) for part in re.split(r"[;\t\r\n]", text))


@given(st.text(alphabet="=+-@;'\"\t\r\n a\uff1d", max_size=12))
def test_a_guarded_cell_reads_back_as_it_was(text: str) -> None:
    assert _as_data(csv_cell(text)) == text


@given(st.lists(st.lists(st.text("aé=-@;,\"'\r\n\t 1", max_size=4), max_size=3), max_size=6))
def test_rows_joined_at_once_are_those_of_the_writer(rows: list[list[str]]) -> None:
    text = io.StringIO(newline="")
    guarded = ([csv_cell(cell) for cell in row] for row in rows)
    csv.writer(text, lineterminator="\r\n").writerows(guarded)
    assert csv_bytes(rows) == ("\ufeff" + text.getvalue()).encode()


def test_a_cell_of_an_earlier_export_reads_as_before() -> None:
    assert _as_data("'=1+1") == "=1+1"


@pytest.mark.parametrize(
    ("typed", "code"),
    [
        (("due", "--as-of", "2024-02-30"), 37),
        (("sieve", "show", "S-9"), 32),
        (("sieve", "show", "S-1", "--as-of", "2023-01-01"), 32),
        (("sieve", "add", "S-1", "--nominal", "75um"), 33),
        (("sieve", "add", "S-3", "--nominal", "75"), 2),
        (("sieve", "add", "a\nb", "--nominal", "75um"), 2),
        (("use", "S-1", "--count", "1", "--date", "9999-01-01"), 37),
        (("use", "S-1", "--count", "0"), 2),
        (("retire", "S-1", "--reason", "x", "--date", "2024-01-31"), 37),
        (("audit", "--as-of", "9999-01-01"), 37),
        (("check", "S-9", "scan.tif", *SCALE), 32),
    ],
)
def test_a_refusal_is_one_sentence_and_its_own_code(
    shelf: Program, typed: tuple[str, ...], code: int
) -> None:
    answer = shelf(*typed)
    assert answer.code == code
    assert answer.out == ""
    assert answer.err.startswith("sieveward: ")
    assert answer.err.count("\n") == 1


@file_only
@pytest.mark.parametrize("command", [["due"], ["verify"], ["sieve", "list"], ["sieve", "show", "S"],
    ["use", "S", "--count", "1"], ["retire", "S", "--reason", "x"], ["audit", "--as-of",
    "2024-01-01"], ["check", "S", "x.png", *SCALE], ["sieve", "edit", "S", "--location", "x"]],
    ids=" ".join)  # fmt: skip
def test_no_command_but_sieve_add_begins_a_registry(
    run: Program, path: Path, command: tuple[str, ...]
) -> None:
    answer = run(*command)
    assert answer.code == 39
    assert "sieveward sieve add" in answer.err
    assert not path.parent.exists()


def test_a_letter_the_terminal_lacks_is_no_fault(path: Path) -> None:
    command = [sys.executable, "-m", "sieve_registry.cli.main", "--registry", str(path)]
    code = "import sys; from sieve_registry.cli.main import main; main()"
    command[1:3] = ["-c", code]
    typed = [*command, "sieve", "add", "🧪", "--nominal", "75um"]
    paths = {name: os.environ[name] for name in ("PYTHONPATH",) if name in os.environ}
    environment = {"PYTHONIOENCODING": "ascii", "LOGNAME": "moss"} | paths
    done = subprocess.run(typed, capture_output=True, text=True, env=environment, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert "\\U0001f9ea" in done.stdout


def test_help_comes_quickly_and_loads_nothing_heavy() -> None:
    code = (
        "import sys; import sieve_registry.cli.main; "
        "print([m for m in ('sqlalchemy', 'alembic', 'numpy', 'cv2', 'jinja2', 'scipy')"
        " if m in sys.modules])"
    )
    began = time.perf_counter()
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
    assert time.perf_counter() - began < 5  # 0.4 s is meant; a loaded machine takes longer


def test_a_size_no_table_lists_is_kept_with_a_remark(run: Program) -> None:
    assert "Is the size right?" in run("sieve", "add", "S-77", "--nominal", "77um").out
    assert "Is the size right?" not in run("sieve", "add", "S-75", "--nominal", "75um").out


def test_every_command_that_records_takes_a_reason_for_a_clock_that_is_behind() -> None:
    """What a refused clock advises has to be there to be typed."""
    from typer.main import get_command

    from sieve_registry.cli.main import app

    group = get_command(app)
    assert isinstance(group, TyperGroup)
    commands = group.commands
    flat = {name: c for name, c in commands.items() if not hasattr(c, "commands")}
    for prefix, c in commands.items():
        flat |= {f"{prefix} {name}": one for name, one in getattr(c, "commands", {}).items()}
    recording = {
        name: c for name, c in flat.items() if any("--by" in p.opts for p in c.params)
    }  # fmt: skip
    assert len(recording) > 15
    missing = {n for n, c in recording.items() if not any("--why-late" in p.opts for p in c.params)}
    assert missing - {"artefact add", "device add"} == set()


def test_later_paragraphs_of_the_help_keep_their_lines_on_a_terminal() -> None:
    """Their line ends are printed as they stand: a longer line would be broken twice."""
    from typer.main import get_command

    from sieve_registry.cli.main import app

    group = get_command(app)
    assert isinstance(group, TyperGroup)
    of_groups = (list(getattr(c, "commands", {}).values()) for c in group.commands.values())
    commands = [*group.commands.values(), *(one for some in of_groups for one in some)]
    assert len(commands) > 60
    for command in commands:
        for paragraph in (command.help or "").split("\n\n")[1:]:
            assert max(map(len, paragraph.splitlines())) <= 78, (command.name, paragraph)


def test_a_record_names_its_event_and_the_command_that_withdraws_it(shelf: Program) -> None:
    for words in (("use", "S-1", "--count", "3"), ("clean", "S-1", "--method", "brush"),
                  ("sieve", "edit", "S-1", "--location", "shelf 3"),
                  ("retire", "S-1", "--reason", "torn")):  # fmt: skip
        out = shelf(*words).out
        command = out.partition("To withdraw it: sieveward ")[2].split()
        assert command[:1] == ["correct"]
        assert f"Recorded as event {command[1]}." in out
        done = shelf(*command[:-1], "typed by mistake")
        assert done.code == 0, done.err
    for typed, undo in (
        (("sieve", "add", "S-3", "--nominal", "75um"), "sieveward sieve edit S-3, after its first"),
        (("rule", "S-1", "--set", "simple"), "record it again"),
        (("stack", "add", "sand", "S-1"), "record it again"),
        (("laboratory", "--validated", "yes"), "record it again"),
    ):
        out = " ".join(shelf(*typed).out.split())
        assert re.search(r"Recorded as event \d+\. ", out), typed
        assert undo in out
    assert "Recorded as" not in shelf("rule", "S-1").out  # shown, not set
    state = said(shelf("sieve", "show", "S-1", "--json", "-"))
    assert (state["uses_total"], state["status"], state["location"]) == (12, "in service", "")
