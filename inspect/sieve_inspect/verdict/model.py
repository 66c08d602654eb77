"""The records of a verdict."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from typing import Any

from sieve_inspect.outcomes import PASSING, Action, Outcome
from sieve_inspect.verdict.unseen import Unseen


class Fit(StrEnum):
    """How far the imaging of the scans carries a verdict."""

    OK = "ok"
    INDICATIVE = "indicative"
    REFUSED = "refused"


class Value(StrEnum):
    """The values of a direction that have a limit."""

    MEAN = "mean"
    LARGEST = "largest aperture"
    DEVIATION = "standard deviation"


@dataclass(frozen=True)
class ClothState:
    """The condition of a cloth, besides its statistics.

    `blocked_share` is the covered share (0 to 1) of the area of all apertures, `torn` their number
    with a torn wire; `share_above_z` the share (0 to 1) of apertures above nominal + z, for x and
    y, None where it was not counted.
    """

    blocked_share: float = 0.0
    torn: int = 0
    share_above_z: tuple[float, float] | None = None


@dataclass(frozen=True)
class Margin:
    """One value against its limits, in um; `U_um` = `k` u is its expanded uncertainty.

    `k` is the coverage factor for 95.45 % at `dof` effective degrees of freedom. `judged` is false
    where the value or its uncertainty is not known; such a row never passes. `p_conform` is the
    probability that the true value is within the limits (JCGM 106:2012).
    """

    name: Value
    direction: str  # "x" | "y"
    value_um: float
    U_um: float
    limit_low_um: float | None
    limit_high_um: float | None
    outcome: Outcome
    judged: bool = True
    p_conform: float | None = None
    k: float = 2.0
    dof: float = math.inf

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready: what is not known is null, and so are infinite degrees of freedom."""
        return {
            "name": str(self.name),
            "direction": self.direction,
            "value_um": _known(self.value_um),
            "U_um": _known(self.U_um),
            "k": _known(round(self.k, 6)),
            "dof": _known(round(self.dof, 6)),
            "limit_low_um": self.limit_low_um,
            "limit_high_um": self.limit_high_um,
            "outcome": str(self.outcome),
            "p_conform": None if self.p_conform is None else round(self.p_conform, 6),
        }


@dataclass(frozen=True)
class Share:
    """The apertures above nominal + z in one direction, in percent, against their limit."""

    direction: str
    percent: float | None
    limit_percent: float
    outcome: Outcome

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready: a share that is not known is null."""
        return {**asdict(self), "percent": _known(self.percent), "outcome": str(self.outcome)}


@dataclass(frozen=True)
class Gate:
    """A condition of a pass that is not met: the reason, and what would meet it."""

    reason: str
    remedy: str


def with_remedies(action: Action, advice: str, gates: Sequence[Gate]) -> tuple[Action, str]:
    """An action and its reason where conditions of a pass are not met."""
    remedies = "; ".join(dict.fromkeys(gate.remedy for gate in gates))
    if action == Action.KEEP:
        return Action.MEASURE_BETTER, f"Proposed: {remedies}. You decide."
    return action, f"{advice} For a pass also: {remedies}."


@dataclass(frozen=True, repr=False)
class Verdict:
    """A measurement judged by the limits of an edition; the action is a proposal.

    `rule` is the decision rule as written, `margins` and `shares` hold every value judged. `unseen`
    is what a partial scan says of the other apertures; it decides nothing.
    """

    standard: str
    grade: str
    rule: str
    outcome: Outcome
    reasons: tuple[str, ...]
    action: Action
    action_reason: str
    margins: tuple[Margin, ...]
    shares: tuple[Share, ...] = ()
    unseen: Unseen | None = None

    def __repr__(self) -> str:
        return (
            f"<Verdict {self.outcome}: {self.standard[-40:]}, grade {self.grade}, "
            f"rule {self.rule}, {len(self.margins)} margins; proposed: {self.action}>"
        )

    def with_doubts(self, doubts: Sequence[str]) -> Verdict:
        """The same, only conditional, where there are reasons to doubt the scale."""
        if not doubts:
            return self
        return replace(
            self,
            outcome=self.outcome.only_conditional,
            reasons=(*self.reasons, *doubts),
            action=Action.MEASURE_BETTER,
            action_reason="Proposed: measure better: calibrate the device with a certified "
            "artefact and check again. You decide.",
        )

    def with_unseen(self, unseen: Unseen | None, sentence: str) -> Verdict:
        """The same with what is to be said of the apertures not measured, unless it fails."""
        if unseen is None:
            return self
        said = (sentence,) if self.outcome in PASSING else ()
        return replace(self, unseen=unseen, reasons=(*self.reasons, *said))

    def with_gates(self, gates: Sequence[Gate]) -> Verdict:
        """The same where conditions of a pass are not met: then it passes conditionally at best.

        What fails, fails without them. An action such as cleaning stays before measuring again.
        """
        if not gates or self.outcome not in PASSING:
            return self
        action, advice = with_remedies(self.action, self.action_reason, gates)
        return replace(
            self,
            outcome=Outcome.CONDITIONAL_PASS,
            reasons=(*self.reasons, *(f"{gate.reason}." for gate in gates)),
            action=action,
            action_reason=advice,
        )

    def to_dict(self) -> dict[str, Any]:
        """The verdict as a JSON-ready dictionary; `shares` only where the edition limits them."""
        shares = {"shares": [share.to_dict() for share in self.shares]} if self.shares else {}
        return {
            "standard": self.standard,
            "grade": self.grade,
            "rule": self.rule,
            "outcome": str(self.outcome),
            "reasons": list(self.reasons),
            "action": str(self.action),
            "action_reason": self.action_reason,
            "margins": [margin.to_dict() for margin in self.margins],
            **shares,
            **({} if self.unseen is None else {"whole_cloth": self.unseen.to_dict()}),
        }


def _known(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None
