"""The data of a check report."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sieve_registry.report.formatting import finite

if TYPE_CHECKING:
    import pandas as pd

    from sieve_inspect.verdict import Verdict
    from sieve_registry.checks.positions import PlacedField
    from sieve_registry.ledger.records import Correction
    from sieve_registry.outlook.queries import Outlook
    from sieve_registry.report.before_after import BeforeAfter


# Quantity of a direction: the name of its margin, and the key of its standard uncertainty.
_QUANTITIES = {
    "mean_um": ("mean", "u_mean_um"),
    "sd_um": ("standard deviation", "u_sd_um"),
    "max_um": ("largest aperture", "u_max_um"),
}


class Expanded(NamedTuple):
    """An expanded uncertainty in um (None: unknown), its k, its degrees of freedom (None: inf)."""

    U_um: float | None
    k: float = 2.0
    dof: float | None = None


def highest_allowed_um(verdict: Verdict | None) -> float | None:
    """The limit on the largest aperture, um; None if it was not judged."""
    margins = () if verdict is None else verdict.margins
    return next((m.limit_high_um for m in margins if m.name == "largest aperture"), None)


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
    warp: str = ""


@dataclass(frozen=True)
class ScanFile:
    """A scan the check was measured on, and its SHA-256 in hex."""

    name: str
    sha256: str


@dataclass(frozen=True)
class Overlay:
    """A scan with its apertures marked, as a PNG file."""

    name: str
    png: bytes


@dataclass(frozen=True, eq=False)
class Places:
    """Where apertures lie: picture as numbered in the table, lattice row and column, middle in px.

    All (n,).
    """

    image: NDArray[np.intp]
    row: NDArray[np.intp]
    column: NDArray[np.intp]
    x_px: NDArray[np.float64]
    y_px: NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Apertures:
    """Every aperture of a check: widths in um (NaN where not measured) and states, all (n,).

    `places` is None for a table that does not say where they lie.
    """

    width_x_um: NDArray[np.float64]
    width_y_um: NDArray[np.float64]
    state: NDArray[np.str_]
    places: Places | None = None

    @classmethod
    def from_csv(cls, text: str) -> Apertures:
        """Read the table `measure --apertures` writes; other columns are left aside.

        Raises `KeyError` when a column is missing, `ValueError` when a width is no number.
        """
        import pandas as pd

        widths = ("width_x_um", "width_y_um")  # as texts, which NumPy reads exactly
        table = pd.read_csv(io.StringIO(text), dtype=dict.fromkeys(("state", *widths), str))
        x, y = (table[name].to_numpy(object).astype(np.float64) for name in widths)
        return cls(x, y, table["state"].to_numpy(np.str_), _places(table))

    def widths(self, direction: str) -> NDArray[np.float64]:
        """Widths of the apertures measured ("ok") in direction "x" or "y", um."""
        picked: NDArray[np.float64] = self.all_widths(direction)[self.measured(direction)]
        return picked

    def all_widths(self, direction: str) -> NDArray[np.float64]:
        """Widths (n,) of all apertures in a direction, um, NaN where there is none."""
        return self.width_x_um if direction == "x" else self.width_y_um

    def measured(self, direction: str) -> NDArray[np.bool_]:
        """Which apertures (n,) count in a direction."""
        return np.asarray((self.state == "ok") & np.isfinite(self.all_widths(direction)))


def _places(table: pd.DataFrame) -> Places | None:
    names = ("image", "row", "col", "x_px", "y_px")
    if table.empty or not set(names) <= set(table.columns):
        return None
    image, row, column = (table[name].to_numpy(np.intp) for name in names[:3])
    return Places(image, row, column, *(table[name].to_numpy(np.float64) for name in names[3:]))


@dataclass(frozen=True)
class Enlarged:
    """An aperture cut out of its scan and enlarged, as a JPEG file (None: scan not readable).

    `number` counts from 1; `index` is its place in the table; `direction` is that of its larger
    width, `width_um`.
    """

    number: int
    index: int
    scan: str
    state: str
    direction: str
    width_um: float | None
    jpeg: bytes | None


@dataclass(frozen=True)
class CheckView:
    """A check with everything its report shows.

    `measurement`, `limits` and `verdict` are the JSON dictionaries of the measuring core
    (`sieveward.measurement/1`, `Limits.to_dict`, `Verdict.to_dict`); without a standard the last
    two are None. `ledger_head` is the hash of the newest of `ledger_events` events, `event_hash`
    that of the event of this check. `chain` are the four links of its traceability, name and text.
    `void` is the reason why the record is void, if it is; `action` is the recorded proposal, which
    considers the history of the sieve (the verdict's own does not). `wear` is as of the day of the
    check. `notes` are later events, `pair` the earlier check of the same cloth
    beside this one. `placed` are the fields at their places, empty where none are recorded.
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
    action: tuple[str, str] | None = None
    enlarged: tuple[Enlarged, ...] = ()
    wear: Outlook | None = None
    pair: BeforeAfter | None = None
    corrections: tuple[Correction, ...] = ()
    void: str = ""
    libraries: str = ""
    computer: str = ""
    validated: str = ""
    decided: tuple[str, ...] = ()
    placed: tuple[PlacedField, ...] = ()

    def summary(self, direction: str) -> Mapping[str, Any]:
        """The measured figures of direction "x" or "y", empty if there are none."""
        summary: Mapping[str, Any] = (self.measurement.get("directions") or {}).get(direction) or {}
        return summary

    def expanded(self, direction: str, quantity: str) -> Expanded:
        """U of "mean_um", "sd_um" or "max_um" in a direction.

        It is the U of the margin that was judged. A check without limits has the U of its mean
        with its own k; for anything else k is 2.
        """
        name, key = _QUANTITIES[quantity]
        for margin in (self.verdict or {}).get("margins") or ():
            if (margin.get("name"), margin.get("direction")) == (name, direction):
                judged = finite(margin.get("U_um"))
                if judged is not None:
                    return Expanded(
                        judged, finite(margin.get("k")) or 2.0, finite(margin.get("dof"))
                    )
        summary = self.summary(direction)
        k, expanded = finite(summary.get("k_mean")), finite(summary.get("U_mean_um"))
        if quantity == "mean_um" and k is not None and expanded is not None:
            return Expanded(expanded, k, finite(summary.get("dof_mean")))
        u = finite(summary.get(key))
        return Expanded(None if u is None else 2 * u)
