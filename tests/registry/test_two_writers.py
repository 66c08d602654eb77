"""Two programs at once: nothing is lost, and the chain stays whole."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

from sieve_registry.audit import verification
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.store import engine

DATABASES = ("sqlite",)  # what only a file can suffer

WRITER = """
import sys
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.store.engine import open_registry
from sieve_registry.ledger.records import NewSieve
path, name = sys.argv[1:]
registry = open_registry(path, create=True, busy_ms=30_000)
sieve_commands.add_sieve(registry, NewSieve(name, 75.0), by=name)
for number in range(25):
    sieve_commands.log_use(registry, name, 1, by=name)
"""


def test_two_processes_writing_at_once_lose_nothing(path: Path) -> None:
    names = ("left", "right")
    running = [
        subprocess.Popen([sys.executable, "-c", WRITER, str(path), name], stderr=subprocess.PIPE)
        for name in names
    ]
    for process in running:
        assert process.communicate(timeout=60)[1] == b""
        assert process.returncode == 0
    registry = engine.open_registry(path)
    assert [sieve_queries.get_state(registry, name).uses_total for name in names] == [25, 25]
    found = verification.verify(registry)
    assert (found.ok, found.events) == (True, 52)


def test_a_writer_killed_at_any_moment_leaves_a_sound_registry(path: Path) -> None:
    """Ended hard (POSIX SIGKILL) at a moment nobody chose: each use is there whole, or not."""
    for number in range(3):
        endless = WRITER.replace("range(25)", "range(10**6)").replace("1, by", "2, by")
        process = subprocess.Popen([sys.executable, "-c", endless, str(path), f"S-{number}"])
        while not path.exists() or not has_uses(path, f"S-{number}"):
            time.sleep(0.02)
        time.sleep(0.013 * number)
        process.kill()
        process.wait()
    registry = engine.open_registry(path)
    found = verification.verify(registry)
    assert found.ok
    uses = sum(state.uses_total for state in sieve_queries.states(registry))
    assert found.events == 3 + uses // 2


def has_uses(path: Path, name: str) -> bool:
    histories = sieve_queries.all_histories(engine.open_registry(path))
    return any(h.uses for h in histories if h.sieve.id == name)
