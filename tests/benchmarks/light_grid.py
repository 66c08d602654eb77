"""How often the light on round wires leaves a mean outside its uncertainty, over 60 drawn cases.

    python tests/benchmarks/light_grid.py grid.jsonl             # all that the file lacks; 20 min
    python tests/benchmarks/light_grid.py grid.jsonl --cases 0-9
    python tests/benchmarks/light_grid.py grid.jsonl --table     # only the totals of the file

Five surfaces in turn under lamps of 0 to 70 degrees half-angle; apertures of 8 to 70 px, wires of
0.4 to 0.75 of them, blur of 0.6 to 2 px and the turn of the cloth by an additive recurrence, so
that any run of cases is spread evenly. Each picture is measured with nothing stated of the
light, with the lamp's angle stated, by a reference cloth of another size and like density that lay
alike under the same lamp, and by one of another density that lay otherwise. 1 px is 10 um. It exits
with 1 where a limit does not hold.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

import sieve_inspect as si
from sieve_inspect.illumination.model import Illumination
from sieve_inspect.measurement.model import Measurement
from sieve_inspect.measurement.picture import Picture
from sieve_inspect.measurement.reference_cloth import CertifiedCloth, of_reference
from sieve_inspect.measurement.scan_task import Task
from sieve_inspect.scale import exact_scale
from sieve_inspect.standard import DEFAULT_STANDARD
from sieve_inspect.synthetic import (
    Cloth,
    Lamp,
    Optics,
    RoundLight,
    Sensor,
    Truth,
    render,
    save,
)
from sieve_inspect.synthetic.reflection import BRONZE, OXIDISED, ROUGH, SILVER, STEEL
from sieve_inspect.validation.comparison import compare
from sieve_inspect.validation.drawing import UM_PER_PX
from sieve_inspect.validation.light import errors_of_means
from sieve_inspect.workers.runner import Progress, TaskProgress, run_serially

SURFACES = {
    "silver": SILVER,
    "steel": STEEL,
    "bronze": BRONZE,
    "rough": ROUGH,
    "matt": OXIDISED,
}
COUNT = 60
WIDEST_DEG = 70.0
REFERENCE_PX = 13.3
ALIKE_DEG = 2.0  # how the reference cloth was laid, beside the cloth
OTHERWISE = Cloth(REFERENCE_PX, 8.6, sd_px=0.2, rotation_deg=4, seed=100)
CERTIFIED_UM = 0.2  # U of the reference cloth's certificate: 0.02 px
ALIKE = "reference alike"
MODES = ("nothing stated", "lamp stated", ALIKE, "reference unlike")
SHARE, PX, UP_TO_DEG = 0.004, 0.02, 50.0  # limit by a reference cloth: of a wire, px, lamps
MOST_OUTSIDE = 0.05  # of the confident values, by k = 2
# Powers of 1/φ with φ⁵ = φ + 1: an additive recurrence that fills four dimensions evenly.
STEPS = 1.1673039782614187 ** -np.arange(1, 5)


@dataclass(frozen=True)
class GridCase:
    """One cloth under one lamp."""

    number: int
    surface: str
    lamp_deg: float
    aperture_px: float
    wire: float
    blur_px: float
    turn_deg: float

    @classmethod
    def of(cls, number: int) -> GridCase:
        """The case of that number, 0 to 59."""
        size, wire, blur, turn = ((0.5 + (number + 1) * STEPS) % 1).tolist()
        return cls(
            number,
            list(SURFACES)[number % len(SURFACES)],
            round(WIDEST_DEG * number / (COUNT - 1), 1),
            round(8 * (70 / 8) ** size, 2),
            round(0.4 + 0.35 * wire, 3),
            round(0.6 + 1.4 * blur, 2),
            round(2 + 41 * turn, 1),
        )

    @property
    def cloth(self) -> Cloth:
        w = self.aperture_px
        turn, seed = self.turn_deg, self.number
        return Cloth(w, w * self.wire, sd_px=0.015 * w, rotation_deg=turn, seed=seed)

    @property
    def reference(self) -> Cloth:
        """A certified cloth of another size, like wires and turn."""
        wire, turn = REFERENCE_PX * self.wire, self.turn_deg + ALIKE_DEG
        return Cloth(REFERENCE_PX, wire, sd_px=0.2, rotation_deg=turn, seed=100)

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width of the picture: some 7 by 8 openings, at least 160 by 200 px."""
        pitch = self.aperture_px * (1 + self.wire)
        return max(160, int(7.5 * pitch)), max(200, int(8.5 * pitch))


