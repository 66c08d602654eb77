"""Outputs that would destroy something, or cannot be written, are refused before measuring."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import Any

import pytest

from program import Program
from sieve_inspect.measurement import pipeline as measuring
from sieve_inspect.synthetic.truth import Truth

TYPED = ("--nominal", "150um", "--um-per-px", "10")


@pytest.fixture
def unmeasured(monkeypatch: pytest.MonkeyPatch) -> None:
    """Measuring at all is a failure."""

    def never(*_arguments: object, **_options: Any) -> None:
        raise AssertionError("measured")

    monkeypatch.setattr(measuring, "measure", never)


@pytest.fixture
def folder(
    cloths: dict[str, tuple[Path, Truth]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Path:
    """The working folder, with two scans, a scale, and other names of them."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "scan.png").write_bytes(cloths["clean"][0].read_bytes())
    (tmp_path / "scan-2.png").write_bytes(cloths["dirty"][0].read_bytes())
    scale = {"schema": "sieveward.scale/1", "um_per_px_x": 10, "um_per_px_y": 10}
    (tmp_path / "scale.json").write_text(json.dumps({**scale, "u_rel_x": 0, "u_rel_y": 0}))
    (tmp_path / "sub").mkdir()
    return tmp_path


def contents(folder: Path) -> dict[Path, bytes]:
    return {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}


OVERWRITTEN = [
    *((option, "scan.png") for option in ("--apertures", "--overlay", "--json")),
    ("--overlay", "sub/../scan.png"),
    ("--overlay", "linked.png"),
    ("--overlay", "twin.png"),
    ("--overlay", "folder/scan.png"),
]


@pytest.mark.parametrize(("option", "name"), OVERWRITTEN)
def test_a_scan_is_never_overwritten(
    program: Program, folder: Path, unmeasured: None, option: str, name: str
) -> None:
    try:
        (folder / "linked.png").symlink_to("scan.png")
        (folder / "folder").symlink_to(".")
    except OSError:
        pytest.skip("no links here")
    os.link("scan.png", "twin.png")
    before = contents(folder)
    ended = program("measure", "scan.png", *TYPED, option, name)
    assert ended.code == 2
    assert ended.err.count("\n") == 1
    assert f"{option} {name} would overwrite the scan scan.png" in ended.err
    assert contents(folder) == before


def test_nor_is_what_a_link_given_as_scan_leads_to(
    program: Program, folder: Path, unmeasured: None
) -> None:
    try:
        (folder / "given.png").symlink_to("scan.png")
    except OSError:
        pytest.skip("no links here")
    before = contents(folder)
    ended = program("measure", "given.png", *TYPED, "--overlay", "scan.png")
    assert (ended.code, contents(folder)) == (2, before)


def test_nor_is_a_scan_by_a_numbered_name(program: Program, folder: Path, unmeasured: None) -> None:
    ended = program("measure", "scan.png", "scan-2.png", *TYPED, "--overlay", "sub/../scan.png")
    assert ended.code == 2
    (folder / "other.png").write_bytes((folder / "scan.png").read_bytes() + b" ")
    ended = program("measure", "other.png", "scan-2.png", *TYPED, "--overlay", "scan.png")
    assert "--overlay scan-2.png would overwrite the scan scan-2.png" in ended.err


def test_nor_is_the_scale(program: Program, folder: Path, unmeasured: None) -> None:
    typed = ("--nominal", "150um", "--scale", "scale.json", "--json", "./scale.json")
    ended = program("measure", "scan.png", *typed)
    assert ended.code == 2
    assert "would overwrite the scale scale.json" in ended.err


@pytest.mark.parametrize(
    "options",
    [
        ("--apertures", "out", "--json", "out"),
        ("--apertures", "sub/out", "--json", "sub/../sub/out"),
        ("--overlay", "o.png", "--apertures", "o-2.png"),
    ],
)
def test_two_outputs_are_two_files(
    program: Program, folder: Path, unmeasured: None, options: tuple[str, str, str, str]
) -> None:
    ended = program("measure", "scan.png", "scan-2.png", *TYPED, *options)
    assert ended.code == 2
    assert "would both be written" in ended.err


@pytest.mark.parametrize("place", ["none/file.png", "sub", "scan.png/file.png"])
@pytest.mark.parametrize("option", ["--apertures", "--json"])
def test_a_place_that_cannot_be_written_is_reported_first(
    program: Program, folder: Path, unmeasured: None, option: str, place: str
) -> None:
    ended = program("measure", "scan.png", *TYPED, option, place)
    assert ended.code == 23
    assert ended.err.count("\n") == 1


@pytest.mark.skipif(
    sys.platform == "win32" or getattr(os, "geteuid", lambda: 0)() == 0,
    reason="rights of folders do not bind this user",
)
def test_a_folder_without_write_access_is_reported_first(
    program: Program, folder: Path, unmeasured: None
) -> None:
    (folder / "sub").chmod(0o500)
    try:
        ended = program("measure", "scan.png", *TYPED, "--apertures", "sub/a.csv")
    finally:
        (folder / "sub").chmod(0o700)
    assert ended.code == 23


def test_an_existing_file_is_replaced(program: Program, folder: Path) -> None:
    (folder / "a.csv").write_text("old")
    assert program("measure", "scan.png", *TYPED, "--apertures", "a.csv").code == 0
    assert (folder / "a.csv").read_text().startswith("image,")
    assert not [p for p in folder.iterdir() if p.name.startswith(".")]


@pytest.mark.parametrize(("option", "kind"), [("--overlay", "png"), ("--map", "svg")])
def test_a_picture_must_be_named_by_its_kind(
    program: Program, folder: Path, unmeasured: None, option: str, kind: str
) -> None:
    ended = program("measure", "scan.png", *TYPED, option, "picture.jpg")
    assert ended.code == 2
    assert f"end 'picture.jpg' with .{kind}" in ended.err


@pytest.mark.parametrize(
    "typed",
    [
        ("sieve", "list", "--json"),
        ("due", "--json"),
        ("measure", "scan.png", *TYPED, "--apertures"),
    ],
)
def test_a_registry_is_no_output(
    program: Program, folder: Path, unmeasured: None, typed: tuple[str, ...]
) -> None:
    name = "kept.sqlite"
    added = program("--registry", name, "sieve", "add", "S-1", "--nominal", "150um")
    assert added.code == 0
    before = contents(folder)
    ended = program("--registry", name, *typed, name)
    assert ended.code == 23
    assert "it is a registry; name another file" in ended.err
    assert contents(folder)[folder / name] == before[folder / name]
