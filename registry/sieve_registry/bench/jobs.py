"""Measuring in the background: a worker pool, and its results until a person confirms them.

A job measures first and records nothing. It is recorded once, under the name of the person who
confirms it, by the same two commands as `sieveward check`.
"""

from __future__ import annotations

import math
import secrets
import shutil
import statistics
import threading
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sieve_inspect.errors import SievewardError, UsageError
from sieve_inspect.image.bands import size_of
from sieve_registry.checks import commands, validation
from sieve_registry.checks.positions import Position, contradictions
from sieve_registry.errors import UnforeseenError
from sieve_registry.ledger.choices import CheckMethod
from sieve_registry.scales.check_scale import CheckScale
from sieve_registry.scales.dpi import dpi_warnings
from sieve_registry.scales.environment import NOT_RECORDED, Environment, faults, limits_of
from sieve_registry.scales.equipment_use import used_equipment
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry

if TYPE_CHECKING:
    from sieve_inspect.measurement.model import Measurement
    from sieve_registry.bench.pyramid import ScanPyramid

_WORKERS = 2
_MOST_OPEN = 60  # checks neither confirmed nor discarded
_ENOUGH_DONE = 0.1  # share of a scan from which its pace predicts the time left
_MOST_FINISHED = 60  # jobs recorded or failed that stay visible
_UNPACKED_MEGAPIXELS = 133.0  # a larger scan lies in a file while it is measured
_MOST_MEGAPIXELS = 400.0  # of pictures held for the viewer; about 8 bytes per pixel


class Phase(StrEnum):
    """The phase of a job."""

    QUEUED = "queued"
    MEASURING = "measuring"
    READY = "ready"
    FAILED = "failed"
    RECORDED = "recorded"


@dataclass(frozen=True)
class Order:
    """What to measure: scans copied into `folder`, which is removed with the job.

    `picked` are the keys of scans chosen from the watched folder, `batch` the id of the batch the
    check came with; a check `for_information` judges nothing.
    """

    sieve_id: str
    images: tuple[Path, ...]
    scale: CheckScale
    encoding: str
    folder: Path
    picked: tuple[str, ...] = ()
    batch: str = ""
    environment: Environment = NOT_RECORDED
    for_information: bool = False
    positions: tuple[Position, ...] = ()
    equipment: tuple[str, ...] = ()


@dataclass(frozen=True)
class Progress:
    """The progress of a job.

    `scan` of `scans` (from 1, 0 before measuring) is being measured, its share `part` (0..1) is
    done; seconds so far and, if known, left; `ahead` jobs are measured first.
    """

    phase: Phase
    scan: int
    scans: int
    part: float
    elapsed_s: float
    left_s: float | None
    ahead: int

    @property
    def share(self) -> float | None:
        """Share (0..1) of the work that is done, None if unknown."""
        done = (max(self.scan - 1, 0) + self.part) / self.scans
        if self.left_s is None or self.part:
            return done or None
        return min(0.99, self.elapsed_s / max(self.elapsed_s + self.left_s, 1e-6))


@dataclass(frozen=True)
class Confirmed:
    """The check recorded by a confirmation, or None with the check recorded since measuring."""

    check_id: str | None
    person: str = ""
    newer: str = ""


@dataclass(frozen=True)
class Batch:
    """Scans of many sieves sent together.

    `refused` are files that were not measured, `not_recorded` sieves whose confirmation failed
    last, each with the reason.
    """

    id: str
    refused: tuple[tuple[str, str], ...]
    not_recorded: tuple[tuple[str, str], ...] = ()


@dataclass(eq=False)
class Job:
    """A check from its order to its record; `lock` guards confirming and discarding."""

    order: Order
    expected: float = 0.0  # megapixels of its files
    id: str = field(default_factory=lambda: secrets.token_urlsafe(9))
    phase: Phase = Phase.QUEUED
    scan: int = 0
    share: float = 0.0  # of that scan
    queued: float = field(default_factory=time.monotonic)
    began: float | None = None
    ended: float | None = None
    error: SievewardError | None = None
    taken: commands.Taken | None = None
    measurement: Measurement | None = None
    cautions: list[str] = field(default_factory=list)
    check_id: str | None = None
    person: str = ""
    lock: threading.Lock = field(default_factory=threading.Lock)
    pyramids: dict[int, ScanPyramid] = field(default_factory=dict)  # by number of the scan

    @property
    def open(self) -> bool:
        """Whether it is neither recorded, failed nor discarded."""
        return self.phase in (Phase.QUEUED, Phase.MEASURING, Phase.READY)

    @property
    def megapixels(self) -> float:
        """Size of the pictures held in memory; large scans are held as a reduced view.

        Before they are measured, that of its files by their headers.
        """
        if self.measurement is None:
            return self.expected if self.open else 0.0
        pictures = self.measurement.pictures
        return sum(math.prod(p.pixels.shape) / p.reduced**2 for p in pictures) / 1e6

    def advance(self, number: int, share: float) -> None:
        """Take note that a share (0..1) of a scan, numbered from 0, is done."""
        self.scan, self.share = number + 1, share


