"""Faults: killed at any moment, no room left, many writers, bytes flipped, drives that are shared.

The numbers tried are kept in each test; each test says what it counts as lost.
"""

from __future__ import annotations

import errno
import os
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event as listening

from clock import Clock
from program import Program
from registry_made import SCALE, Measuring, evidence_folder
from sieve_registry.audit import verification
from sieve_registry.checks import commands as check_commands
from sieve_registry.errors import NetworkDriveError, RegistryFileError
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store import heads, location
from sieve_registry.store.engine import Registry, open_registry
from sieve_registry.store.evidence import EvidenceStore
from sieve_registry.store.location import network_system

DATABASES = ("sqlite",)
linux = pytest.mark.skipif(sys.platform != "linux", reason="needs fork and limits of Linux")
WRITING = {
    "open", "os.chmod", "os.link", "os.mkdir", "os.remove", "os.rename", "sqlite3.connect",
    "tempfile.mkstemp",
}  # fmt: skip


def in_child(deed: Callable[..., None]) -> int:
    """Run a deed in a forked process; how it ended: an exit code, or minus the signal."""
    child = os.fork()
    if child == 0:
        try:
            sys.stderr = open(os.devnull, "w")  # noqa: PTH123, SIM115
            deed()
            os._exit(0)
        except RegistryFileError:
            os._exit(31)
        except BaseException:
            os._exit(99)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def a_check(path: Path, scan: Path, clock: Clock, number: int) -> None:
    """A check with evidence nobody has seen before: everything there is to write."""
    scan.write_bytes(f"scan number {number}".encode())
    registry = open_registry(path, now=clock)
    measuring = Measuring(mean_um=75 + number / 1000)
    check_commands.check(
        registry, "S-1", [scan], scale=SCALE, terms=RecordTerms(by="Ada Moss"), measure=measuring
    )
    registry.close()


def kill_at(step: int) -> None:
    """End this process hard at the so-many-th statement or file operation from now on."""
    seen = [0]

    def count(*_: object) -> None:
        seen[0] += 1
        if seen[0] == step:
            os.kill(os.getpid(), signal.SIGKILL)

    def on_audit(name: str, _arguments: object) -> None:
        if name in WRITING:
            count()

    sys.addaudithook(on_audit)
    from sqlalchemy import Engine

    for name in ("before_cursor_execute", "commit"):
        listening.listen(Engine, name, count)


def whole(path: Path, clock: Clock) -> int:
    """The number of events, once the registry is proven to hold together."""
    registry = open_registry(path, now=clock)
    found = verification.verify(registry)
    assert found.findings == ()
    checks = len(sieve_queries.get_history(registry, "S-1").checks)
    registry.close()
    assert checks == found.events - 1
    return found.events


@linux
@pytest.mark.long
def test_killed_at_every_statement_and_file_operation_nothing_is_half_there(
    registry: Registry, add: Callable[..., Any], path: Path, scan: Path, clock: Clock
) -> None:
    add()
    registry.close()
    a_check(path, scan, clock, 0)  # what is imported now is not read again in each child
    before, step, done = whole(path, clock), 0, 0
    while not done:
        step += 1

        def deed(step: int = step) -> None:
            kill_at(step)
            a_check(path, scan, clock, step)

        ended = in_child(deed)
        assert ended in (0, -signal.SIGKILL)
        after = whole(path, clock)
        assert after - before in (0, 1)
        done = ended == 0 and after == before + 1
        before = after
    print(f"kills: {step - 1} tried, none lost")
    assert step > 50  # so many moments were tried


def limited(path: Path, scan: Path, clock: Clock, number: int, most: int, kill: bool) -> int:
    """A check in a process whose files may grow to so many bytes, then a signal or an error."""

    def deed() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_DFL if kill else signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))
        a_check(path, scan, clock, number)

    scan.write_bytes(b"x")
    return in_child(deed)


@pytest.mark.long
@linux
@pytest.mark.parametrize("kill", [True, False], ids=["killed", "disk full"])
def test_stopped_within_every_page_written_nothing_is_half_there(
    registry: Registry, add: Callable[..., Any], path: Path, scan: Path, clock: Clock, kill: bool
) -> None:
    """RLIMIT_FSIZE ends the process, or the write, at a byte we choose: also within a page."""
    add()
    registry.close()
    a_check(path, scan, clock, 0)
    before, tried, recorded = whole(path, clock), 0, 0
    size = path.stat().st_size
    # A page and its head in the log take 4120 bytes: about one limit in each of the first pages.
    for most in [*range(64, 90_000, 4_250), *range(100_000, size + 90_000, 30_000)]:
        tried += 1
        ended = limited(path, scan, clock, tried, most, kill)
        assert ended in ((0, -signal.SIGXFSZ) if kill else (0, 31))
        after = whole(path, clock)
        assert after - before in (0, 1)
        if ended == 0:
            assert after == before + 1
        recorded += after - before
        before = after
    print(f"stops: {tried} tried, {recorded} recorded whole, {tried - recorded} not at all")
    assert recorded >= 1  # the last limits leave room enough
    assert tried > recorded


