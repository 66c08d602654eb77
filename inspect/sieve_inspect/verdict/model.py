"""The records of a verdict, and the order of its outcomes."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

__all__ = ["ACTIONS", "OUTCOMES", "RULES", "Margin", "Share", "Verdict", "worst"]

# From best to worst, words of ILAC-G8:09/2019.
OUTCOMES = ("pass", "conditional pass", "conditional fail", "fail")
ACTIONS = (
    "keep",
    "keep with a shorter interval",
    "clean and recheck",
    "measure better",
    "restrict to coarser limits",
    "retire",
)
RULES = ("guard-band", "simple", "probability")


def worst(outcomes: Iterable[str]) -> str:
    """The worst of some outcomes; "pass" when there is none."""
    return max(outcomes, key=OUTCOMES.index, default=OUTCOMES[0])


@dataclass(frozen=True)
class Margin:
    """One value against its limits, in um; `U_um` is the expanded uncertainty (k = 2).

    `judged` is false where the value or its uncertainty is not known; such a row never passes.
    `p_conform` is the probability that the true value is within the limits (JCGM 106:2012).
    """

    name: str  # "mean" | "largest aperture" | "standard deviation"
    direction: str  # "x" | "y"
    value_um: float
    U_um: float
    limit_low_um: float | None
    limit_high_um: float | None
    outcome: str
    judged: bool = True
    p_conform: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready: a value that is not known is null."""
        return {
            "name": self.name,
            "direction": self.direction,
            "value_um": _known(self.value_um),
            "U_um": _known(self.U_um),
            "limit_low_um": self.limit_low_um,
            "limit_high_um": self.limit_high_um,
            "outcome": self.outcome,
            "p_conform": None if self.p_conform is None else round(self.p_conform, 6),
        }


@dataclass(frozen=True)
class Share:
    """The apertures above nominal + z in one direction, in percent, against their limit."""

    direction: str
    percent: float | None
    limit_percent: float
    outcome: str

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready: a share that is not known is null."""
        return {
            "direction": self.direction,
            "percent": None if self.percent is None else _known(self.percent),
            "limit_percent": self.limit_percent,
            "outcome": self.outcome,
        }


@dataclass(frozen=True)
class Verdict:
    """What a measurement says against the limits; the action is a proposal, a person decides."""

    standard: str
    grade: str
    rule: str
    outcome: str
    reasons: tuple[str, ...]
    action: str
    action_reason: str
    margins: tuple[Margin, ...]
    shares: tuple[Share, ...] = ()

    def with_doubts(self, doubts: Sequence[str]) -> Verdict:
        """The same with reasons why its outcome can only be conditional; itself without any."""
        if not doubts:
            return self
        return replace(
            self,
            outcome=f"conditional {self.outcome.removeprefix('conditional ')}",
            reasons=(*self.reasons, *doubts),
            action="measure better",
            action_reason="Proposed: measure better: calibrate the device with a certified "
            "artefact and check again. You decide.",
        )

    def to_dict(self) -> dict[str, Any]:
        """The verdict as a JSON-ready dictionary; `shares` only where the edition limits them."""
        shares = {"shares": [share.to_dict() for share in self.shares]} if self.shares else {}
        return {
            "standard": self.standard,
            "grade": self.grade,
            "rule": self.rule,
            "outcome": self.outcome,
            "reasons": list(self.reasons),
            "action": self.action,
            "action_reason": self.action_reason,
            "margins": [margin.to_dict() for margin in self.margins],
            **shares,
        }


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None