class Jobs:
    """All jobs of one bench. Every method may be called from any thread."""

    workers = _WORKERS

    def __init__(self, registry: Registry, folder: Path) -> None:
        self.registry = registry
        self.folder = folder
        self._jobs: dict[str, Job] = {}
        self._lock = threading.Lock()
        self._pool = ThreadPoolExecutor(_WORKERS, thread_name_prefix="measuring")
        self.batches: dict[str, Batch] = {}
        self.picked: dict[str, str] = {}  # sieve by key of a scan in the watched folder
        self._paces: list[tuple[int, float]] = []  # bytes and seconds of earlier jobs

    def new_folder(self) -> Path:
        """An empty folder for the scans of one check."""
        made = self.folder / secrets.token_hex(8)
        made.mkdir()
        return made

    def start(self, order: Order) -> Job:
        """Queue a check to be measured. Raises `UsageError` when too many are open."""
        sizes = (size_of(image) or 0 for image in order.images)
        job = Job(order, expected=sum(min(size / 1e6, _UNPACKED_MEGAPIXELS) for size in sizes))
        with self._lock:
            opened = [other for other in self._jobs.values() if other.open]
            held = sum((other.megapixels for other in opened), job.expected)
            if len(opened) >= _MOST_OPEN or (opened and held > _MOST_MEGAPIXELS):
                raise UsageError(
                    message=f"{len(opened)} checks await confirmation, the most a bench can hold: "
                    "confirm or discard some of them first."
                )
            self._jobs[job.id] = job
            self.picked |= dict.fromkeys(order.picked, order.sieve_id)
        self._pool.submit(self._measure, job)
        return job

    def get(self, job_id: str) -> Job | None:
        """The job of that id, or None."""
        return self._jobs.get(job_id)

    def waiting(self) -> list[Job]:
        """Open and failed jobs, the oldest first."""
        with self._lock:
            return [job for job in self._jobs.values() if job.open or job.phase == Phase.FAILED]

    def of_batch(self, batch_id: str) -> list[Job]:
        """The jobs of a batch that were not discarded, in the order of the files."""
        with self._lock:
            return [job for job in self._jobs.values() if job.order.batch == batch_id]

    def progress(self, job: Job) -> Progress:
        """The progress of a job now."""
        order = list(self._jobs.values())
        before = order[: order.index(job)] if job in order else []
        ahead = sum(other.phase in (Phase.QUEUED, Phase.MEASURING) for other in before)
        elapsed = (job.ended or time.monotonic()) - job.queued
        left = self._left(job) if job.phase == Phase.MEASURING else None
        scans = len(job.order.images)
        return Progress(job.phase, job.scan, scans, job.share, elapsed, left, ahead)

    def _left(self, job: Job) -> float | None:
        """Seconds left, by the job's own progress or else by earlier jobs of similar size."""
        spent = time.monotonic() - (job.began or time.monotonic())
        done = (max(job.scan - 1, 0) + job.share) / len(job.order.images)
        if job.share > _ENOUGH_DONE:
            return spent * (1 - done) / done
        size = _bytes(job)
        similar = [s * size / b for b, s in self._paces[-30:] if size / 3 < b < 3 * size]
        return max(0.0, statistics.median(similar) - spent) if similar else None

    def _measure(self, job: Job) -> None:
        from sieve_inspect.measurement.options import Resources
        from sieve_inspect.measurement.pipeline import measure

        def measured(images: Sequence[Path], **options: Any) -> Measurement:
            resources = Resources(progress=job.advance)
            job.measurement = measure(images, resources=resources, **options)
            return job.measurement

        job.began, job.phase, job.scan = time.monotonic(), Phase.MEASURING, 1
        order = job.order
        try:
            taken = commands.take(
                self.registry,
                order.sieve_id,
                order.images,
                scale=order.scale,
                encoding=order.encoding,
                terms=RecordTerms(),
                for_information=order.for_information,
                measure=measured,
            )
            taken = commands.in_environment(taken, order.environment, order.positions)
            equipped = used_equipment(self.registry, order.equipment, taken.day)
            taken = commands.with_equipment(taken, equipped)
            job.taken = taken
            limits = limits_of(self.registry, CheckMethod.OPTICAL, taken.day)
            job.cautions = [fault.reason for fault in faults(order.environment, limits)]
            job.cautions += equipped.to_note
            unvalidated = validation.caution(self.registry)
            job.cautions += [unvalidated] if unvalidated else []
            job.cautions += taken.cloth.cautions
            job.cautions += contradictions(taken.fields, taken.document["images"])
            job.cautions += dpi_warnings(order.images, order.scale.scale)
            self._paces.append((_bytes(job), time.monotonic() - job.began))
            job.phase = Phase.READY
        except Exception as fault:  # a worker thread would lose it
            job.error = fault if isinstance(fault, SievewardError) else UnforeseenError.of(fault)
            job.measurement, job.phase = None, Phase.FAILED
        job.ended = time.monotonic()

    def confirm(
        self,
        job: Job,
        name: str,
        known: int,
        visual: str = "",
        why_late: str = "",
        accept_cloth: str = "",
        accept_scan: str = "",
    ) -> Confirmed:
        """Record a measured check once, under the name of the first person to confirm it.

        `visual` is the result of the visual examination: "ok" or the fault seen; `why_late` the
        reason for a late entry; `accept_cloth` the reason to record a cloth that is not the one on
        record, `accept_scan` that to use scans again, or fields that overlap.
        `known` is the number of checks of the sieve when the result was shown: a different number
        now means a newer check to consider first. Raises as `checks.commands.accepting`
        and `record`; the job then stays open.
        """
        with job.lock:
            if job.check_id is not None:
                return Confirmed(job.check_id, job.person)
            if job.taken is None or job.phase != Phase.READY:
                raise UsageError(message="This check is not measured yet: nothing to record.")
            now = commands.with_history_now(self.registry, job.taken)
            if len(now.history.checks) != known:
                job.taken = now
                last = now.history.checks[-1:]
                return Confirmed(None, newer=last[0].id if last else "a correction")
            job.taken = replace(job.taken, used=now.used)
            today = self.registry.today()
            since = "" if now.day == today else f"measured on {now.day}, confirmed on {today}"
            late = "; ".join(reason for reason in (since, why_late) if reason)
            terms = RecordTerms(now.day, name, late)
            accepted = commands.accepting(job.taken, accept_cloth, accept_scan)
            job.check_id = commands.record(self.registry, accepted, terms, visual)
            job.person, job.phase = name, Phase.RECORDED
        self._trim()
        return Confirmed(job.check_id, job.person)

    def discard(self, job: Job) -> None:
        """Remove a job that is not recorded, with its copies of the scans."""
        with job.lock:
            if job.check_id is not None or job.phase in (Phase.QUEUED, Phase.MEASURING):
                return
            self._remove(job)

    def _trim(self) -> None:
        """Remove the oldest finished jobs while the bench holds too much."""
        with self._lock:
            jobs = list(self._jobs.values())
        finished = [job for job in jobs if not job.open]
        held = sum(job.megapixels for job in jobs)
        while finished and (held > _MOST_MEGAPIXELS or len(finished) > _MOST_FINISHED):
            job = finished.pop(0)
            held -= job.megapixels
            self._remove(job)

    def _remove(self, job: Job) -> None:
        with self._lock:
            self._jobs.pop(job.id, None)
        job.measurement, job.taken = None, None
        job.pyramids.clear()
        shutil.rmtree(job.order.folder, ignore_errors=True)

    def close(self) -> int:
        """Stop the workers; the number of checks measured but not confirmed."""
        self._pool.shutdown(cancel_futures=True)
        return sum(job.phase == Phase.READY for job in self._jobs.values())


def _bytes(job: Job) -> int:
    return sum(image.stat().st_size for image in job.order.images)
