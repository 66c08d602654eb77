"""Outputs never replace what is no regular file; inputs are regular files within a limit."""

from __future__ import annotations

import json
import os
import socket
import stat
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from program import Program
from sieve_inspect import files
from sieve_inspect.errors import SievewardError, UnreadableImageError, UnwritableOutputError
from sieve_inspect.illumination.model import load_illumination
from sieve_inspect.image.bands import open_source
from sieve_inspect.image.reading import load_scan
from sieve_inspect.scale.model import load_scale
from sieve_inspect.standard.tablefile import read_table
from sieve_registry.errors import ArchiveError
from sieve_registry.exchange import archive, sheets, tables
from sieve_registry.ledger import signing
from sieve_registry.store.evidence import EvidenceStore

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="devices and pipes of POSIX")
NULL = (1, 3)  # the numbers of the null device (Linux, admin-guide/devices.txt)


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Program:
    return Program(monkeypatch, capsys)


@pytest.fixture
def device(tmp_path: Path) -> Path:
    """A null device of our own, so that a fault could only destroy this."""
    path = tmp_path / "null"
    try:
        os.mknod(path, 0o666 | stat.S_IFCHR, os.makedev(*NULL))
    except PermissionError:
        pytest.skip("only root makes devices")
    return path


def test_json_to_a_device_is_written_to_it(run: Program, device: Path) -> None:
    assert run("limits", "75um", "--json", device).code == 0
    assert stat.S_ISCHR(device.stat().st_mode)
    assert [path.name for path in device.parent.iterdir()] == ["null"]


def test_json_to_a_pipe_arrives_and_the_pipe_stays(run: Program, tmp_path: Path) -> None:
    pipe, got = tmp_path / "pipe", list[str]()
    os.mkfifo(pipe)
    reader = threading.Thread(target=lambda: got.append(pipe.read_text()))
    reader.start()
    assert run("limits", "75um", "--json", pipe).code == 0
    reader.join(timeout=10)
    assert json.loads(got[0])["nominal_um"] == 75
    assert stat.S_ISFIFO(pipe.stat().st_mode)


def test_a_link_is_followed_and_stays(run: Program, tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    link, target = tmp_path / "link.json", tmp_path / "there" / "out.json"
    link.symlink_to(target)
    for _ in range(2):  # to a file that is not there yet, then to one that is
        assert run("limits", "75um", "--json", link).code == 0
        assert link.is_symlink()
        assert json.loads(target.read_text())["nominal_um"] == 75
        assert not target.is_symlink()


def test_a_socket_and_a_disk_are_refused(
    run: Program, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "s"
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(path))
        answer = run("limits", "75um", "--json", path)
    assert (answer.code, "a socket" in answer.err) == (23, True)
    monkeypatch.setattr(stat, "S_ISBLK", lambda _mode: True)
    with pytest.raises(UnwritableOutputError, match="a disk"):
        files.check_writable(path)


@pytest.mark.parametrize("kind", ["device", "pipe", "link to nothing"])
def test_a_backup_never_replaces_what_is_there(tmp_path: Path, kind: str) -> None:
    out = tmp_path / "b.zip"
    if kind == "pipe":
        os.mkfifo(out)
    elif kind == "device":
        out.symlink_to("/dev/null")
    else:
        out.symlink_to(tmp_path / "nowhere")
    before = out.lstat()
    with pytest.raises(ArchiveError, match="exists already"):
        archive.export_all(None, out)  # type: ignore[arg-type]
    assert out.lstat().st_ino == before.st_ino


def _evidence(path: Path) -> object:
    return EvidenceStore(path.parent / "kept").stage(path, ".pdf")


READERS: tuple[Callable[[Path], object], ...] = (
    open_source, load_scan, load_scale, load_illumination, read_table, sheets.read_rows,
    tables.read_mapping, archive.prove, archive.read_manifest, _evidence,
    lambda path: signing.sign_head(path, 1, "0" * 64),
)  # fmt: skip


@pytest.mark.parametrize("reader", READERS, ids=lambda one: getattr(one, "__name__", "?"))
@pytest.mark.parametrize("kind", ["pipe", "endless device", "folder"])
def test_an_input_that_is_no_file_is_refused_at_once(
    tmp_path: Path, reader: Callable[[Path], object], kind: str
) -> None:
    """A pipe nobody writes to would wait, /dev/zero would never end."""
    path = tmp_path / "input"
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "folder":
        path.mkdir()
    else:
        path.symlink_to("/dev/zero")
    with pytest.raises(SievewardError):
        reader(path)


COMMANDS = (
    "measure INPUT --nominal 75um --um-per-px 5",
    "compare INPUT INPUT --nominal 75um --um-per-px 5",
    "check S-1 INPUT --um-per-px 5 --by Ada",
    "verify --file INPUT",
    "settings --logo INPUT",
)


@pytest.mark.parametrize("kind", ["pipe", "endless device"])
def test_every_command_refuses_an_input_that_is_no_file(
    run: Program, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    """All that a command reads of a file before it opens it for its work must not wait either."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    registry, path = tmp_path / "r.sqlite", tmp_path / "scan.png"
    if kind == "pipe":
        os.mkfifo(path)
    else:
        path.symlink_to("/dev/zero")
    run("sieve", "add", "S-1", "--nominal", "75um", "--by", "Ada", registry=registry)
    for command in COMMANDS:
        words = command.replace("INPUT", str(path)).split()
        answer = run(*words, registry=registry)
        assert (answer.code != 0, "a device or pipe, not a file" in answer.err) == (True, True)


def test_a_scan_that_is_a_pipe_has_its_sentence(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "scan.png")
    with pytest.raises(UnreadableImageError, match="a device or pipe, not a file"):
        open_source(tmp_path / "scan.png")


@pytest.mark.parametrize("reader", [load_scale, load_illumination])
def test_json_nested_too_deeply_is_refused(
    tmp_path: Path, reader: Callable[[Path], object]
) -> None:
    path = tmp_path / "deep.json"
    path.write_text("[" * 200_000)
    with pytest.raises(SievewardError, match="nested too deeply"):
        reader(path)


def test_a_mapping_nested_too_deeply_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "deep.toml"
    path.write_text("a = " + "[" * 100_000)
    with pytest.raises(SievewardError, match="nested too deeply"):
        tables.read_mapping(path)


def test_a_file_over_the_limit_is_not_read_whole(tmp_path: Path) -> None:
    path = tmp_path / "large.json"
    with path.open("wb") as stream:
        stream.truncate(files.MOST_JSON_BYTES + 1)
    with pytest.raises(SievewardError, match="over 16 MB"):
        load_scale(path)
