"""What the tests of one run make once and share, also between its workers.

Everything lies in one folder of the run and is read only: a test copies what it changes.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import pickle
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

import pytest

from sieve_inspect.image import light as scan_light
from sieve_inspect.measurement import pipeline, scan_task
from sieve_inspect.measurement.picture import Picture
from sieve_inspect.measurement.scan_task import Task, cached_picture, measure_picture
from sieve_inspect.workers import own_key
from sieve_inspect.workers.cache import CacheKey, ResultCache
from sieve_inspect.workers.runner import in_task_order

T = TypeVar("T")


def run_folder(factory: pytest.TempPathFactory) -> Path:
    """The folder of this run that all of its workers see."""
    base = factory.getbasetemp()
    folder = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "shared"
    folder.mkdir(exist_ok=True)
    return folder


@contextmanager
def locked(file: Path) -> Iterator[None]:
    """One process at a time; the lock of a process that dies is free again."""
    with file.open("w") as stream:
        fcntl.flock(stream, fcntl.LOCK_EX)
        yield


def made_once(folder: Path, name: str, make: Callable[[Path], T]) -> T:
    """What `make` returns, given an empty folder `name` to fill.

    The first process that asks makes it, the others wait and read the value from its file.
    """
    file = folder / f"{name}.pickle"
    with locked(folder / f"{name}.lock"):
        if not file.exists():
            shutil.rmtree(folder / name, ignore_errors=True)
            (folder / name).mkdir()
            value = make(folder / name)
            fresh = file.with_suffix(".fresh")
            fresh.write_bytes(pickle.dumps(value))
            fresh.replace(file)
            return value
        stored: T = pickle.loads(file.read_bytes())
        return stored


def share_pictures(patch: pytest.MonkeyPatch, folder: Path) -> None:
    """Let each picture be measured once in this run: by file content and settings.

    For tests of what is made of a measurement, not for tests of measuring.
    """
    usual = scan_light.HELD_UP_TO

    def key(task: Task) -> CacheKey | None:
        found = scan_task.cache_key(task)
        if found is None or usual != scan_light.HELD_UP_TO:
            return None
        digest = hashlib.sha256(json.dumps(found.settings).encode()).hexdigest()
        return replace(found, file=f"{digest}.kept")

    # Processes of a run have state folders of their own, but keep results for each other.
    patch.setattr(own_key, "_key_file", lambda: folder / "results.key")
    cache = ResultCache[Task, Picture](folder / "pictures", key, cached_picture, lambda _: None)

    def measured(task: Task, tell: Callable[[float], None] = lambda _: None) -> Picture:
        (picture,) = in_task_order(cache(measure_picture, [task], lambda _, share: tell(share)))
        return picture

    patch.setattr(pipeline, "measure_picture", measured)


def share_results(function: Callable[..., T]) -> Callable[..., T]:
    """The function with its results kept in this process: by arguments and contents of files."""
    kept: dict[bytes, bytes] = {}

    def shared(*arguments: Any, **options: Any) -> T:
        files = [
            hashlib.sha256(path.read_bytes()).hexdigest()
            for group in (*arguments, *options.values())
            for path in (group if isinstance(group, list | tuple) else [group])
            if isinstance(path, Path)
        ]
        options.pop("progress", None)  # a call back: nobody waits
        key = pickle.dumps((files, arguments, options))
        if key not in kept:
            kept[key] = pickle.dumps(function(*arguments, **options))
        result: T = pickle.loads(kept[key])
        return result

    return shared
