"""A measurement whose scale was accepted against its limits: its outcome is only conditional."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from sieve_registry.checks.evidence import MeasurementLike

__all__ = ["doubted"]

_CONDITIONAL = {"pass": "conditional pass", "fail": "conditional fail"}


class _Doubted:
    """A measurement that says why its verdict cannot be a plain one."""

    def __init__(self, found: MeasurementLike, doubts: Sequence[str]) -> None:
        self._found = found
        self._doubts = tuple(doubts)

    def to_dict(self) -> dict[str, Any]:
        found = self._found.to_dict()
        verdict = found.get("verdict")
        if not verdict:
            return found
        outcome = verdict["outcome"]
        reasons = [*verdict["reasons"], *self._doubts]
        changed = {
            "outcome": _CONDITIONAL.get(outcome, outcome),
            "reasons": reasons,
            "action": "measure better",
            "action_reason": "Proposed: measure better: calibrate the device with a certified "
            "artefact and check again. You decide.",
        }
        return {**found, "verdict": {**verdict, **changed}}

    def apertures_csv(self) -> str:
        return self._found.apertures_csv()

    def overlay_png(self, index: int) -> bytes:
        return self._found.overlay_png(index)


def doubted(
    doubts: Sequence[str], measure: Callable[..., MeasurementLike] | None = None
) -> Callable[..., MeasurementLike] | None:
    """Measuring (by `measure`) with those doubts in its verdict; as it is where there are none."""
    if not doubts:
        return measure

    def measured(images: Sequence[Path], **options: Any) -> MeasurementLike:
        from sieve_inspect.measurement.pipeline import measure as measure_scans

        return _Doubted((measure or measure_scans)(images, **options), doubts)

    return measured
