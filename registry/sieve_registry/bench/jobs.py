"""Measuring behind the page: a few workers, and what they found until a person confirms it.

A job measures first and records nothing. Recording waits for a name, happens once whoever asks,
and goes through the same two functions as `sieveward check`.
"""

from __future__ import annotations

import math
import secrets
import shutil
import statistics
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, overload

from sieve_inspect.errors import SievewardError, UsageError
from sieve_registry.checks import commands
from sieve_registry.errors import UnforeseenError
from sieve_registry.scales.check_scale import CheckScale
from sieve_registry.scales.dpi import dpi_warnings
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry

if TYPE_CHECKING:
    from sieve_inspect.measurement.pipeline import Measurement
    from sieve_registry.bench.pyramid import Looks

__all__ = ["Confirmed", "Job", "Jobs", "Order", "Phase", "Progress", "unforeseen"]

_WORKERS = 2
_MOST_OPEN = 30  # checks measured or being measured that nobody has confirmed or discarded
_TELLING = 0.1  # share from which what is done tells how long the rest takes
_MOST_OVER = 20  # recorded or failed, kept for looking at
_MOST_MEGAPIXELS = 400.0  # of pictures held for looking at; some 8 bytes a pixel


class Phase:
    """Where a job stands."""

    QUEUED = "queued"
    MEASURING = "measuring"
    READY = "ready"
    FAILED = "failed"
    RECORDED = "recorded"


@dataclass(frozen=True)
class Order:
    """What is to be measured: scans that lie in `folder`, which goes when the job goes."""

    sieve_id: str
    images: tuple[Path, ...]
    chosen: CheckScale
    encoding: str
    folder: Path
    picked: tuple[str, ...] = ()  # keys of scans taken from the watched folder


@dataclass(frozen=True)
class Progress:
    """How far a job is: `scan` of `scans` (from 1), the `part` (0..1) of that scan if it is told,
    seconds so far and, if known, still to go."""

    phase: str
    scan: int
    scans: int
    part: float
    elapsed_s: float
    left_s: float | None
    ahead: int

    @property
    def share(self) -> float | None:
        """Share (0..1) of the work, None where nothing tells how much there is."""
        told = (max(self.scan - 1, 0) + self.part) / self.scans
        if self.left_s is None or self.part:
            return told or None
        return min(0.99, self.elapsed_s / max(self.elapsed_s + self.left_s, 1e-6))


@dataclass(frozen=True)
class Confirmed:
    """What confirming came to: the check's number, or that there is something new to look at."""

    check_id: str | None
    person: str = ""
    newer: str = ""  # the check of this sieve recorded since it was measured


@dataclass(eq=False)
class Job:
    """One check on its way; what changes does so under `lock`."""

    order: Order
    id: str = field(default_factory=lambda: secrets.token_urlsafe(9))
    phase: str = Phase.QUEUED
    scan: int = 0
    share: float = 0.0  # of that scan
    asked: float = field(default_factory=time.monotonic)
    began: float | None = None
    ended: float | None = None
    error: SievewardError | None = None
    taken: commands.Taken | None = None
    measurement: Measurement | None = None
    cautions: list[str] = field(default_factory=list)
    check_id: str | None = None
    person: str = ""
    lock: threading.Lock = field(default_factory=threading.Lock)
    looks: dict[int, Looks] = field(default_factory=dict)  # what is shown, by scan

    @property
    def open(self) -> bool:
        """Whether somebody still has to look at it."""
        return self.phase in (Phase.QUEUED, Phase.MEASURING, Phase.READY)

    @property
    def megapixels(self) -> float:
        """Size of the pictures held; of large ones, which stay on disk, that of the view."""
        pictures = () if self.measurement is None else self.measurement.pictures
        return sum(math.prod(p.pixels.shape) / p.reduced**2 for p in pictures) / 1e6


class _Told(Sequence[Path]):
    """Scans that tell which of them is being taken up."""

    def __init__(self, images: Sequence[Path], tell: Callable[[int], None]) -> None:
        self._images = images
        self._tell = tell

    def __len__(self) -> int:
        return len(self._images)

    @overload
    def __getitem__(self, index: int) -> Path: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[Path]: ...
    def __getitem__(self, index: int | slice) -> Path | Sequence[Path]:
        return self._images[index]

    def __iter__(self) -> Iterator[Path]:
        for number, image in enumerate(self._images, start=1):
            self._tell(number)
            yield image


def unforeseen(fault: Exception) -> UnforeseenError:
    """A fault nobody thought of, as the one sentence a person reads."""
    reason = " ".join(str(fault).split())[:200].rstrip(".") or "no more is known"
    return UnforeseenError(kind=type(fault).__name__, reason=reason)


