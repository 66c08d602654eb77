"""Options of a measurement: limits and rule, and the resources it may use."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from sieve_inspect.errors import UsageError
from sieve_inspect.identity.cloth_map import ClothMap
from sieve_inspect.measurement.picture import Picture
from sieve_inspect.measurement.scan_task import Task
from sieve_inspect.summary.fields import FieldScatter
from sieve_inspect.summary.uncertainty import Contribution
from sieve_inspect.workers.runner import Progress, Runner, no_progress, run_serially


@dataclass(frozen=True)
class Judging:
    """The limits and the decision rule of a measurement.

    `standard` is an edition or the path of a table, None to measure without a verdict; `n` the
    number of apertures the limit on s is taken for, by default as many as were measured. `coarser`
    names standards and grades the sieve may serve under when it fails its own. `doubts` are reasons
    why the outcome can only be conditional, such as an expired scale that a person accepted. The
    sampling plan depends on `frame_mm`, the diameter of the sieve's frame, by default 200 mm.
    """

    standard: str | None = None
    grade: str = "compliance"
    rule: str = "guard-band"
    n: int | None = None
    coarser: Sequence[tuple[str, str]] = ()
    doubts: Sequence[str] = ()
    frame_mm: float | None = None


@dataclass(frozen=True)
class Prior:
    """What is known of a sieve or the method before its scans are measured.

    `study` are the budget lines (um, k = 1) of a repeatability study, `population` the number of
    apertures of the whole cloth; by default they are counted where a single picture shows it.
    `scatter` is that between the fields of earlier measurements of this cloth, in x and y.
    `turned_deg` is how far the sieve's label mark is turned clockwise from upright in the pictures;
    x is the direction nearest to across the label, whichever way the sieve lay. `by_cloth` answers
    for the map of each scan, its x and y by the label, whether x is y of the cloth as it was
    measured before, None where not known (nothing at all: of no scan); directions then go by the
    cloth. `device` names the device at a setting: its scans share the edge bias.
    """

    study: Sequence[Contribution] = ()
    population: int | None = None
    scatter: tuple[FieldScatter, FieldScatter] | None = None
    turned_deg: float = 0.0
    by_cloth: Callable[[Sequence[ClothMap]], Sequence[bool | None]] | None = None
    device: str = ""

    def __post_init__(self) -> None:
        if not math.isfinite(self.turned_deg):
            raise UsageError(message="`turned` is an angle in degrees, such as 90 or -45.")


@dataclass(frozen=True)
class Resources:
    """How the work is done; it changes no figure.

    `max_megapixels` replaces the limit on the size of a decompressed scan. `progress` is called
    with the number of a scan (from 0) and the share of it that is done, from 0 to 1. `run`
    distributes the scans, see `workers.runner`.
    """

    max_megapixels: float | None = None
    progress: Progress = no_progress
    run: Runner[Task, Picture] = run_serially
