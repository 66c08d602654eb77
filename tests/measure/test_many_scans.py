"""Many scans spread over processes: whoever measured them, the same bytes come out."""

from __future__ import annotations

import importlib.util
import pickle
import string
import warnings
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from PIL import Image

from program import Program
from sieve_inspect import errors
from sieve_inspect.errors import (
    ClusterError,
    SievewardError,
    UsageError,
)
from sieve_inspect.image import light as scan_light
from sieve_inspect.image.bands import ScanSource
from sieve_inspect.measurement import scan_task
from sieve_inspect.measurement.scan_task import Task, measure_picture
from sieve_inspect.scale import scale_from_text
from sieve_inspect.synthetic.truth import Truth
from sieve_inspect.validation import RowTask, tasks_of
from sieve_inspect.validation.model import Row
from sieve_inspect.validation.run import run_row
from sieve_inspect.workers import cluster, runner
from sieve_inspect.workers.runner import ExecutorRunner, Runner, in_task_order, run_serially
from sieve_inspect.workers.shared_work import SharedWork
from sieve_inspect.workers.software import software
from sieve_registry import errors as registry_errors
from sieve_registry.scales.errors import TemperatureError

TYPED = ("--nominal", "150um", "--um-per-px", "10", "--standard", "iso3310-1:2016")


@pytest.fixture(scope="module")
def scans(cloths: dict[str, tuple[Path, Truth]], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with three scans, one of them a JPEG, and two files that are none."""
    folder = tmp_path_factory.mktemp("scans")
    for name in ("clean", "dirty"):
        (folder / f"{name}.png").write_bytes(cloths[name][0].read_bytes())
    with Image.open(cloths["clean"][0]) as picture:
        picture.rotate(90, expand=True).save(folder / "turned.jpg", quality=95)
    (folder / "bad.png").write_bytes(b"")
    (folder / "worse.png").write_bytes(b"no picture")
    return folder


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    """A cluster of one worker process on this computer."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # port 8787 may be in use
        distributed = pytest.importorskip("distributed")
        with distributed.LocalCluster(n_workers=1, threads_per_worker=2) as there:
            yield there.scheduler_address


@pytest.fixture
def typed(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], scans: Path
) -> Program:
    """Runs `sieveward ARGUMENTS` among the scans; what workers print counts as printed."""
    monkeypatch.chdir(scans)
    return Program(monkeypatch, capfd)


@pytest.mark.long
def test_serial_two_workers_and_a_cluster_write_the_same_files(
    typed: Program, address: str, tmp_path: Path
) -> None:
    ways = {"serial": (), "workers": ("--workers", 2), "cluster": ("--cluster", address)}
    written = {}
    for way, options in ways.items():
        folder = tmp_path / way
        folder.mkdir()
        files = ("--apertures", folder / "a.csv", "--overlay", folder / "o.png")
        scans = ("clean.png", "turned.jpg", "dirty.png")
        code, _, printed = typed(
            "measure", *scans, *TYPED, *options, *files, "--json", folder / "j.json"
        )
        assert (printed, code) == ("", 0), way
        written[way] = {path.name: path.read_bytes() for path in folder.iterdir()}
    assert set(written["serial"]) == {"a.csv", "j.json", "o.png", "o-2.png", "o-3.png"}
    assert written["workers"] == written["serial"]
    assert written["cluster"] == written["serial"]


def test_the_first_scan_that_fails_is_reported_in_the_same_words(
    typed: Program, address: str
) -> None:
    for options in ((), ("--cluster", address)):
        failed = typed("measure", "dirty.png", "bad.png", "worse.png", *TYPED, *options)
        assert failed == (11, "", f"sieveward: {errors.EmptyFileError(file='bad.png')}\n")


@pytest.mark.long
def test_rows_of_a_validation_are_the_same_in_workers(address: str) -> None:
    rows = [task for task in tasks_of(True) if task.group == "refusal"][:3]
    here = in_task_order(run_serially(run_row, rows))
    on_cluster: Runner[RowTask, Row] = cluster.runner(cluster=address)
    there = in_task_order(on_cluster(run_row, rows, runner.no_progress))
    assert [replace(row, seconds=0) for row in there] == [replace(row, seconds=0) for row in here]
    assert all(row.holds for row in here)


