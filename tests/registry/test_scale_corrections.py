"""Records of artefacts, devices and scales are corrected by later ones; both readings are shown."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from program import Answer, Program
from scale_lab import GRID, SCANNER, ScaleLab, check, parsed
from sieve_registry.checks.queries import get_check
from sieve_registry.scales.corrections import corrected_links
from sieve_registry.store.engine import Registry

WHY = ("--reason", "read off the wrong line", "--by", "Ada Moss")


def number(run: Callable[..., Answer], what: str, name: str) -> str:
    return str(parsed(run(what, "show", name, "--json", "-"))["event"])


def test_a_certificate_is_corrected_and_both_readings_are_shown(run: Program) -> None:
    assert run(*GRID).code == 0
    event = number(run, "artefact", "G-1")
    words = ("--set", "certificate=2025-118", "--set", "valid-to=2027-06-30")
    made = parsed(run("correct", event, *words, *WHY, "--json", "-"))
    assert made["was"] == {"certificate": "2025-117", "valid_to": "2027-05-31"}
    shown = parsed(run("artefact", "show", "G-1", "--json", "-"))
    assert (shown["certificate"], shown["valid_to"]) == ("2025-118", "2027-06-30")
    assert shown["corrections"][0]["corrects"] == int(event)
    out = " ".join(run("artefact", "show", "G-1").out.split())
    assert "certificate 2025-117 should read 2025-118" in out
    assert "read off the wrong line (Ada Moss" in out
    assert parsed(run("verify", "--json", "-"))["ok"]


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (("--set", "pitch_um=501"), 43),  # what was certified is no slip of the pen
        (("--set", "valid-to=2020-01-01"), 37),
        (("--set", "expansion=warm"), 2),
        ((), 2),
    ],
)
def test_what_cannot_be_corrected_so_is_refused(
    run: Program, words: tuple[str, ...], code: int
) -> None:
    assert run(*GRID).code == 0
    answer = run("correct", number(run, "artefact", "G-1"), *words, *WHY)
    assert answer.code == code, answer.err


def test_a_void_artefact_or_device_is_gone_until_that_is_taken_back(run: Program) -> None:
    for words, what, name in ((GRID, "artefact", "G-1"), (SCANNER, "device", "F-24")):
        assert run(*words).code == 0
        event = number(run, what, name)
        assert run("correct", event, "--void", *WHY).code == 0
        assert run(what, "show", name).code == 56
        assert run("correct", event, *WHY).code == 0
        assert run(what, "show", name).code == 0
        assert run("correct", event, "--void", *WHY).code == 0
        assert run(*words).code == 0  # the name is free again


def test_a_void_scale_serves_no_further_check_and_earlier_checks_are_marked(
    lab: ScaleLab, scan: Path, registry: Registry
) -> None:
    assert check(lab, scan).code == 0
    event = str(lab.recorded["event"])
    assert lab("correct", event, "--void", *WHY).code == 0
    refused = check(lab, scan, day="2026-04-02")
    assert refused.code == 56
    shown = parsed(lab("device", "show", "F-24", "--json", "-"))
    assert shown["scales"] == []
    assert shown["corrections"][0]["void"]
    trace = parsed(lab("audit", "--as-of", "2026-05-01", "--json", "-"))
    assert trace  # the audit of a past day goes on answering
    import json

    payload = json.loads(get_check(registry, "C-0001").event.payload)
    (link,) = corrected_links(registry, payload["trace"])
    assert link[0] == "Corrected since"
    assert "is void: read off the wrong line; Ada Moss" in link[1]


def test_a_scale_from_a_void_certificate_is_refused(lab: ScaleLab, scan: Path) -> None:
    assert lab("correct", number(lab, "artefact", "G-1"), "--void", *WHY).code == 0
    assert check(lab, scan).code == 56  # no such artefact any more
    assert lab(*GRID).code == 0
    answer = check(lab, scan)
    assert answer.code == 51
    assert "that of scale F-24, is void" in answer.err
