"""How often different cloths are taken for the same, and how long a comparison takes.

    python tests/benchmarks/identity_table.py false 10000
    python tests/benchmarks/identity_table.py time

`false` compares so many pairs of simulated cloths with maps of 81 to 1,444 apertures: of each loom,
and sisters of one roll that share their warp; then overlapping fields of one cloth. It exits with 1
where a pair was called the same. `time` compares maps of 1,000 to 1,800,000 apertures.
"""

from __future__ import annotations

import resource
import sys
import time

import numpy as np

from made_cloth import LOOMS, SAME_SEASONS, Loom, seen, woven
from sieve_inspect.identity.cloth_map import TURNS, ClothMap
from sieve_inspect.identity.comparison import P_SAME, Match, compare_maps, recognise
from sieve_inspect.identity.fingerprint import Fingerprint

SHAPE = (38, 38)
SMALL = ((9, 9), (11, 10), (16, 16))  # 81, 110, 256 apertures, 3 % of them unclear


def different(
    rng: np.random.Generator, loom: Loom, shape: tuple[int, int], *, sister: bool
) -> Match:
    """Two cloths of one loom; sisters share their warp."""
    first = woven(rng, shape, loom)
    second = woven(rng, shape, loom, first[0].mean(axis=0) if sister else None)
    return matched(seen(first, rng), seen(second, rng))


def matched(first: ClothMap, second: ClothMap) -> Match:
    """Whether two maps are of one cloth."""
    return recognise(Fingerprint.of(first), Fingerprint.of(second))


def overlapping(rng: np.random.Generator, loom: Loom, side: int) -> Match:
    """Two fields of one cloth with `side` rows and columns in common."""
    cloth = woven(rng, (80, 80), loom)
    first = cloth[:, : SHAPE[0], : SHAPE[1]]
    start = SHAPE[0] - side
    second = cloth[:, start : start + SHAPE[0], start : start + SHAPE[1]]
    turn = TURNS[rng.integers(len(TURNS))]
    return matched(seen(first, rng), seen(turn.of_pair(second), rng))


def false_table(count: int) -> int:
    """Print how many of `count` pairs of different cloths are called the same; their number."""
    rng = np.random.default_rng(20)
    looms = LOOMS | SAME_SEASONS
    kinds = [(name, loom, sister) for sister in (False, True) for name, loom in looms.items()]
    cases = [(shape, *kind) for shape in (*SMALL, SHAPE) for kind in kinds]
    each, wrong = count // len(cases), 0
    print(f"{'different cloths':32} apertures  pairs  same  p < 0.01  smallest p")
    for shape, name, loom, sister in cases:
        words = f"{name}{', one warp' if sister else ''}"
        matches = [different(rng, loom, shape, sister=sister) for _ in range(each)]
        same = sum(match.same is True for match in matches)
        p = np.array([match.p_false for match in matches])
        figures = f"{shape[0] * shape[1]:9d} {each:6d} {same:5d} {(p < 0.01).mean():9.4f}"
        print(f"{words:32} {figures} {p.min():11.2g}", flush=True)
        wrong += same
    print(f"\n{'fields of one cloth':36} share recognised at p < {P_SAME:g}, by common apertures")
    sides = (8, 9, 10, 11, 12, 14, 16, 20, 38)
    print(" " * 36, *(f"{side**2:6d}" for side in sides))
    for name, loom in LOOMS.items():
        shares = []
        for side in sides:
            matches = [overlapping(rng, loom, side) for _ in range(40)]
            shares.append(np.mean([match.same is True for match in matches]))
        print(f"{name:36}", *(f"{share:6.2f}" for share in shares), flush=True)
    return wrong


def time_table() -> None:
    """Print seconds and megabytes of comparisons of growing maps."""
    print("apertures   CPU s   peak MB")
    for side in (32, 360, 1342):
        rng = np.random.default_rng(side)
        cloth = woven(rng, (side + 20, side + 20))
        before = seen(cloth[:, :side, :side], rng)
        after = seen(TURNS[1].of_pair(cloth[:, 10:-10, 10:-10]), rng)
        start = time.process_time()
        result = compare_maps(before, after)
        spent = time.process_time() - start
        assert result.same_cloth
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(f"{side * side:9d} {spent:7.2f} {peak:9.0f}", flush=True)


def main() -> None:
    """Print the table that was asked for."""
    if sys.argv[1] == "time":
        time_table()
    elif false_table(int(sys.argv[2])):
        sys.exit(1)


if __name__ == "__main__":
    main()
