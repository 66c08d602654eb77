"""The program without a command, a person's settings, and the scale chosen by the scans' dpi."""

from __future__ import annotations

import json
from contextlib import closing
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from program import Program
from sieve_inspect.errors import UsageError
from sieve_registry.ledger.records import NewSieve
from sieve_registry.scales import default_scale as choosing
from sieve_registry.scales.calibrations import KeptScale
from sieve_registry.settings import load_settings
from sieve_registry.sieves import commands
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import open_registry

LOGO = b"\x89PNG\r\n\x1a\n" + bytes(64)


@pytest.fixture
def run(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> Program:
    monkeypatch.setenv("SIEVEWARD_SETTINGS", str(tmp_path / "home" / "settings.json"))
    return Program(monkeypatch, capsys, tmp_path / "registry.sqlite")


def test_alone_it_shows_the_state_and_five_commands(run: Program, tmp_path: Path) -> None:
    first = run()
    assert (first.code, "There is no registry" in first.out) == (0, True)
    assert first.out.count("\n  sieveward ") == 5
    with closing(open_registry(tmp_path / "registry.sqlite", create=True)) as registry:
        for name, days_ago in (("S-1", 9), ("S-2", 0)):
            begun = date.fromordinal(registry.today().toordinal() - days_ago)
            commands.add_sieve(registry, NewSieve(name, 75, in_service=begun))
        commands.quarantine(registry, "S-2", "fell", RecordTerms())
    answer = run()
    assert answer.code == 0
    lines = [line.split() for line in answer.out.splitlines()]
    assert ["never", "checked", "1", "S-1"] in lines
    assert ["in", "quarantine", "1", "S-2"] in lines
    assert answer.out.count("\n  sieveward ") == 5
    assert max(map(len, answer.out.split("\n\n", 1)[1].splitlines())) <= 80


def test_settings_are_kept_shown_and_cleared(run: Program, tmp_path: Path) -> None:
    logo = tmp_path / "logo.png"
    logo.write_bytes(LOGO)
    run("settings", "--person", "Tove Example", "--laboratory", "Example Sieves", "--logo", logo)
    shown = json.loads(run("settings", "--json", "-").out)
    assert shown["person"] == "Tove Example"
    assert shown["file"] == str(tmp_path / "home" / "settings.json")
    run("settings", "--laboratory", "")
    assert load_settings().laboratory == ""
    assert load_settings().person == "Tove Example"
    logo.write_bytes(b"GIF89a")
    refused = run("settings", "--logo", logo)
    assert (refused.code, "must be a PNG or JPEG" in refused.err) == (2, True)


def test_a_small_logo_that_unpacks_to_gigabytes_is_refused(run: Program, tmp_path: Path) -> None:
    logo = tmp_path / "logo.png"
    Image.new("1", (60_000, 500)).save(logo)
    refused = run("settings", "--logo", logo)
    assert (refused.code, "over 25 megapixels" in refused.err) == (2, True)


def test_the_person_of_the_settings_records(run: Program) -> None:
    run("settings", "--person", "Tove Example")
    run("sieve", "add", "S-1", "--nominal", "75um")
    run("use", "S-1", "--count", "3", "--by", "Ravi Example")
    shown = json.loads(run("sieve", "show", "S-1", "--json", "-").out)
    assert [use["by"] for use in shown["uses"]] == ["Ravi Example"]
    run("use", "S-1", "--count", "4")
    shown = json.loads(run("sieve", "show", "S-1", "--json", "-").out)
    assert [use["by"] for use in shown["uses"]] == ["Ravi Example", "Tove Example"]


def test_an_unreadable_settings_file_is_named(run: Program, tmp_path: Path) -> None:
    (tmp_path / "home").mkdir()
    (tmp_path / "home" / "settings.json").write_text('{"nickname": "T"}')
    answer = run("settings")
    assert answer.code == 2
    assert "settings.json cannot be read" in answer.err


def kept(name: str, dpi: float, until: str = "2027-01-01") -> KeptScale:
    """A recorded scale as far as the choice looks at it."""
    um = 25_400 / dpi
    day = date(2026, 1, 1)
    return KeptScale(
        name=name, event=1, on_date=day, valid_until=date.fromisoformat(until), person="",
        device=f"{name}-device", artefact="", artefact_event=1, certificate="", setting="",
        stand_off_um=0.0, allowance_um=0.0, path_um=1.0, temperature_c=None, range_c=(15, 30),
        um_per_px=(um, 0.999 * um), u_rel=(0.0, 0.0), max_residual_um=1.0, residual_rms_um=0.1,
        evidence=(),
    )  # fmt: skip


def picture(folder: Path, name: str, dpi: float | None) -> Path:
    image = Image.fromarray(np.zeros((4, 4), np.uint8))
    if dpi is None:
        image.save(folder / name)
    else:
        image.save(folder / name, dpi=(dpi, dpi))
    return folder / name


@pytest.mark.parametrize(
    ("dpi", "preferred", "chosen"),
    [
        (2400, "", "B"),
        (2400, "A", "B"),  # a usual scale never overrules the dpi
        (4800, "", "Several recorded scales fit"),
        (4800, "C", "C"),
        (4800, "A-device", "A"),
        (600, "", "No valid recorded scale fits 600"),  # expired
        (None, "", "do not state their dpi"),
        (None, "B", "B"),
    ],
)
def test_the_dpi_of_the_scans_chooses_among_recorded_scales(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, dpi: float | None, preferred: str, chosen: str
) -> None:
    scales = [kept("A", 4800), kept("B", 2400), kept("C", 4790), kept("D", 600, "2026-02-01")]
    monkeypatch.setattr(choosing, "recorded_scales", lambda *_: scales)
    images = [picture(tmp_path, "a.png", dpi)]
    with closing(open_registry(tmp_path / "r.sqlite", create=True)) as registry:
        if len(chosen) == 1:
            day = date(2026, 3, 2)
            assert choosing.default_scale(registry, images, day, (preferred,)).name == chosen
        else:
            with pytest.raises(UsageError, match=chosen):
                choosing.default_scale(registry, images, date(2026, 3, 2), (preferred,))
