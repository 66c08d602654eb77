"""What the drawing says of a check's scans: the truth the demo is held against."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from sieve_inspect.synthetic import Render, Truth
from sieve_registry.demo.actions import Checked
from sieve_registry.demo.scans import SCANS, UNKEPT, DrawnScan, further_fields


@dataclass(frozen=True)
class TrueCloth:
    """Mean widths in um of the sound apertures, torn ones, and the blocked share of the area."""

    mean_x: float
    mean_y: float
    torn: int
    blocked_share: float


def true_cloth(checked: Checked, drawn: Callable[[DrawnScan], Render]) -> TrueCloth:
    """The truth of all fields of a check together; `drawn` gives the drawing of a scan."""
    scans = [scan for scan in (*SCANS, *UNKEPT) if scan.name in checked.scans]
    scans += further_fields(checked.scans, checked.further)
    truths = [drawn(scan).truth for scan in scans]
    mean_x, mean_y = [
        float(
            np.concatenate(
                [
                    widths_um(t, d, (s.scale.um_per_px_x, s.scale.um_per_px_y))[t.state == "ok"]
                    for s, t in zip(scans, truths, strict=True)
                ]
            ).mean()
        )
        for d in "xy"
    ]
    whole = np.concatenate([t.blocked_share[t.complete] for t in truths])
    torn = sum(int((t.state == "torn").sum()) for t in truths)
    return TrueCloth(mean_x, mean_y, torn, float(whole.mean()))


def widths_um(truth: Truth, direction: str, step: tuple[float, float]) -> npt.NDArray[np.float64]:
    """Widths across the wires, (n,), from the edge points: px turned to um before measuring."""
    edges = getattr(truth, f"edges_{direction}") * np.array(step)
    along = getattr(truth, f"along_{direction}") * np.array(step)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    across = edges[:, 1] - edges[:, 0]
    area = across[:, 0] * along[:, 1] - across[:, 1] * along[:, 0]
    return np.asarray(np.abs(area), np.float64)
