"""What a check report is made from: plain data, filled by whoever holds the records."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Apertures", "CheckView", "Overlay", "ScanFile", "SieveFacts"]


@dataclass(frozen=True)
class SieveFacts:
    """The sieve as it is registered; lengths in um, days as ISO texts, "" or None if unknown."""

    id: str
    nominal_um: float
    standard: str = ""
    grade: str = ""
    serial: str = ""
    maker: str = ""
    frame_um: float | None = None
    in_service: str | None = None
    location: str = ""
    status: str = ""


@dataclass(frozen=True)
class ScanFile:
    """A scan the check was measured on, and its SHA-256 in hex."""

    name: str
    sha256: str


@dataclass(frozen=True)
class Overlay:
    """A scan with the apertures found drawn over it, as a PNG file."""

    name: str
    png: bytes


@dataclass(frozen=True)
class Apertures:
    """Every aperture of a check: widths in um (NaN where not measured) and states, all (n,)."""

    width_x_um: NDArray[np.float64]
    width_y_um: NDArray[np.float64]
    state: NDArray[np.str_]

    @classmethod
    def from_csv(cls, text: str) -> Apertures:
        """Read the table `measure --apertures` writes; other columns are left aside.

        Raises `KeyError` when a column is missing, `ValueError` when a width is no number.
        """
        rows = list(csv.DictReader(io.StringIO(text)))
        columns = {
            name: np.array([_number(row[name]) for row in rows], dtype=np.float64)
            for name in ("width_x_um", "width_y_um")
        }
        return cls(**columns, state=np.array([row["state"] for row in rows], dtype=np.str_))

    def widths(self, direction: str) -> NDArray[np.float64]:
        """Widths of the apertures measured ("ok") in direction "x" or "y", um."""
        values = self.width_x_um if direction == "x" else self.width_y_um
        picked: NDArray[np.float64] = values[(self.state == "ok") & np.isfinite(values)]
        return picked


def _number(text: str | None) -> float:
    return float(text) if text and text.strip() else math.nan


@dataclass(frozen=True)
class CheckView:
    """One check, with all that its report says.

    `measurement`, `limits` and `verdict` are the JSON dictionaries of the measuring core
    (`sieveward.measurement/1`, `Limits.to_dict`, `Verdict.to_dict`); without a standard the last
    two are None. `ledger_head` is the hash of the newest of `ledger_events` events, `event_hash`
    the one that recorded this check. `chain` are the links of a recorded scale, name and sentence.
    """

    sieve: SieveFacts
    check_id: str
    on_date: str
    operator: str
    software: str
    measurement: Mapping[str, Any]
    limits: Mapping[str, Any] | None = None
    verdict: Mapping[str, Any] | None = None
    apertures: Apertures | None = None
    overlays: tuple[Overlay, ...] = ()
    scans: tuple[ScanFile, ...] = ()
    ledger_head: str | None = None
    ledger_events: int = 0
    event_hash: str = ""
    recorded_at: str = ""
    notes: tuple[str, ...] = field(default=())
    chain: tuple[tuple[str, str], ...] = ()