@linux
def test_no_room_for_evidence_is_one_sentence_and_leaves_nothing(
    registry: Registry,
    add: Callable[..., Any],
    check: Callable[..., Any],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    add()

    def full(handle: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(RegistryFileError, match="No space left"):
        check()
    monkeypatch.undo()
    assert [p for p in evidence_folder(registry).folder.rglob("*") if p.is_file()] == []
    assert verification.verify(registry).ok


WRITER = """
import sys
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.store.engine import open_registry
path, name, count = sys.argv[1:]
registry = open_registry(path, busy_ms=60_000)
for number in range(int(count)):
    sieve_commands.log_use(registry, name, 1, by=name, note=f"{name} {number}")
"""


@pytest.mark.long
def test_eight_writers_of_two_hundred_uses_lose_and_double_no_use(
    target: str, registry: Registry, add: Callable[..., Any]
) -> None:
    names = [f"writer {number}" for number in range(8)]
    for name in names:
        add(name)
    command = [sys.executable, "-c", WRITER, target]
    running = [subprocess.Popen([*command, name, "200"], stderr=subprocess.PIPE) for name in names]
    for process in running:
        assert process.communicate(timeout=240)[1] == b""
        assert process.returncode == 0
    uses = [use for history in sieve_queries.all_histories(registry) for use in history.uses]
    assert len(uses) == 1600
    assert {use.note for use in uses} == {f"{n} {k}" for n in names for k in range(200)}
    found = verification.verify(registry)
    assert (found.ok, found.events) == (True, 1608)


# --- bytes (more in test_flips) ---


def test_a_flipped_byte_in_a_log_not_yet_written_back_is_found(
    registry: Registry, add: Callable[..., Any], path: Path, clock: Clock
) -> None:
    """After a crash the newest events lie in the log; SQLite drops what does not fit silently."""
    add()
    child = os.fork() if sys.platform == "linux" else None
    if child is None:
        pytest.skip("needs fork")
    if child == 0:
        other = open_registry(path, now=clock)
        connection = other.engine.connect()  # keeps the log from being written back
        sieve_commands.log_use(other, "S-1", 1, by="Ada Moss")
        assert connection
        os.kill(os.getpid(), signal.SIGKILL)
    os.waitpid(child, 0)
    log = path.with_name(f"{path.name}-wal")
    data = bytearray(log.read_bytes())
    assert len(data) > 4000
    data[32 + 24 + 500] ^= 1
    log.write_bytes(data)
    path.with_name(f"{path.name}-shm").unlink(missing_ok=True)
    found = verification.verify(open_registry(path, now=clock))
    assert [finding.source for finding in found.findings][:1] == ["chain"]


@linux
@pytest.mark.parametrize(
    ("recorded", "said"),
    [
        (True, "a program was stopped after it had recorded event 2 (use logged: S-1, by Ada"),
        (False, "a program was stopped before it had recorded event 2: record that again"),
    ],
    ids=["after the commit", "before it"],
)
def test_what_a_killed_program_could_not_say_the_next_says_once(
    registry: Registry,
    add: Callable[..., Any],
    path: Path,
    clock: Clock,
    run: Program,
    recorded: bool,
    said: str,
) -> None:
    add()
    registry.close()

    def deed() -> None:
        def kill(*_: object) -> None:
            os.kill(os.getpid(), signal.SIGKILL)

        opened = open_registry(path, now=clock)
        if recorded:
            heads.journal_head = kill  # type: ignore[assignment] # called after the commit
        else:
            listening.listen(opened.engine, "commit", kill)  # called before the commit
        sieve_commands.log_use(opened, "S-1", 3, by="Ada Moss")

    assert in_child(deed) == -signal.SIGKILL
    shown = run("--registry", path, "sieve", "show", "S-1")
    assert f"Note: {said}" in shown.err
    assert run("--registry", path, "sieve", "show", "S-1").err == ""
    assert verification.ledger_head(open_registry(path, now=clock))[0] == 1 + recorded


# --- places ---


MOUNTS = """/dev/sda1 / ext4 rw 0 0
server:/export /home/lab nfs4 rw 0 0
//files/share /mnt/my\\040files cifs rw 0 0
/dev/sdb1 /home/lab/disk xfs rw 0 0
"""


@pytest.mark.parametrize(
    ("path", "system"),
    [
        ("/home/lab/registry.sqlite", "nfs4"),
        ("/mnt/my files/a/registry.sqlite", "cifs"),
        ("/home/lab/disk/registry.sqlite", None),
        ("/home/labor/registry.sqlite", None),
        ("/var/registry.sqlite", None),
    ],
)
def test_a_network_drive_is_known_by_its_mount(
    tmp_path: Path, path: str, system: str | None
) -> None:
    from pathlib import Path

    mounts = tmp_path / "mounts"
    mounts.write_text(MOUNTS)
    assert network_system(Path(path), mounts) == system


def test_a_root_on_9p_is_local_and_without_a_list_no_drive_is_known(tmp_path: Path) -> None:
    from pathlib import Path

    mounts = tmp_path / "mounts"
    mounts.write_text("none / 9p rw 0 0\nshare /mnt/c 9p rw 0 0\n")
    assert network_system(Path("/home/registry.sqlite"), mounts) is None
    assert network_system(Path("/mnt/c/registry.sqlite"), mounts) == "9p"
    assert network_system(Path("/home"), tmp_path / "nowhere") is None


MAC = """/dev/disk3s1s1 on / (apfs, sealed, local, read-only, journaled)
/dev/disk3s5 on /System/Volumes/Data (apfs, local, journaled, nobrowse)
//ada@server/lab on /Volumes/lab (smbfs, nodev, nosuid, mounted by ada)
server:/export on /Users/ada/shared folder (nfs, nodev, nosuid)
"""


@pytest.mark.parametrize(
    ("path", "system"),
    [
        ("/Volumes/lab/registry.sqlite", "smbfs"),
        ("/Users/ada/shared folder/registry.sqlite", "nfs"),
        ("/Users/ada/registry.sqlite", None),
    ],
)
def test_a_network_drive_of_macos_is_known(path: str, system: str | None) -> None:
    from pathlib import Path

    assert location.system_of(Path(path), location.mac_mounts(MAC)) == system


@pytest.mark.parametrize(
    ("path", "system"),
    [
        (r"\\server\lab\registry.sqlite", "network share"),
        ("//server/lab/registry.sqlite", "network share"),
        (r"\\?\UNC\server\lab\registry.sqlite", "network share"),
        (r"Z:\lab\registry.sqlite", "network drive"),
        (r"\\?\Z:\lab\registry.sqlite", "network drive"),
        (r"C:\Users\ada\registry.sqlite", None),
    ],
)
def test_a_network_drive_of_windows_is_known(path: str, system: str | None) -> None:
    def drive_type(root: str) -> int:
        return {"Z:\\": 4, "C:\\": 3}[root]  # DRIVE_REMOTE, DRIVE_FIXED (fileapi.h)

    assert location.windows_system(path, drive_type) == system


@pytest.mark.parametrize(
    "system", ["vboxsf", "virtiofs", "fuse.gvfsd-fuse", "fuse.gcsfuse", "gpfs", "davfs", "afs"]
)
def test_further_shared_drives_are_known(tmp_path: Path, system: str) -> None:
    from pathlib import Path

    mounts = tmp_path / "mounts"
    mounts.write_text(f"share /mnt/x {system} rw 0 0\n")
    assert network_system(Path("/mnt/x/registry.sqlite"), mounts) == system


@pytest.mark.parametrize("create", [True, False])
def test_a_registry_on_a_network_drive_is_refused_with_a_reason(
    path: Path, monkeypatch: pytest.MonkeyPatch, create: bool
) -> None:
    monkeypatch.setattr("sieve_registry.store.engine.network_system", lambda _: "nfs4")
    with pytest.raises(NetworkDriveError, match=r"nfs4.*write-ahead log.*PostgreSQL"):
        open_registry(path, create=create)
    assert not path.parent.exists()


def test_what_a_killed_program_left_is_swept_but_not_what_is_under_way(tmp_path: Path) -> None:
    store = EvidenceStore(tmp_path / "evidence")
    store.folder.mkdir()
    left, fresh = store.folder / ".incoming-old", store.folder / ".incoming-new"
    for file in (left, fresh):
        file.write_bytes(b"half")
    long_ago = time.time() - 3 * 24 * 3600
    os.utime(left, (long_ago, long_ago))
    store.discard(store.stage(b"x", ".txt"))
    assert [p.name for p in store.folder.iterdir()] == [fresh.name]


def test_an_unforeseen_fault_is_one_sentence(run: Program, monkeypatch: pytest.MonkeyPatch) -> None:
    def fall_over(*_: object) -> None:
        raise ZeroDivisionError("division by zero\nand more")

    run("sieve", "add", "S-1", "--nominal", "75um")
    monkeypatch.setattr("sieve_registry.sieves.queries.due", fall_over)
    answer = run("due")
    assert (answer.code, answer.out, answer.err.count("\n")) == (49, "", 1)
    assert "ZeroDivisionError: division by zero and more" in answer.err
    monkeypatch.setenv("SIEVEWARD_DEBUG", "1")
    with pytest.raises(ZeroDivisionError):
        run("due")