class Once:
    """Measures a picture the first time and remembers it: only the correction differs after."""

    def __init__(self) -> None:
        self._results: list[tuple[int, Picture]] = []

    def __call__(
        self,
        work: Callable[[Task, TaskProgress], Picture],
        tasks: Iterable[Task],
        progress: Progress,
    ) -> Iterator[tuple[int, Picture]]:
        if not self._results:
            self._results = list(run_serially(work, tasks, progress))
        return iter(self._results)


def run(case: GridCase, folder: Path) -> dict[str, Any]:
    """Draw and measure a case; its errors and U (px) by mode."""
    truth, path = draw(case, case.cloth, case.shape, folder / "scan.png")
    lit = {"nothing stated": Illumination(), "lamp stated": Illumination.stated(case.lamp_deg)}
    result: dict[str, Any] = {"case": case.number, "modes": {}}
    for mode, cloth in zip(MODES[2:], (case.reference, OTHERWISE), strict=True):
        try:
            lit[mode] = reference(case, cloth, folder / "reference.png")
        except si.SievewardError as error:
            result["modes"][mode] = {"refused": str(error)}
    once = Once()
    for mode, light in lit.items():
        try:
            measurement = measured(path, case.cloth, light, once)
        except si.SievewardError as error:
            result["modes"][mode] = {"refused": str(error)}
        else:
            result["modes"][mode] = figures(measurement, truth)
    return result


def reference(case: GridCase, cloth: Cloth, path: Path) -> Illumination:
    """What a reference cloth tells of the case's lamp. Raises `SievewardError`."""
    truth, path = draw(case, cloth, (300, 380), path)
    seen = measured(path, cloth, Illumination.stated(None, 0), Once())
    compared = compare(seen, truth)
    x, y = (compared.width[compared.measured].mean(axis=0) * UM_PER_PX).tolist()
    return of_reference(seen, CertifiedCloth((x, y), None, CERTIFIED_UM), "drawn")


def draw(case: GridCase, cloth: Cloth, shape: tuple[int, int], path: Path) -> tuple[Truth, Path]:
    """A cloth drawn under the lamp and by the optics of the case."""
    lamp = Lamp((case.lamp_deg, case.lamp_deg))
    light = RoundLight(lamp, SURFACES[case.surface])
    sensor = Sensor(noise=0.005, seed=case.number)
    drawn = render(cloth, Optics(size_px=case.blur_px), sensor, shape, light=light)
    save(drawn, path)
    return drawn.truth, path


def measured(path: Path, cloth: Cloth, light: Illumination, once: Once) -> Measurement:
    """The picture measured with an exact scale, as all there is of its cloth."""
    return si.measure(
        path,
        nominal_um=cloth.aperture_px * UM_PER_PX,
        scale=exact_scale(UM_PER_PX, UM_PER_PX),
        encoding="srgb",
        illumination=light,
        prior=si.Prior(population=1),
        resources=si.Resources(run=once),
    )


def figures(measurement: Measurement, truth: Truth) -> dict[str, Any]:
    """Errors of the means, their U (px), a third of Y (px), and whether the tool is confident."""
    error, expanded = errors_of_means(measurement, compare(measurement, truth))
    allowed = si.limits(measurement.nominal_um, DEFAULT_STANDARD)
    return {
        "error": error.round(4).tolist(),
        "U": expanded.round(4).tolist(),
        "third": round(allowed.y_um / 3 / UM_PER_PX, 4),
        "confident": measurement.fit == "ok",
        "sign": [[s.share, s.u_share, s.readable] for s in measurement.pictures[0].signs or ()],
        "reasons": list(measurement.fit_reasons),
    }


