"""The folders inspect/ and registry/ never shadow anything; what is installed is what is here."""

from __future__ import annotations

import subprocess
import sys
import sysconfig
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


def from_the_root(*arguments: str) -> str:
    return subprocess.run(
        [sys.executable, *arguments], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.strip()


def test_inspect_is_the_standard_library_s() -> None:
    found = Path(from_the_root("-c", "import inspect; print(inspect.__file__)"))
    assert found.parent == Path(sysconfig.get_path("stdlib"))


def test_pytest_starts_from_the_root() -> None:
    assert from_the_root("-m", "pytest", "--version").startswith("pytest")


@pytest.mark.parametrize("folder", ["inspect", "registry"])
def test_the_container_folders_hold_one_package_each(folder: str) -> None:
    there = sorted(p.name for p in (ROOT / folder).iterdir() if not p.name.startswith("."))
    assert [name for name in there if name != "__pycache__"] == [f"sieve_{folder}"]


def test_test_files_keep_to_the_layout() -> None:
    files = [path for path in (ROOT / "tests").rglob("*.py") if path.name != "conftest.py"]
    names = [path.name for path in files]
    assert "__init__.py" not in names
    assert len(set(names)) == len(names)
    assert not (ROOT / "tests" / "inspect").exists()
