"""Runs every row, one after the other, in a folder that is gone afterwards."""

from __future__ import annotations

import platform
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TypeVar

from sieve_inspect.errors import SievewardError
from sieve_inspect.validate.accuracy import accuracy_row, comb_row, limits_of
from sieve_inspect.validate.damage import damage_cases, damage_row
from sieve_inspect.validate.drawn import Case
from sieve_inspect.validate.honesty import SEEDS, SEEDS_QUICK, honesty_row
from sieve_inspect.validate.matrix import clean_cases, comb_cases, hard_cases
from sieve_inspect.validate.model import Report, Row
from sieve_inspect.validate.refusal import refusal_row, refusals

__all__ = ["run_validation"]

_PACKAGES = (
    "sieveward",
    "numpy",
    "scipy",
    "opencv-python-headless",
    "pillow",
    "tifffile",
    "imagecodecs",
    "scikit-image",
)
T = TypeVar("T")
Job = tuple[str, str, Callable[[Path], Row]]


def run_validation(
    *, quick: bool = False, progress: Callable[[int, int, str], None] | None = None
) -> Report:
    """Run the matrix, or its quick part, on this machine.

    `progress` is told how many rows are done, of how many, and the name of the next. A row in
    which an error is raised does not hold; the others go on.
    """
    began = time.perf_counter()
    jobs = _jobs(quick)
    rows = []
    with tempfile.TemporaryDirectory(prefix="sieveward-") as name:
        for number, job in enumerate(jobs):
            if progress is not None:
                progress(number, len(jobs), job[1])
            rows.append(_tried(job, Path(name)))
    return Report(
        rows=tuple(rows),
        versions={"python": platform.python_version(), **{p: _version(p) for p in _PACKAGES}},
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


def _tried(job: Job, folder: Path) -> Row:
    group, name, work = job
    try:
        return work(folder)
    except SievewardError as error:
        reason = f"{type(error).__name__}: {error}"
    except Exception as fault:  # a fault is told, and the other rows go on
        reason = f"fault of the program: {type(fault).__name__}: {fault}"
    return Row(group, name, "", "a measurement", reason, "no error", False)


def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return "not installed"