def line_of(case: GridCase, result: dict[str, Any]) -> str:
    """A case in one line: error of the worse direction and U by mode; `!` where outside."""
    head = (
        f"{case.number:2} {case.surface:6} {case.lamp_deg:4.1f}° {case.aperture_px:5.1f} px "
        f"d/w {case.wire:.2f} blur {case.blur_px:.2f}"
    )
    parts = []
    for mode in MODES:
        f = result["modes"][mode]
        if "refused" in f:
            parts.append("refused".ljust(26))
            continue
        error, expanded = np.array(f["error"]), np.array(f["U"])
        worst = int(np.argmax(abs(error) / expanded))
        mark = "!" if abs(error[worst]) > expanded[worst] else " "
        state = "ok" if f["confident"] else "indicative"
        parts.append(f"{error[worst]:+.3f} U {expanded[worst]:.3f}{mark} {state:10}")
    return head + " | " + " | ".join(parts)


def totals(results: dict[int, dict[str, Any]]) -> bool:
    """Print the totals by mode and surface; whether all limits hold."""
    print(f"\n{'':16} {'surface':8} confident  outside U  U > Y/3  indicative  refused  > limit")
    holds = True
    for mode in MODES:
        for surface in (*SURFACES, "all"):
            counts = _Counts()
            for number, result in results.items():
                case = GridCase.of(number)
                if surface in (case.surface, "all"):
                    counts.add(case, result["modes"][mode], limited=mode == ALIKE)
            print(f"{mode:16} {surface:8} {counts.line()}")
            holds &= surface != "all" or counts.holds
    return holds


class _Counts:
    """Values (two a case) by what became of them."""

    def __init__(self) -> None:
        self.confident = self.outside = self.wide = self.indicative = self.refused = 0
        self.limited = self.beyond = 0

    def add(self, case: GridCase, f: dict[str, Any], *, limited: bool) -> None:
        if "refused" in f:
            self.refused += 2
            return
        error, expanded = abs(np.array(f["error"])), np.array(f["U"])
        if f["confident"]:
            self.confident += 2
            self.outside += int((error > expanded).sum())
            self.wide += int((expanded > f["third"]).sum())
            if limited and case.lamp_deg <= UP_TO_DEG:
                self.limited += 2
                self.beyond += int((error > SHARE * case.cloth.wire_px + PX).sum())
        else:
            self.indicative += 2

    @property
    def holds(self) -> bool:
        return self.outside <= MOST_OUTSIDE * self.confident and not self.beyond

    def line(self) -> str:
        beyond = f"{self.beyond} of {self.limited}" if self.limited else ""
        return (
            f"{self.confident:9} {self.outside:10} {self.wide:8} {self.indicative:11} "
            f"{self.refused:8}  {beyond}"
        )


def main() -> int:
    """Run what is missing, print lines and totals."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("file", type=Path, help="results, one line of JSON a case; continued")
    parser.add_argument("--cases", default=f"0-{COUNT - 1}", help="in this order, as 0-9,42")
    parser.add_argument("--table", action="store_true", help="only print what the file holds")
    asked = parser.parse_args()
    spans = [[int(number) for number in part.split("-")] for part in asked.cases.split(",")]
    numbers = [number for span in spans for number in range(span[0], span[-1] + 1)]
    lines = asked.file.read_text().splitlines() if asked.file.exists() else []
    results = {row["case"]: row for row in map(json.loads, lines)}
    wanted = [] if asked.table else [n for n in numbers if n not in results]
    for number in sorted(results):
        print(line_of(GridCase.of(number), results[number]))
    for number in wanted:
        case = GridCase.of(number)
        with tempfile.TemporaryDirectory() as folder:
            results[number] = run(case, Path(folder))
        with asked.file.open("a") as file:
            file.write(json.dumps(results[number]) + "\n")
        print(line_of(case, results[number]), flush=True)
    return 0 if totals(results) else 1


if __name__ == "__main__":
    sys.exit(main())
