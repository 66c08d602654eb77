"""Artefacts and devices: kept with their certificate, read back, refused where they contradict."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from program import Program
from scale_lab import GRID, SCANNER, parsed
from sieve_registry.store.engine import Registry


def test_an_artefact_is_kept_as_certified_with_its_certificate(
    run: Program, tmp_path: Path
) -> None:
    pdf = tmp_path / "certificate.pdf"
    pdf.write_bytes(b"%PDF-1.4 a certificate")
    added = parsed(run(*GRID, "--certificate-file", str(pdf), "--by", "Ada Moss", "--json", "-"))
    (file,) = added["evidence"]
    assert (file["role"], file["size"], file["extension"]) == ("certificate", 22, ".pdf")
    shown = parsed(run("artefact", "show", "G-1", "--json", "-"))
    assert (shown["nominal_pitch_um"], shown["pitch_um"]) == (500.0, 500.02)
    assert (shown["U_pitch_um"], shown["k"], shown["expansion_ppm_per_k"]) == (0.1, 2.0, 8.5)
    assert (shown["valid_from"], shown["valid_to"]) == ("2025-06-01", "2027-05-31")
    assert parsed(run("verify", "--json", "-"))["ok"]
    listed = run("artefact", "list").out
    assert "G-1" in listed
    assert "2025-117" in listed
    assert all(len(line) <= 80 for line in listed.splitlines())


def test_the_certificate_is_proven_like_any_evidence(
    run: Program, registry: Registry, tmp_path: Path
) -> None:
    pdf = tmp_path / "certificate.pdf"
    pdf.write_bytes(b"%PDF-1.4 a certificate")
    (file,) = parsed(run(*GRID, "--certificate-file", str(pdf), "--json", "-"))["evidence"]
    from sieve_registry.checks.queries import evidence_bytes

    assert evidence_bytes(registry, file["sha256"]) == pdf.read_bytes()
    audited = parsed(run("audit", "--as-of", date.today().isoformat(), "--json", "-"))
    (row,) = audited["evidence"]
    told = [row[name] for name in ("kept for", "is its", "name")]
    assert told == ["artefact added: G-1", "certificate", "certificate.pdf"]


def test_an_existing_artefact_is_renewed_on_purpose_only(run: Program) -> None:
    assert run(*GRID).code == 0
    again = run(*GRID)
    assert again.code == 50
    assert "--renew" in again.err
    newer = [*GRID, "--renew"]
    newer[newer.index("2025-117")] = "2027-004"
    newer[newer.index("2027-05-31")] = "2029-05-31"
    assert run(*newer).code == 0
    shown = parsed(run("artefact", "show", "G-1", "--json", "-"))
    assert shown["certificate"] == "2027-004"
    assert [one["certificate"] for one in shown["certificates"]] == ["2027-004", "2025-117"]
    unknown = [word if word != "G-1" else "G-2" for word in newer]
    assert run(*unknown).code == 56


@pytest.mark.parametrize(
    ("changed", "to", "code"),
    [
        ("grid", "spiral", 2),
        ("2027-05-31", "2025-05-31", 37),
        ("0.1um", "90um", 2),
        ("8.5", "900", 2),
        ("2", "20", 2),
        ("Brook Metrology", " ", 2),
    ],
)
def test_what_no_certificate_states_is_refused(
    run: Program, changed: str, to: str, code: int
) -> None:
    answer = run(*[to if word == changed else word for word in GRID])
    assert answer.code == code, answer.err
    assert run("artefact", "show", "G-1").code == 56


def test_a_pitch_comes_with_its_uncertainty(run: Program) -> None:
    words = list(GRID)
    at = words.index("--u-pitch")
    del words[at : at + 2]
    answer = run(*words)
    assert answer.code == 2
    assert "--u-pitch" in answer.err


def test_a_device_is_kept_listed_and_shown(run: Program) -> None:
    added = parsed(run(*SCANNER, "--json", "-"))
    assert (added["id"], added["setting"], added["allowance_um"]) == ("F-24", "1270dpi", 1000.0)
    assert parsed(run("device", "show", "F-24", "--json", "-"))["serial"] == "K1"
    assert [d["id"] for d in parsed(run("device", "list", "--json", "-"))["devices"]] == ["F-24"]
    assert "1270dpi" in run("device", "list").out
    assert run(*SCANNER).code == 50
    assert run("device", "show", "F-99").code == 56


@pytest.mark.parametrize(("changed", "to"), [("scanner", "telescope"), ("srgb", "cmyk")])
def test_a_device_that_cannot_be_is_refused(run: Program, changed: str, to: str) -> None:
    assert run(*[to if word == changed else word for word in SCANNER]).code == 2
