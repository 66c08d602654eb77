"""The recorded scale for scans without a named scale: by the dpi written in their files."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

from sieve_inspect.errors import UsageError
from sieve_inspect.image import dpi_of
from sieve_registry.ledger.events import ScaleCalibrated
from sieve_registry.scales.calibrations import KeptScale, kept_scale
from sieve_registry.scales.corrections import live_facts
from sieve_registry.store.engine import Registry

# Settings of a scanner lie a factor of 1.2 or more apart, its real scale within 0.5 % of the one
# set (Boron, ISPRS 1996): what differs by more is another setting.
_SAME_SETTING = 0.01


def recorded_scales(registry: Registry, day: date) -> list[KeptScale]:
    """The recorded scales as last calibrated up to a day, by name; expired scales too."""
    facts = live_facts(registry, None, [ScaleCalibrated])
    names = sorted({fact.subject for fact in facts if fact.on_date <= day})
    kept = (kept_scale(registry, name, day) for name in names)
    return [scale for scale in kept if scale is not None]


def default_scale(
    registry: Registry, images: Sequence[Path], day: date, preferred: Sequence[str] = ()
) -> KeptScale:
    """The valid recorded scale whose pixels are those of the scans by their dpi.

    Scans without dpi take the first of the `preferred` names (of scales or devices); these also
    decide between several that fit. Raises `UsageError` where no scale or more than one fits.
    """
    valid = [scale for scale in recorded_scales(registry, day) if day <= scale.valid_until]
    if not valid:
        raise UsageError(
            message="No valid scale is recorded: choose another scale, or record one first."
        )
    tags = {tag for image in images if (tag := dpi_of(image)) is not None}
    fitting = [scale for scale in valid if all(_fits(scale, tag) for tag in tags)]
    liked = [s for name in preferred for s in fitting if name and name in (s.name, s.device)]
    if liked:
        return liked[0]
    if len(fitting) == 1:
        return fitting[0]
    raise _unclear(tags, fitting or valid, fits=bool(fitting))


def _unclear(
    tags: set[tuple[float, float]], scales: Sequence[KeptScale], *, fits: bool
) -> UsageError:
    """The error where no scale or more than one fits."""
    reason = "The scans do not state their dpi"
    if tags and fits:
        reason = "Several recorded scales fit the dpi of the scans"
    elif tags:
        stated = " and ".join(f"{x:.0f} × {y:.0f}" for x, y in sorted(tags))
        reason = f"No valid recorded scale fits {stated} dpi, as the scans state"
    names = ", ".join(f"{s.name} ({25_400 / s.um_per_px[0]:.0f} dpi)" for s in scales)
    return UsageError(message=f"{reason}: choose a scale. Recorded: {names}.")


def dpi_sentence(scale: KeptScale, images: Sequence[Path]) -> str:
    """Why this scale was taken, for the person at the screen."""
    tag = next((tag for image in images if (tag := dpi_of(image)) is not None), None)
    reason = "by the settings" if tag is None else f"by the {tag[0]:.0f} dpi of the scans"
    return f"Scale {scale.name} is used, {reason}"


def _fits(scale: KeptScale, tag: tuple[float, float]) -> bool:
    return all(
        abs(25_400 / dpi / um - 1) <= _SAME_SETTING
        for dpi, um in zip(tag, scale.um_per_px, strict=True)
    )
