"""The published sizes nearest to a measured one, for a sieve that lost its label.

Sizes are those of ISO 3310-1; the main series is R 20/3 of ISO 565, the supplementary sizes are
R 20 and R 40/3.
"""

from __future__ import annotations

from dataclasses import dataclass

from sieve_inspect.standard.editions import tabulated

_MAIN_UM = frozenset(
    (
        45, 63, 90, 125, 180, 250, 355, 500, 710, 1000, 1400, 2000, 2800, 4000, 5600, 8000, 11_200,
        16_000, 22_400, 31_500, 45_000, 63_000, 90_000, 125_000,
    )
)  # fmt: skip
_EACH = 2  # sizes named of each series


@dataclass(frozen=True)
class NearestSize:
    """A published size: `series` is "main" or "supplementary", `astm` its designation in ASTM E11.

    `off_percent` is by how much the measured size exceeds it.
    """

    nominal_um: float
    series: str
    astm: str | None
    off_percent: float

    def to_dict(self) -> dict[str, float | str | None]:
        """JSON-ready."""
        return {
            "nominal_um": self.nominal_um,
            "series": self.series,
            "astm": self.astm,
            "off_percent": round(self.off_percent, 2),
        }


def nearest_sizes(measured_um: float) -> tuple[NearestSize, ...]:
    """The two nearest sizes of each series, the nearest of all first."""
    designations = {float(w): row.designation for w, row in tabulated("astm-e11:2009").items()}
    sizes = sorted({float(w) for w in tabulated("iso3310-1:2016")} | set(designations))
    near = sorted(sizes, key=lambda size: abs(size - measured_um))
    chosen = [
        NearestSize(
            size,
            "main" if size in _MAIN_UM else "supplementary",
            designations.get(size) or None,
            100 * (measured_um / size - 1),
        )
        for size in near
    ]
    main = [size for size in chosen if size.series == "main"][:_EACH]
    further = [size for size in chosen if size.series != "main"][:_EACH]
    return tuple(sorted([*main, *further], key=lambda size: abs(size.off_percent)))
