"""A round sieve drawn with its truth, and what measuring makes of it."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree

from sieve_inspect.apertures.field import Field
from sieve_inspect.apertures.measuring import measure_scan
from sieve_inspect.apertures.sampling import SampleSelection, prepare_scan
from sieve_inspect.image import open_source
from sieve_inspect.lattice.search import find_lattice
from sieve_inspect.synthetic.round_cloth import RoundTruth
from sieve_inspect.workers.shared_work import SharedWork


@dataclass(frozen=True)
class Matched:
    """Every opening of the truth with the nearest one found."""

    near: np.ndarray
    state: np.ndarray
    error: np.ndarray  # (2, n) px

    def share(self, chosen: np.ndarray, *states: str) -> float:
        return float(np.isin(self.state, states)[self.near & chosen].mean())


def measured(path: Path, encoding: str = "srgb", second: bool = False) -> Field:
    source = open_source(path)
    with SharedWork.of(source, second) as work:
        light, lattice = find_lattice(source, encoding, work)
        return measure_scan(prepare_scan(light, SampleSelection.of(lattice)), work)[0]


def matched(field: Field, truth: RoundTruth) -> Matched:
    away, which = cKDTree(field.centre).query(np.stack([truth.x, truth.y], axis=1))
    error = np.stack(
        [
            a.fit.width[which] - w
            for a, w in zip(field.axes, (truth.width_x, truth.width_y), strict=True)
        ]
    )
    return Matched(np.asarray(away < 3), field.state[which], error)


def same(one: Field, other: Field, within: float = 0.0) -> None:
    """Two fields agree: states and flags exactly, lengths within so many px."""
    for name in ("row", "column", "state", "flags"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))
    np.testing.assert_allclose(one.centre, other.centre, rtol=0, atol=within)
    for a, b in zip(one.axes, other.axes, strict=True):
        np.testing.assert_allclose(a.fit.width, b.fit.width, rtol=0, atol=within)
