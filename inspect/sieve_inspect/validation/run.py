"""Runs the rows of the validation, each a task of its own in a temporary folder."""

from __future__ import annotations

import platform
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from sieve_inspect.errors import SievewardError
from sieve_inspect.validation.accuracy import (
    SEEDS,
    SEEDS_QUICK,
    accuracy_row,
    comb_row,
    coverage_row,
    limits_of,
)
from sieve_inspect.validation.cases import clean_cases, comb_cases, hard_cases
from sieve_inspect.validation.damage import damage_cases, damage_row, ring_cases
from sieve_inspect.validation.light import light_cases, light_row
from sieve_inspect.validation.model import Group, Report, Row
from sieve_inspect.validation.refusal import refusal_row, refusals
from sieve_inspect.workers.cache import CacheKey
from sieve_inspect.workers.runner import (
    Progress,
    Runner,
    TaskProgress,
    in_task_order,
    no_progress,
    run_serially,
)
from sieve_inspect.workers.software import software


@dataclass(frozen=True)
class RowTask:
    """A row by its name: any process with this program can run it."""

    group: Group
    name: str
    quick: bool


@dataclass(frozen=True)
class Job:
    """How a row is made; `run` takes the folder for its pictures."""

    group: Group
    name: str
    run: Callable[[Path], Row]
    quick: bool = True


def tasks_of(quick: bool) -> list[RowTask]:
    """The rows of the matrix, or of its quick part."""
    return [RowTask(job.group, job.name, quick) for job in _jobs(quick)]


def cache_key(task: RowTask) -> CacheKey:
    """The key of a row in the result cache."""
    kind = "quick" if task.quick else "whole"
    settings = {"group": task.group.value, "name": task.name, "quick": task.quick}
    title = f"{task.group}, {task.name}"
    return CacheKey(f"{kind}-{task.group}-{task.name}.kept", title, settings)


def cached_row(row: Row, task: RowTask, _key: CacheKey) -> Row | None:
    """A row from the cache; None if it is another row or ended in an error, to try it again."""
    return row if (row.group, row.name) == (task.group, task.name) and row.tried else None


def run_validation(
    *,
    quick: bool = False,
    progress: Progress = no_progress,
    run: Runner[RowTask, Row] = run_serially,
) -> Report:
    """Run the matrix, or its quick part; a row in which an error is raised does not hold.

    `progress` receives the number of each row when it is done; `run` distributes the rows.
    """
    began = time.perf_counter()
    rows = in_task_order(run(run_row, tasks_of(quick), progress))
    return Report(
        rows=tuple(rows),
        versions={k: v for k, v in software().items() if k not in ("system", "code")},
        platform=f"{platform.system()} {platform.machine()}, {sys.byteorder}-endian",
        made=datetime.now(UTC).isoformat(timespec="seconds"),
        quick=quick,
        seconds=time.perf_counter() - began,
    )


def _jobs(quick: bool) -> list[Job]:
    return [job for job in _all_jobs(SEEDS_QUICK if quick else SEEDS) if job.quick or not quick]


def _all_jobs(seeds: int) -> Iterator[Job]:
    for group, cases in (
        (Group.CLEAN, clean_cases()),
        (Group.HARD, [*hard_cases(), *comb_cases()]),
    ):
        for case in cases:
            limits = limits_of(case, clean=group is Group.CLEAN)
            run = partial(accuracy_row, case, limits=limits, group=group)
            yield Job(group, case.name, run, case.quick)
    for case in comb_cases():
        yield Job(Group.COMB, f"{case.name}-odd-even", partial(comb_row, case))
    for lit in light_cases():
        yield Job(Group.LIGHT, lit.name, partial(light_row, lit), lit.quick)
    for case in [*damage_cases(), *ring_cases()]:
        yield Job(Group.DAMAGE, case.name, partial(damage_row, case), case.quick)
    for refusal in refusals():
        yield Job(Group.REFUSAL, refusal.name, partial(refusal_row, refusal), refusal.quick)
    yield Job(Group.UNCERTAINTY, "u-of-the-mean", partial(coverage_row, seeds=seeds))


def run_row(task: RowTask, _progress: TaskProgress) -> Row:
    """Run one row. Every error, a fault of the program too, becomes a row that does not hold."""
    jobs = {(job.group, job.name): job for job in _jobs(task.quick)}
    began = time.perf_counter()
    try:
        with tempfile.TemporaryDirectory(prefix="sieveward-") as folder:
            row = jobs[task.group, task.name].run(Path(folder))
        return replace(row, seconds=time.perf_counter() - began)
    except SievewardError as error:
        reason = f"{type(error).__name__}: {error}"
    except Exception as fault:  # the other rows go on
        reason = f"fault of the program: {type(fault).__name__}: {fault}"
    return Row(task.group, task.name, "", "a measurement", reason, "no error", False)
