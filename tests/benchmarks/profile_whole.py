"""Where the time of a whole cloth goes, the way of small pictures beside that of large ones.

    python tests/benchmarks/profile_whole.py 6400          # side in px

One process, each way once; a step's seconds are those spent in it and not in another step.
"""

from __future__ import annotations

import argparse
import functools
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import sieve_inspect.apertures.field as fields
import sieve_inspect.measurement.pipeline as measuring
import sieve_inspect.measurement.scan_task as looking
from sieve_inspect.apertures import measuring as apertures
from sieve_inspect.apertures import prepared_field
from sieve_inspect.edges import direction
from sieve_inspect.image import light as scan_light
from sieve_inspect.scale import scale_from_text
from sieve_inspect.synthetic.round_cloth import RoundCloth, draw_round
from sieve_inspect.workers import shared_work

# Every place a step is called from, by what it does.
STEPS: dict[str, list[tuple[Any, str]]] = {
    "file opened, unpacked": [(looking, "load_scan"), (looking, "open_source")],
    "openings found, numbered": [(looking, "find_lattice")],
    "initial estimates": [
        (prepared_field, "estimate_initial"),
        (prepared_field, "measure_sides"),
        (prepared_field, "centred"),
    ],
    "edge response": [(direction._Fitter, "response")],
    "matched weights": [(apertures, "measure_bulk")],
    "pixels gathered": [(direction, "gather")],
    "edges fitted in full": [(direction._Fitter, "fit_all")],
    "states, flags": [(fields, "judge_states")],
    "means, budget": [(measuring, "summarise"), (looking, "sample_of")],
}


class Watch:
    """Seconds by step; a step within another is taken off that."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = defaultdict(float)
        self._within: list[str] = []
        self._since = time.perf_counter()

    @contextmanager
    def step(self, name: str) -> Iterator[None]:
        self._charge()
        self._within.append(name)
        yield
        self._charge()
        self._within.pop()

    def _charge(self) -> None:
        now = time.perf_counter()
        self.seconds[self._within[-1] if self._within else "the rest"] += now - self._since
        self._since = now

    def watched(self, name: str, function: Callable[..., Any]) -> Callable[..., Any]:
        @functools.wraps(function)
        def timed(*given: Any, **named: Any) -> Any:
            with self.step(name):
                return function(*given, **named)

        return timed


def profile(scan: Path, whole_from: int) -> dict[str, float]:
    """Seconds by step of measuring a scan; larger ones than `whole_from` px go in bands."""
    watch, kept = Watch(), []
    scan_light.HELD_UP_TO = whole_from
    for name, places in STEPS.items():
        for owner, function in places:
            kept.append((owner, function, getattr(owner, function)))
            setattr(owner, function, watch.watched(name, kept[-1][2]))
    with watch.step("the rest"):
        measuring.measure([scan], nominal_um=150.0, scale=scale_from_text("10"))
    for owner, function, before in kept:
        setattr(owner, function, before)
    return {**watch.seconds, "all": sum(watch.seconds.values())}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("side", type=int, nargs="?", default=6400)
    side = parser.parse_args().side
    # One thread, or steps of two would be charged to each other.
    shared_work.processors = lambda: 1
    patched: tuple[Any, ...] = (fields, looking)
    for module in patched:
        module.ThreadPoolExecutor = _OneAfterTheOther
    with tempfile.TemporaryDirectory() as folder:
        scan = Path(folder) / "round.tif"
        area = side * side
        drawn = RoundCloth(side, blocked=area // 100_000, missing=area // 2_500_000)
        draw_round(drawn, scan)
        small, large = (profile(scan, limit) for limit in (10**12, 0))
    print(
        f"| {area / 1e6:.0f} megapixels | way of small pictures, s | in bands, s |\n|---|---|---|"
    )
    for step in [*STEPS, "the rest", "all"]:
        print(f"| {step} | {small.get(step, 0):.2f} | {large.get(step, 0):.2f} |")


class _OneAfterTheOther:
    def __init__(self, _: int) -> None: ...

    def __enter__(self) -> _OneAfterTheOther:
        return self

    def __exit__(self, *_: object) -> None: ...

    def map(self, function: Callable[..., Any], *given: Any) -> Iterator[Any]:
        return map(function, *given)


if __name__ == "__main__":
    main()
