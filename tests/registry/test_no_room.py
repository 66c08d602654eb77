"""Full and read-only disks: reading works, nothing is changed, recording is refused beforehand."""

from __future__ import annotations

import os
import resource
import shutil
import signal
import stat
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from clock import Clock
from sieve_registry.audit import verification
from sieve_registry.errors import RegistryFileError
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.store import reading_mode
from sieve_registry.store.engine import Registry, open_registry
from sieve_registry.store.evidence import EvidenceStore

DATABASES = ("sqlite",)
posix = pytest.mark.skipif(sys.platform == "win32", reason="limits and rights of POSIX")


def listing(path: Path) -> dict[str, tuple[int, bytes]]:
    """Rights and content of everything beside the registry."""
    files = [file for file in path.parent.iterdir() if file.is_file()]
    return {f.name: (stat.S_IMODE(f.stat().st_mode), f.read_bytes()) for f in files}


@pytest.fixture
def filled(registry: Registry, add: Callable[..., Any], path: Path) -> Path:
    add()
    sieve_commands.log_use(registry, "S-1", 3, by="Ada Moss")
    registry.close()
    return path


@pytest.fixture
def logged(filled: Path, tmp_path: Path, clock: Clock) -> Path:
    """A copy whose last event lies in the write-ahead log alone, as after a crash."""
    copy = tmp_path / "crashed" / filled.name
    copy.parent.mkdir()
    other = open_registry(filled, now=clock)
    with other.engine.connect():  # keeps the log from being written back
        sieve_commands.log_use(other, "S-1", 4, by="Ada Moss")
        for name in (filled.name, f"{filled.name}-wal"):
            shutil.copy(filled.with_name(name), copy.with_name(name))
    other.close()  # there the log is written back
    assert reading_mode.log_waits(copy)
    return copy


def uses(path: Path, clock: Clock) -> int:
    registry = open_registry(path, now=clock)
    try:
        return sieve_queries.get_state(registry, "S-1").uses_total
    finally:
        registry.close()


def full(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reading_mode, "space_left", lambda _folder: 0)


@pytest.mark.parametrize("how", ["disk full", "read-only file", "read-only folder"])
@pytest.mark.parametrize("place", ["filled", "logged"])
def test_reading_works_and_leaves_all_as_it_was(
    filled: Path,
    logged: Path,
    monkeypatch: pytest.MonkeyPatch,
    clock: Clock,
    how: str,
    place: str,
) -> None:
    path = filled if place == "filled" else logged
    if how == "disk full":
        full(monkeypatch)
    elif how == "read-only file":
        path.chmod(0o444)
    else:
        real = os.access
        monkeypatch.setattr(os, "access", lambda p, mode: mode != os.W_OK and real(p, mode))
    before = listing(path)
    assert uses(path, clock) == 7
    assert listing(path) == before


@posix
def test_reading_works_where_no_byte_can_be_written(filled: Path) -> None:
    """A process whose files may not grow at all: what SQLite needs beside the file fails."""
    code = (
        "import resource, signal, sys; from sieve_registry.cli.main import main; "
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN); "
        "resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0)); "
        "sys.argv = ['sieveward', '--registry', sys.argv[1], 'sieve', 'show', 'S-1']; main()"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(filled)], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "S-1" in done.stdout
    assert resource.RLIMIT_FSIZE >= 0
    assert signal.SIGXFSZ


def test_recording_on_a_full_disk_is_refused_before_it_begins(
    filled: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    registry = open_registry(filled, now=clock)
    full(monkeypatch)
    with pytest.raises(RegistryFileError, match=r"only 0\.0 MB are free.*recording needs 4 MB"):
        sieve_commands.log_use(registry, "S-1", 3, by="Ada Moss")
    monkeypatch.undo()
    assert verification.verify(registry).events == 2
    registry.close()


@posix
def test_a_file_that_was_read_only_for_a_while_can_be_written_again(
    filled: Path, clock: Clock
) -> None:
    """An earlier version left its log and shared memory read-only for good."""
    for ending in ("-wal", "-shm"):
        beside = filled.with_name(f"{filled.name}{ending}")
        beside.write_bytes(b"")
        beside.chmod(0o444)
    registry = open_registry(filled, now=clock)
    sieve_commands.log_use(registry, "S-1", 3, by="Ada Moss")
    for ending in ("-wal", "-shm"):
        beside = filled.with_name(f"{filled.name}{ending}")
        assert not beside.exists() or beside.stat().st_mode & stat.S_IWUSR
    registry.close()
    assert uses(filled, clock) == 6


@posix
def test_what_a_killed_writer_staged_is_removed_by_the_next(tmp_path: Path) -> None:
    code = (
        "import os, signal, sys; from pathlib import Path; "
        "from sieve_registry.store.evidence import EvidenceStore; "
        "EvidenceStore(Path(sys.argv[1])).stage(b'half', '.tif'); os.kill(os.getpid(), 9)"
    )
    subprocess.run([sys.executable, "-c", code, str(tmp_path)], check=False)
    assert len(list(tmp_path.iterdir())) == 1
    store = EvidenceStore(tmp_path)
    ours = store.stage(b"whole", ".tif")
    other = store.stage(b"of another thread", ".tif")
    assert {path.name for path in tmp_path.iterdir()} == {
        ours.temporary.name, other.temporary.name
    }  # fmt: skip
