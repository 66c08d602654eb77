"""A whole cloth beside what generic tools need merely to label its openings.

    python tests/benchmarks/whole_cloth.py                 # 100 megapixels, three rounds
    python tests/benchmarks/whole_cloth.py 3200 10000 20000 --rounds 2   # growth, sides in px
    python tests/benchmarks/whole_cloth.py 37500 --only measure          # 1.4 gigapixels

Every route is a process of its own: start, reading, work, and its table written. Rounds take
turns, so that a busy machine is busy for all. Time is the median; memory the largest sum of
resident pages over the process and its children, asked for every 20 ms.
"""

from __future__ import annotations

import argparse
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from importlib.metadata import version
from pathlib import Path

from sieve_inspect.synthetic.round_cloth import RoundCloth, draw_round

SCIKIT_IMAGE = """
import sys
import numpy as np
import tifffile
from skimage.filters import threshold_otsu
from skimage.measure import label, regionprops_table
image = tifffile.imread(sys.argv[1])
wanted = ("label", "area", "bbox", "centroid")
table = regionprops_table(label(image > threshold_otsu(image)), properties=wanted)
np.savetxt(sys.argv[2], np.stack([table["label"], table["area"]], axis=1), fmt="%d")
"""
OPENCV = """
import sys
import cv2
import numpy as np
image = cv2.imread(sys.argv[1], cv2.IMREAD_UNCHANGED)
_, lit = cv2.threshold(image, 0, 255, cv2.THRESH_OTSU)
_, _, stats, _ = cv2.connectedComponentsWithStats(lit)
np.savetxt(sys.argv[2], stats, fmt="%d")
"""
MEASURE = "from sieve_registry.cli.main import main; main()"
PAGE = os.sysconf("SC_PAGE_SIZE")


def routes(scan: Path, table: Path) -> dict[str, list[str]]:
    """Command lines by name."""
    typed = ["--nominal", "150um", "--um-per-px", "10", "--apertures", str(table)]
    return {
        "measure": [sys.executable, "-c", MEASURE, "measure", str(scan), *typed],
        "A scikit-image": [sys.executable, "-c", SCIKIT_IMAGE, str(scan), str(table)],
        "B OpenCV": [sys.executable, "-c", OPENCV, str(scan), str(table)],
    }


def _resident(pid: int) -> int:
    """Bytes in memory of a process and of all that it has started."""
    total = 0
    try:
        total = int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * PAGE
        for task in Path(f"/proc/{pid}/task").iterdir():
            for child in (task / "children").read_text().split():
                total += _resident(int(child))
    except (OSError, IndexError):
        pass  # it has just ended
    return total


def installed() -> dict[str, str]:
    """The environment in which a program's modules are compiled, as an installed program's are."""
    return {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}


def timed(command: list[str]) -> tuple[float, float]:
    """Seconds and peak megabytes of a whole process."""
    begun, peak = time.perf_counter(), 0
    null, pipe = subprocess.DEVNULL, subprocess.PIPE
    with subprocess.Popen(command, stdout=null, stderr=pipe, env=installed()) as process:
        while process.poll() is None:
            peak = max(peak, _resident(process.pid))
            time.sleep(0.02)
        took = time.perf_counter() - begun
        if process.returncode:
            raise SystemExit(process.stderr.read().decode() if process.stderr else "failed")
    return took, peak / 1e6


def compare(
    side: int, rounds: int, only: list[str], folder: Path
) -> dict[str, tuple[float, float, float]]:
    """One size: draw, run in turns, print a line a route; megapixels, s and MB of each."""
    scan, table = folder / f"{side}.tif", folder / "table.csv"
    # Particles and lost wire pieces in the shares that a worn cloth may have.
    area = side * side
    cloth = RoundCloth(side, blocked=area // 100_000, missing=area // 2_500_000, bend=side / 1000)
    truth = draw_round(cloth, scan)
    commands = {k: c for k, c in routes(scan, table).items() if not only or k.split()[0] in only}
    found: dict[str, list[tuple[float, float]]] = {name: [] for name in commands}
    for _ in range(rounds):
        for name, command in commands.items():
            found[name].append(timed(command))
    base = found.get("A scikit-image")
    told = {}
    for name, runs in found.items():
        took, memory = (statistics.median(r[k] for r in runs) for k in (0, 1))
        told[name] = (area / 1e6, took, memory)
        ratio = ""
        if base:
            to = [statistics.median(r[k] for r in base) for k in (0, 1)]
            ratio = f"{took / to[0]:.2f}, {memory / to[1]:.2f}"
        print(
            f"| {area / 1e6:.0f} | {len(truth.x)} | {name} | {took:.2f} | "
            f"{1000 * took / (area / 1e6):.0f} | {memory:.0f} | {ratio} |",
            flush=True,
        )
    scan.unlink()
    return told


def plot(sizes: list[dict[str, tuple[float, float, float]]], path: Path) -> None:
    """Time and memory against the size of the scan, one line a route."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7, 3), layout="constrained")
    FigureCanvasAgg(figure)
    panels = figure.subplots(1, 2)
    for name, mark in zip(sizes[0], "os^", strict=False):
        points = [size[name] for size in sizes if name in size]
        for k, axes in enumerate(panels, start=1):
            x, y = [p[0] for p in points], [p[k] for p in points]
            axes.loglog(x, y, marker=mark, color="0.2", linestyle="-" if mark == "o" else "--")
            beside = {"xytext": (-6, 3), "textcoords": "offset points"}
            axes.annotate(name, (x[-1], y[-1]), **beside, fontsize=8, ha="right")
    for axes, label in zip(panels, ("time, s", "memory, MB"), strict=True):
        axes.set_xlabel("megapixels")
        axes.margins(y=0.12)
        axes.set_xticks([p[0] for p in points], [f"{p[0]:.0f}" for p in points])
        axes.yaxis.set_major_formatter("{x:g}")
        axes.minorticks_off()
        axes.set_ylabel(label)
    figure.savefig(path, dpi=110)


def main() -> None:
    """Read the sizes asked for and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("sides", nargs="*", type=int, default=[10_000], help="px, square scans")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--only", nargs="*", default=[], help="measure, A, B")
    parser.add_argument("--plot", type=Path, help="draw growth here, PNG")
    options = parser.parse_args()
    names = ("numpy", "scipy", "opencv-python-headless", "scikit-image", "loky")
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}, "
        f"Python {platform.python_version()}, "
        + ", ".join(f"{n} {version(n)}" for n in names)
        + "\n"
    )
    print("| Mpx | whole apertures | route | s | ms per Mpx | MB | of A: time, memory |")
    print("|---|---|---|---|---|---|---|")
    with tempfile.TemporaryDirectory() as folder:
        sizes = [compare(s, options.rounds, options.only, Path(folder)) for s in options.sides]
    if options.plot:
        plot(sizes, options.plot)


if __name__ == "__main__":
    main()
