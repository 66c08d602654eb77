"""Interrupted runs go on where they were, leave nothing half-written, and tell how far they are."""

from __future__ import annotations

import io
import json
import os
import pickle
import stat
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from program import Answer, Program
from sieve_inspect.apertures.flags import State
from sieve_inspect.files import write_pieces
from sieve_inspect.image import Box
from sieve_inspect.measurement import pipeline as measuring
from sieve_inspect.measurement.picture import Picture
from sieve_inspect.measurement.scan_task import Task, measure_picture
from sieve_inspect.synthetic.truth import Truth
from sieve_inspect.workers import own_key
from sieve_inspect.workers.cache import CacheKey, ResultCache, _sealed
from sieve_inspect.workers.own_key import sealed_by
from sieve_inspect.workers.runner import in_task_order
from sieve_registry.cli.support import running

TYPED = ("--nominal", "150um", "--um-per-px", "10")


@pytest.fixture
def measured(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """Names of the scans measured, and the number of the measurement that is interrupted."""
    seen: dict[str, Any] = {"names": [], "stop": 0}

    def watched(task: Task, tell: Callable[..., Any]) -> Picture:
        seen["names"].append(task.path.name)
        if len(seen["names"]) == seen["stop"]:
            raise KeyboardInterrupt
        return measure_picture(task, tell)

    monkeypatch.setattr(measuring, "measure_picture", watched)
    return seen


@pytest.fixture
def run_again(
    program: Program, cloths: dict[str, tuple[Path, Truth]], tmp_path: Path
) -> Callable[..., tuple[Answer, dict[str, bytes]]]:
    """Measure two scans with what is kept; the end of the program and what was written."""
    scans = [cloths[name][0] for name in ("clean", "torn")]

    def run(*options: Path | str) -> tuple[Answer, dict[str, bytes]]:
        out = tmp_path / "out"
        out.mkdir(exist_ok=True)
        files = ("--apertures", out / "a.csv", "--json", out / "j")
        ended = program("measure", *scans, *TYPED, *files, *options)
        written = {path.name: path.read_bytes() for path in out.iterdir()}
        for path in out.iterdir():
            path.unlink()
        return ended, written

    return run


def test_an_interrupted_run_goes_on_where_it_was(
    run_again: Callable[..., tuple[Answer, dict[str, bytes]]],
    measured: dict[str, Any],
    tmp_path: Path,
) -> None:
    kept = ("--resume", tmp_path / "kept")
    measured["stop"] = 2
    ended, written = run_again(*kept)
    assert ended.code == 130
    assert ended.err.startswith("sieveward: Stopped")
    assert ended.err.count("\n") == 1
    assert written == {}
    measured.update(names=[], stop=0)
    ended, written = run_again(*kept)
    assert (ended.code, ended.err) == (0, "")
    assert measured["names"] == ["torn.png"]
    measured.update(names=[])
    assert run_again(*kept)[1] == written
    assert measured["names"] == []
    assert run_again()[1] == written  # with nothing kept


def test_cached_results_that_are_damaged_or_of_other_settings_are_measured_again(
    run_again: Callable[..., tuple[Answer, dict[str, bytes]]],
    measured: dict[str, Any],
    tmp_path: Path,
) -> None:
    folder = tmp_path / "kept"
    written = run_again("--resume", folder)[1]
    stored = min(folder.iterdir())
    content = stored.read_bytes()
    for place in (3, len(content) // 2):
        flipped = bytearray(content)
        flipped[place] ^= 16
        stored.write_bytes(flipped)
        measured.update(names=[])
        ended, again = run_again("--resume", folder)
        assert len(measured["names"]) == 1
        assert "measuring it again" in ended.err
        assert again == written
        assert stored.read_bytes() == content
    ended, _ = run_again("--resume", folder, "--encoding", "srgb")
    assert ended.code == 0
    assert ended.err.count("other settings or another version") == 2


def cache_of(folder: Path, remarks: list[str]) -> tuple[ResultCache[int, Any], CacheKey]:
    """A cache of one result, which is used whatever it is."""
    mark = CacheKey("one.kept", "one", {})
    return (
        ResultCache(folder, lambda _: mark, lambda result, *_: result, remarks.append),
        mark,
    )


def again(kept: ResultCache[int, Any]) -> list[Any]:
    """The one result, as kept or made again."""
    return in_task_order(kept(lambda task, _: task, [7], lambda *_: None))


class Forged:
    """Makes a folder when it is unpickled."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def __reduce__(self) -> tuple[Callable[..., None], tuple[str]]:
        return os.mkdir, (str(self.folder),)


def test_what_is_kept_comes_back_to_the_bit(tmp_path: Path) -> None:
    remarks: list[str] = []
    kept, mark = cache_of(tmp_path, remarks)
    values = np.array([0.1, np.nan, -0.0]), Box(1, 2, 3, 4), Path("a"), float("inf"), np.float32(3)
    kept._write(mark, (values, [State.OK, None, {"a": (1, "µ")}]))
    first, rest = again(kept)[0]
    assert first[0].tobytes() == values[0].tobytes()
    assert (first[1], type(first[1])) == (Box(1, 2, 3, 4), Box)
    assert first[2:] == values[2:]
    assert type(first[4]) is np.float32
    assert rest == [State.OK, None, {"a": (1, "µ")}]
    assert remarks == []


def test_objects_are_not_kept(tmp_path: Path) -> None:
    remarks: list[str] = []
    kept, mark = cache_of(tmp_path / "kept", remarks)
    kept.folder.mkdir()
    for result in (Forged(tmp_path / "run"), np.array([Forged(tmp_path / "run")], object)):
        kept._write(mark, result)
    assert again(kept) == [7]
    assert not (tmp_path / "run").exists()
    assert [text for text in remarks if "cannot be kept" not in text] == []


@pytest.mark.parametrize("how", ["pickle", "array of objects", "class of another package", "shape"])
def test_a_forged_result_is_refused_even_with_the_users_own_seal(tmp_path: Path, how: str) -> None:
    """The array of objects made an earlier version read freed memory."""
    remarks: list[str] = []
    kept, mark = cache_of(tmp_path, remarks)
    run = tmp_path / "run"
    array = io.BytesIO()
    objects = np.array([Forged(run)], object)
    np.lib.format.write_array(array, objects, allow_pickle=True)
    huge = (
        b"\x93NUMPY\x01\x00v\x00"
        + b"{'descr': '<f8', 'fortran_order': False, 'shape': (10**14,), }"
    )
    body = {
        "pickle": pickle.dumps(Forged(run)),
        "array of objects": b'11\n{"array":0}' + array.getvalue(),
        "class of another package": b'36\n{"record":["subprocess:Popen",{}]}  ',
        "shape": b'11\n{"array":0}' + huge.ljust(138) + b"\n",
    }[how]
    seal = sealed_by(_sealed(mark.header(), body))
    header = json.dumps({**mark.header(), "seal": seal}).encode()
    (tmp_path / mark.file).write_bytes(header + b"\n" + body)
    assert again(kept) == [7]
    assert not run.exists()
    assert ["is damaged" in text for text in remarks] == [True]


def test_a_result_that_another_user_stored_is_measured_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    remarks: list[str] = []
    kept, mark = cache_of(tmp_path / "kept", remarks)
    kept.folder.mkdir()
    kept._write(mark, 8)
    assert again(kept) == [8]
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "other"))
    assert again(kept) == [7]
    assert ["not stored by this user" in text for text in remarks] == [True]
    if os.name == "posix":
        assert stat.S_IMODE(own_key._key_file().stat().st_mode) == 0o600


def test_a_folder_that_cannot_be_made(
    run_again: Callable[..., tuple[Answer, dict[str, bytes]]], tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("x", encoding="utf-8")
    assert run_again("--resume", tmp_path / "file")[0].code == 23


def test_an_interrupt_while_writing_leaves_nothing(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(b"before")

    def pieces() -> Iterator[bytes]:
        yield b"begun"
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_pieces(path, pieces())
    assert [p.name for p in tmp_path.iterdir()] == ["a.csv"]
    assert path.read_bytes() == b"before"


def test_the_limit_on_megapixels_can_be_set(
    run_again: Callable[..., tuple[Answer, dict[str, bytes]]],
) -> None:
    ended, written = run_again("--max-megapixels", "0.1")
    assert (ended.code, written) == (14, {})


class Screen(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_progress_is_shown_on_a_terminal_once_it_takes_a_while(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    for after, shows in ((0.0, True), (60.0, False)):
        screen = Screen()
        monkeypatch.setattr(sys, "stderr", screen)
        monkeypatch.setattr(running, "_APPEARS_AFTER_S", after)
        with running.progress("Measuring", 4) as progress:
            progress(0, 1.0)
            progress(2, 0.5)
            deadline = time.monotonic() + 5
            while shows and "left" not in screen.getvalue() and time.monotonic() < deadline:
                time.sleep(0.01)
        assert ("Measuring, 1 of 4 done" in screen.getvalue()) == shows
        assert ("38%" in screen.getvalue()) == shows  # 1.5 of 4
