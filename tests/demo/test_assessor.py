"""The twelve questions of an assessor, each answered by its command on the demo's registry."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path
from typing import Any

import pytest

import documents
from program import Program
from sieve_inspect.validation import Group, Report, Row
from source_tree import ROOT

pytestmark = pytest.mark.long  # the demo runs whole

DOCUMENT = Path("registry/sieve_registry/audit/ASSESSOR.md")
COMMANDS = [
    line
    for block in documents.code_blocks(documents.read(DOCUMENT), "sh")
    for line in block.strip().splitlines()
]
# What the answer on the screen has to hold, by the beginning of the command.
ANSWERS = {
    "sieveward person list": "Mara Quill",
    "sieveward equipment list": "E-1",
    "sieveward report C-0004": "C-0004.html",
    "sieveward certificate compare": "EX-2211",
    "sieveward plan S-0500": "met the plan",
    "sieveward audit --as-of 2026-03-01 --out audit": "By clause of ISO/IEC 17025:2017",
    "sieveward audit --as-of 2026-03-01 --out audit --sample 3 --seed 2": "seed 2:",
    "sieveward verify --report R-2026-0001": "Report R-2026-0001 of check",
    "sieveward rule S-2000": "probability:0.95",
    "sieveward lookback S-0075": "uses",
    "sieveward validate --quick --record": "Recorded as event",
    "sieveward verify": "Everything is as recorded",
    "sieveward finding list --all": "no sieve fell in three weeks",
}


def test_there_are_twelve_questions_each_with_its_clause_and_command() -> None:
    text = documents.read(DOCUMENT)
    questions = re.findall(r"^\*\*(\d+)\. .*?\*\* \(([678]\.\d+(?:, )?)+", text, re.MULTILINE)
    assert [int(number) for number, _ in questions] == list(range(1, 13))
    assert len(documents.code_blocks(text, "sh")) == 12
    assert list(ANSWERS) == COMMANDS
    assert str(DOCUMENT) in (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("command", COMMANDS)
def test_the_demo_answers(
    command: str,
    laboratory: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    def validated(**_: Any) -> Report:
        row = Row(Group.CLEAN, "one", "a", "b", "c", "d", holds=True)
        return Report((row,), {}, "Linux", "2026-03-05T12:00:00+00:00", True, 1.0)

    monkeypatch.setattr("sieve_inspect.validation.run_validation", validated)
    monkeypatch.chdir(tmp_path)
    lab = laboratory
    if "--record" in command:
        lab = tmp_path / "lab"
        shutil.copytree(laboratory, lab)
    run = Program(monkeypatch, capsys, lab / "registry.sqlite")
    answer = run(*shlex.split(command)[1:])
    assert (answer.code, answer.err) == (0, "")
    assert ANSWERS[command] in " ".join(answer.out.split())
