"""Stopped from the keyboard at an awkward moment, the program still ends as it says."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

WHILE_LOADING = """
import sys
class Stop:
    def find_spec(self, name, path=None, target=None):
        if name == {name!r}:
            raise KeyboardInterrupt
sys.meta_path.insert(0, Stop())
sys.argv = ["sieveward", "limits", "75um"]
from sieve_registry.cli.start import main
main()
"""

WHILE_WORKERS_START = """
import os, signal
from multiprocessing import resource_tracker
from sieve_inspect.workers.cluster import _uninterrupted
signal.signal(signal.SIGINT, signal.default_int_handler)  # begun behind a shell it is ignored
try:
    with _uninterrupted():
        os.kill(os.getpid(), signal.SIGINT)
        resource_tracker.ensure_running()  # as the first process started does
        print("waits")
except KeyboardInterrupt:
    print("heard")
"""


def ran(code: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)


@pytest.mark.parametrize(
    "name", ["typer", "sieve_registry.cli.main", "sieve_registry.cli.commands.wear"]
)
def test_an_interrupt_while_the_program_loads(name: str) -> None:
    done = ran(WHILE_LOADING.format(name=name))
    assert done.returncode == 130
    assert done.stderr == "sieveward: Stopped before the command began.\n"


def test_the_command_starts_in_that_module() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["scripts"] == {"sieveward": "sieve_registry.cli.start:main"}


@pytest.mark.skipif(sys.platform == "win32", reason="signals cannot be held back there")
def test_while_workers_start() -> None:
    done = ran(WHILE_WORKERS_START)
    assert done.stdout.split() == ["waits", "heard"], done.stderr