class Jobs:
    """All jobs of one bench. Every method may be called from any thread."""

    def __init__(self, registry: Registry, folder: Path) -> None:
        self.registry = registry
        self.folder = folder
        self._jobs: dict[str, Job] = {}
        self._lock = threading.Lock()
        self._pool = ThreadPoolExecutor(_WORKERS, thread_name_prefix="measuring")
        self.taken_up: dict[str, str] = {}  # scans of the watched folder: by key, for which sieve
        self._paces: list[tuple[int, float]] = []  # bytes and seconds of the checks before

    def new_folder(self) -> Path:
        """An empty folder for the scans of one check."""
        made = self.folder / secrets.token_hex(8)
        made.mkdir()
        return made

    def start(self, order: Order) -> Job:
        """Queue a check to be measured. Raises `UsageError` where too many wait already."""
        job = Job(order)
        with self._lock:
            waiting = [one for one in self._jobs.values() if one.open]
            held = sum(one.megapixels for one in waiting)
            if len(waiting) >= _MOST_OPEN or held > _MOST_MEGAPIXELS:
                raise UsageError(
                    message=f"{len(waiting)} checks wait to be confirmed, as many as this bench "
                    "holds: confirm or discard some of them first."
                )
            self._jobs[job.id] = job
            self.taken_up |= dict.fromkeys(order.picked, order.sieve_id)
        self._pool.submit(self._measure, job)
        return job

    def get(self, job_id: str) -> Job | None:
        """The job of that id, or None."""
        return self._jobs.get(job_id)

    def waiting(self) -> list[Job]:
        """Jobs somebody has to look at, the oldest first; failed ones until they are discarded."""
        with self._lock:
            return [job for job in self._jobs.values() if job.open or job.phase == Phase.FAILED]

    def progress(self, job: Job) -> Progress:
        """How far a job is now."""
        order = list(self._jobs.values())
        before = order[: order.index(job)] if job in order else []
        ahead = sum(one.phase in (Phase.QUEUED, Phase.MEASURING) for one in before)
        elapsed = (job.ended or time.monotonic()) - job.asked
        left = self._left(job) if job.phase == Phase.MEASURING else None
        scans = len(job.order.images)
        return Progress(job.phase, job.scan, scans, job.share, elapsed, left, ahead)

    def _left(self, job: Job) -> float | None:
        """Seconds a job will still take, by what it told or by checks of a like size before."""
        spent = time.monotonic() - (job.began or time.monotonic())
        done = (max(job.scan - 1, 0) + job.share) / len(job.order.images)
        if job.share > _TELLING:
            return spent * (1 - done) / done
        size = _bytes(job)
        alike = [s * size / b for b, s in self._paces[-30:] if size / 3 < b < 3 * size]
        return max(0.0, statistics.median(alike) - spent) if alike else None

    def _measure(self, job: Job) -> None:
        from sieve_inspect.measurement.pipeline import measure

        def tell(number: int) -> None:
            job.scan, job.share = number, 0.0

        def progress(_number: int, share: float) -> None:
            job.share = share

        def measured(images: Sequence[Path], **options: Any) -> Measurement:
            job.measurement = measure(_Told(images, tell), progress=progress, **options)
            return job.measurement

        job.began, job.phase = time.monotonic(), Phase.MEASURING
        order, chosen = job.order, job.order.chosen
        try:
            job.taken = commands.take(
                self.registry,
                order.sieve_id,
                order.images,
                scale=chosen,
                encoding=order.encoding,
                terms=RecordTerms(),
                measure=measured,
            )
            job.cautions = commands.used_before(self.registry, job.taken)
            job.cautions += dpi_warnings(order.images, chosen.scale)
            self._paces.append((_bytes(job), time.monotonic() - job.began))
            job.phase = Phase.READY
        except SievewardError as error:
            self._fail(job, error)
        except Exception as fault:  # a worker has nobody else to tell
            self._fail(job, unforeseen(fault))
        job.ended = time.monotonic()

    @staticmethod
    def _fail(job: Job, error: SievewardError) -> None:
        job.error, job.measurement = error, None
        job.phase = Phase.FAILED

    def confirm(self, job: Job, name: str, known: int) -> Confirmed:
        """Record what was measured under a person's name; the second to ask is told of the first.

        `known` is how many checks of the sieve were known when the person looked. Raises what
        `checks.record` refuses; nothing is recorded then, and the job stays.
        """
        with job.lock:
            if job.check_id is not None:
                return Confirmed(job.check_id, job.person)
            if job.taken is None or job.phase != Phase.READY:
                raise UsageError(message="There is nothing to record: it was not measured.")
            now = commands.seen_again(self.registry, job.taken)
            if len(now.history.checks) != known:
                job.taken = now
                last = now.history.checks[-1:]
                return Confirmed(None, newer=last[0].id if last else "a correction")
            today = self.registry.today()
            late = "" if now.day == today else f"measured on {now.day}, confirmed on {today}"
            terms = RecordTerms(now.day, name, late)
            job.check_id = commands.record(self.registry, job.taken, terms)
            job.person, job.phase = name, Phase.RECORDED
        self._let_go()
        return Confirmed(job.check_id, job.person)

    def discard(self, job: Job) -> None:
        """Forget a job that is not recorded; its scans go with it, the ones it was sent stay."""
        with job.lock:
            if job.check_id is not None or job.phase in (Phase.QUEUED, Phase.MEASURING):
                return
            self._forget(job)

    def _let_go(self) -> None:
        """Forget the oldest jobs that are over while more is held than may be."""
        with self._lock:
            jobs = list(self._jobs.values())
        over = [job for job in jobs if not job.open]
        held = sum(job.megapixels for job in jobs)
        while over and (held > _MOST_MEGAPIXELS or len(over) > _MOST_OVER):
            job = over.pop(0)
            held -= job.megapixels
            self._forget(job)

    def _forget(self, job: Job) -> None:
        with self._lock:
            self._jobs.pop(job.id, None)
        job.measurement, job.taken = None, None
        job.looks.clear()
        shutil.rmtree(job.order.folder, ignore_errors=True)

    def close(self) -> int:
        """Stop the workers; how many checks were measured and never confirmed."""
        self._pool.shutdown(cancel_futures=True)
        return sum(job.phase == Phase.READY for job in self._jobs.values())


def _bytes(job: Job) -> int:
    return sum(image.stat().st_size for image in job.order.images)
