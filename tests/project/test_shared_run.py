"""What the tests of one run share is made once, and is the same for all that ask."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from shared_run import made_once, share_results


def test_what_several_ask_for_at_once_is_made_once(tmp_path: Path) -> None:
    """A lock on a file holds between threads as it does between processes."""
    made: list[Path] = []

    def make(folder: Path) -> list[int]:
        time.sleep(0.05)
        (folder / "file.txt").write_text("made")
        made.append(folder)
        return [1, 2]

    with ThreadPoolExecutor(4) as pool:
        values = list(pool.map(lambda _: made_once(tmp_path, "thing", make), range(4)))
    assert made == [tmp_path / "thing"]
    assert values == [[1, 2]] * 4
    assert (tmp_path / "thing" / "file.txt").read_text() == "made"


def test_what_failed_is_begun_anew_in_an_empty_folder(tmp_path: Path) -> None:
    def fail(folder: Path) -> None:
        (folder / "half.txt").write_text("half")
        raise OSError("no space")

    with pytest.raises(OSError, match="no space"):
        made_once(tmp_path, "thing", fail)
    assert made_once(tmp_path, "thing", lambda folder: list(folder.iterdir())) == []


def test_results_are_kept_by_arguments_and_by_the_content_of_files(tmp_path: Path) -> None:
    calls: list[str] = []

    def read(paths: list[Path], word: str = "") -> list[str]:
        calls.append(word)
        return [path.read_text() + word for path in paths]

    shared = share_results(read)
    path = tmp_path / "a.txt"
    path.write_text("one")
    first = shared([path])
    first.append("changed by a test")
    assert shared([path]) == ["one"]
    assert shared([path], word="!") == ["one!"]
    path.write_text("two")
    assert shared([path]) == ["two"]
    assert calls == ["", "!", ""]