def test_a_cluster_of_another_version_is_refused(
    address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = {**software(), "numpy": "0.1"}
    monkeypatch.setattr(runner, "software", lambda: other)
    run: Runner[RowTask, Row] = cluster.runner(cluster=address)
    with pytest.raises(ClusterError, match="another version of numpy"):
        list(run(run_row, tasks_of(True)[:1], runner.no_progress))


@pytest.mark.parametrize(
    ("options", "code", "words"),
    [
        (("--workers", 2, "--cluster", "tcp://127.0.0.1:1"), 2, "not both"),
        (("--cluster", "127.0.0.1:1"), 2, "tcp://HOST:PORT"),
        (("--cluster", "tcp://127.0.0.1:1"), 27, "no scheduler answers"),
    ],
)
def test_a_cluster_that_cannot_be(
    typed: Program,
    monkeypatch: pytest.MonkeyPatch,
    options: tuple[int | str, ...],
    code: int,
    words: str,
) -> None:
    monkeypatch.setattr(cluster, "_WAIT", 0.3)
    ended, _, printed = typed("measure", "clean.png", *TYPED, *options)
    assert ended == code
    assert words in printed
    assert printed.count("\n") == 1


def test_a_missing_extra_is_an_error_in_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda _: None)
    with pytest.raises(UsageError, match=r'pip install "sieveward\[cluster\]"'):
        cluster.runner(2)
    assert cluster.runner() is run_serially


class LosingExecutor(Executor):
    """Does every second task; the workers of the others are lost."""

    def __init__(self) -> None:
        self.calls = 0

    def submit(self, work: Callable[..., Any], /, *arguments: Any, **named: Any) -> Future[Any]:
        future: Future[Any] = Future()
        self.calls += 1
        if self.calls % 2:
            future.set_result(work(*arguments, **named))
        else:
            future.set_exception(MemoryError())
        return future


def test_a_lost_worker_is_reported_after_the_finished_tasks() -> None:
    @contextmanager
    def opened(_tasks: int) -> Iterator[LosingExecutor]:
        yield LosingExecutor()

    result: list[tuple[int, int]] = []
    with pytest.raises(ClusterError, match="a worker was lost"):
        result.extend(
            ExecutorRunner(opened)(lambda task, _: task, [10, 20, 30], runner.no_progress)
        )
    assert (0, 10) in result


def test_a_fault_in_a_worker_brings_its_traceback() -> None:
    def broken(task: int, tell: Callable[..., Any]) -> None:
        raise ZeroDivisionError("made up")

    failed = runner._attempt(broken, 1, software())
    assert isinstance(failed.error, ZeroDivisionError)
    assert "in broken" in "".join(failed.error.__notes__)


def kinds_of(base: type[SievewardError]) -> Iterator[type[SievewardError]]:
    for kind in base.__subclasses__():
        yield kind
        yield from kinds_of(kind)


def test_every_error_reads_the_same_in_another_process() -> None:
    kinds = set(kinds_of(SievewardError))
    assert {
        registry_errors.UnforeseenError,
        TemperatureError,
        ClusterError,
    } <= kinds
    for kind in kinds:
        names = {name for _, name, _, _ in string.Formatter().parse(kind.template) if name}
        error = kind(**dict.fromkeys(names, 1.0))
        again = pickle.loads(pickle.dumps(error))
        assert (type(again), str(again), again.fields) == (kind, str(error), error.fields)


def test_a_picture_that_was_sent_reads_its_pixels_again(
    cloths: dict[str, tuple[Path, Truth]], tmp_path: Path
) -> None:
    path = tmp_path / "scan.png"
    path.write_bytes(cloths["clean"][0].read_bytes())
    picture = measure_picture(Task(path, 150.0, scale_from_text("10")))
    sent = pickle.dumps(picture)
    assert len(sent) < picture.light.nbytes
    assert (pickle.loads(sent).light == picture.light).all()
    path.write_bytes(cloths["dirty"][0].read_bytes())
    with pytest.raises(errors.RefusedImageError, match="changed while"):
        _ = pickle.loads(sent).pixels


@pytest.mark.long
@pytest.mark.parametrize(("daemon", "second"), [(True, False), (False, None)])
def test_a_worker_begins_no_process_of_its_own(
    monkeypatch: pytest.MonkeyPatch,
    cloths: dict[str, tuple[Path, Truth]],
    daemon: bool,
    second: bool | None,
) -> None:
    """The standard library forbids daemonic processes to have children."""
    requested = []

    def crew(source: ScanSource, wanted: bool | None) -> SharedWork:
        requested.append(wanted)
        return SharedWork(source)

    monkeypatch.setattr(scan_light, "HELD_UP_TO", 0)
    monkeypatch.setattr(SharedWork, "of", crew)
    monkeypatch.setattr(scan_task, "current_process", lambda: SimpleNamespace(daemon=daemon))
    measure_picture(Task(cloths["clean"][0], 150.0, scale_from_text("10")))
    assert requested == [second]
