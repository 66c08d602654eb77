"""A row of a limits table, and the limits for one sieve."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from decimal import Decimal
from typing import Any


@dataclass(frozen=True)
class Row:
    """One line of a limits table, lengths in um; None where the table is blank."""

    nominal: Decimal
    designation: str
    y: Decimal
    x: Decimal
    z: Decimal | None = None
    z_share_percent: Decimal | None = None
    s: dict[str, Decimal] = field(default_factory=dict)  # by grade
    n: dict[str, int] = field(default_factory=dict)  # by grade
    wire: Decimal | None = None
    wire_min: Decimal | None = None
    wire_max: Decimal | None = None
    source: str = ""


@dataclass(frozen=True, repr=False)
class Limits:
    """What one edition allows for one nominal aperture; lengths in um, None where it has no limit.

    The mean of each direction must lie within nominal ± y, no aperture may exceed
    `max_um` = nominal + x, at most `z_share_percent` of the apertures may lie above
    nominal + z, and the sample's standard deviation may not exceed `s_limit_um`, which holds
    for `n` apertures where the edition makes it depend on them. `computed` is true for a
    size worked out from the formula instead of read in a table.
    """

    nominal_um: float
    designation: str
    standard: str
    grade: str
    y_um: float
    x_um: float
    max_um: float
    z_um: float | None
    z_share_percent: float | None
    s_limit_um: float | None
    n: int | None
    wire_um: float | None
    wire_min_um: float | None
    wire_max_um: float | None
    source: tuple[str, ...]
    computed: bool
    rounding: str

    def __repr__(self) -> str:
        s = "none" if self.s_limit_um is None else f"{self.s_limit_um:g}"
        return (
            f"<Limits {self.standard[-40:]}, grade {self.grade}, {self.nominal_um:g} um: "
            f"y {self.y_um:g}, x {self.x_um:g}, s {s}{' (computed)' if self.computed else ''}>"
        )

    def to_dict(self) -> dict[str, Any]:
        """The limits as a JSON-ready dictionary."""
        return {**asdict(self), "source": list(self.source)}
