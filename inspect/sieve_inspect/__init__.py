"""Measures woven-wire test sieves in scans and judges them, without any database.

    import sieve_inspect as si

    m = si.measure("scan.png", nominal_um=75, um_per_px=5.29)
    table = m.apertures()                        # pandas.DataFrame, a row for each aperture
    x, y = m.directions                          # mean_um, U_mean_um, k_mean, sd_um, max_um, …
    v = m.judge("iso3310-1:2016", grade="compliance")    # outcome, reasons, margins
    si.limits(75, "iso3310-1:2016").y_um         # 3.7
    si.compare("before.png", "after.png", nominal_um=75, um_per_px=5.29)  # the same cloth? changed?

Names are loaded when they are first used, so that importing the package is quick.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sieve_inspect.errors import InputError, SievewardError, UsageError
    from sieve_inspect.identity.comparison import Comparison
    from sieve_inspect.illumination.model import Illumination, load_illumination
    from sieve_inspect.measurement.comparing import compare, compare_measurements
    from sieve_inspect.measurement.model import Measurement
    from sieve_inspect.measurement.options import Judging, Prior, Resources
    from sieve_inspect.measurement.pipeline import measure, measure_array
    from sieve_inspect.outcomes import Action, Outcome
    from sieve_inspect.scale.model import Scale, load_scale
    from sieve_inspect.standard.editions import list_standards
    from sieve_inspect.standard.lookup import limits
    from sieve_inspect.standard.model import Limits
    from sieve_inspect.summary.direction import DirectionSummary
    from sieve_inspect.verdict.model import Margin, Verdict

__all__ = [
    "Action",
    "Comparison",
    "DirectionSummary",
    "Illumination",
    "InputError",
    "Judging",
    "Limits",
    "Margin",
    "Measurement",
    "Outcome",
    "Prior",
    "Resources",
    "Scale",
    "SievewardError",
    "UsageError",
    "Verdict",
    "compare",
    "compare_measurements",
    "limits",
    "list_standards",
    "load_illumination",
    "load_scale",
    "measure",
    "measure_array",
]

_NAMES = {
    "errors": ("InputError", "SievewardError", "UsageError"),
    "identity.comparison": ("Comparison",),
    "measurement.comparing": ("compare", "compare_measurements"),
    "measurement.model": ("Measurement",),
    "illumination.model": ("Illumination", "load_illumination"),
    "measurement.options": ("Judging", "Prior", "Resources"),
    "measurement.pipeline": ("measure", "measure_array"),
    "outcomes": ("Action", "Outcome"),
    "scale.model": ("Scale", "load_scale"),
    "standard.editions": ("list_standards",),
    "standard.lookup": ("limits",),
    "standard.model": ("Limits",),
    "summary.direction": ("DirectionSummary",),
    "verdict.model": ("Margin", "Verdict"),
}
_MODULES = {name: module for module, names in _NAMES.items() for name in names}


def __getattr__(name: str) -> Any:
    """Load a public name from its module."""
    if name not in _MODULES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(f"{__name__}.{_MODULES[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
