"""Runs every row, each a task of its own in a folder that is gone afterwards."""

from __future__ import annotations

import platform
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar

from sieve_inspect.errors import SievewardError
from sieve_inspect.validation.accuracy import accuracy_row, comb_row, limits_of
from sieve_inspect.validation.cases import clean_cases, comb_cases, hard_cases
from sieve_inspect.validation.coverage import SEEDS, SEEDS_QUICK, honesty_row
from sieve_inspect.validation.damage import damage_cases, damage_row
from sieve_inspect.validation.drawing import Case
from sieve_inspect.validation.model import Report, Row
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

__all__ = ["RowTask", "mark_of", "run_validation", "taken_for", "tasks_of"]

T = TypeVar("T")
Job = tuple[str, str, Callable[[Path], Row]]


@dataclass(frozen=True)
class RowTask:
    """A row by its name: any process that has this very program can run it."""

    group: str
    name: str
    quick: bool


def tasks_of(quick: bool) -> list[RowTask]:
    """The rows of the matrix, or of its quick part."""
    return [RowTask(group, name, quick) for group, name, _ in _jobs(quick)]


def mark_of(task: RowTask) -> CacheKey:
    """What a row is kept under."""
    kind = "quick" if task.quick else "whole"
    settings = {"group": task.group, "name": task.name, "quick": task.quick}
    return CacheKey(f"{kind}-{task.group}-{task.name}.kept", f"{task.group}, {task.name}", settings)


def taken_for(row: Row, task: RowTask, _mark: CacheKey) -> Row | None:
    """A row kept, as that of a task; None where it ended in an error, which is tried again."""
    return row if (row.group, row.name) == (task.group, task.name) and row.tried else None


def run_validation(
    *,
    quick: bool = False,
    progress: Progress = no_progress,
    run: Runner[RowTask, Row] = run_serially,
) -> Report:
    """Run the matrix, or its quick part; a row in which an error is raised does not hold.

    `progress` is told the number of a row when it is done; `run` says who does them, see `spread`.
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
    jobs: list[Job] = []
    for clean, cases in ((True, clean_cases()), (False, [*hard_cases(), *comb_cases()])):
        group = "clean" if clean else "hard"
        jobs += [
            (group, case.name, _accuracy(case, group)) for case in cases if case.quick or not quick
        ]
    for case in comb_cases():
        jobs.append(("comb", f"{case.name}-odd-even", _bound(comb_row, case)))
    for case in damage_cases():
        if case.quick or not quick:
            jobs.append(("damage", case.name, _bound(damage_row, case)))
    for one in refusals():
        if one.quick or not quick:
            jobs.append(("refusal", one.name, _bound(refusal_row, one)))
    seeds = SEEDS_QUICK if quick else SEEDS
    jobs.append(("honesty", "u-of-the-mean", lambda folder: honesty_row(folder, seeds)))
    return jobs


def _accuracy(case: Case, group: str) -> Callable[[Path], Row]:
    limits = limits_of(case, clean=group == "clean")
    return lambda folder: accuracy_row(case, folder, limits, group)


def _bound(row: Callable[[T, Path], Row], what: T) -> Callable[[Path], Row]:
    return lambda folder: row(what, folder)


def run_row(task: RowTask, _tell: TaskProgress) -> Row:
    """Run one row."""
    jobs = {(group, name): work for group, name, work in _jobs(task.quick)}
    try:
        with tempfile.TemporaryDirectory(prefix="sieveward-") as folder:
            return jobs[task.group, task.name](Path(folder))
    except SievewardError as error:
        reason = f"{type(error).__name__}: {error}"
    except Exception as fault:  # a fault is told, and the other rows go on
        reason = f"fault of the program: {type(fault).__name__}: {fault}"
    return Row(task.group, task.name, "", "a measurement", reason, "no error", False)
