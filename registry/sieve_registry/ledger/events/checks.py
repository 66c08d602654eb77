"""Events of checks, decisions and studies."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sieve_registry.ledger.codec import EventPayload, optional
from sieve_registry.ledger.figures import (
    ClothLink,
    DirectionFigures,
    EvidenceFile,
    Margin,
    StudyFigures,
)


@dataclass(frozen=True, kw_only=True)
class CheckRecorded(EventPayload, kind="check recorded", noun="the check", version=7):
    """A check with the files that prove it; `cloth` is the earlier check of the same cloth.

    `visual` keeps what the eye saw, by whom and when; `equipment` names the equipment used beside
    the device, such as a thermometer; other mappings are the measurement's own JSON.
    """

    check: str
    nominal_nm: int
    standard: str
    grade: str
    rule: str
    outcome: str
    action: str
    action_reason: str
    reasons: tuple[str, ...]
    fit: str
    x: DirectionFigures
    y: DirectionFigures
    margins: tuple[Margin, ...]
    images: tuple[Mapping[str, Any], ...]
    shares: tuple[Any, ...]
    scale: Mapping[str, Any] | None
    evidence: tuple[EvidenceFile, ...]
    measured_with: Mapping[str, Any] | None = optional(None)
    warnings: tuple[str, ...] = optional(())
    trace: Mapping[str, Any] | None = optional(None, since=2)
    light: Mapping[str, Any] | None = optional(None, since=3)
    imported: Mapping[str, int] | None = optional(None, since=2)
    visual: Mapping[str, str] | None = optional(None, since=3)
    cloth: ClothLink | None = optional(None, since=4)
    environment: Mapping[str, Any] | None = optional(None, since=5)
    equipment: tuple[str, ...] = optional((), since=6)


@dataclass(frozen=True, kw_only=True)
class CheckSigned(EventPayload, kind="check signed", noun="the sign-off"):
    """A check signed off by a second person."""

    check: str
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class ActionDecided(EventPayload, kind="action decided", noun="the decision"):
    """A person's decision after a check, beside the proposed action."""

    check: str
    proposed: str
    decided: str
    reason: str


@dataclass(frozen=True, kw_only=True)
class ResultReviewed(EventPayload, kind="result reviewed", noun="the decision on a result"):
    """What became of a result of a bad sieve: `result` is a text of `ResultState`.

    `cause` and `use` are the events that put the result in question and that logged the use.
    """

    cause: int
    use: int
    result: str
    reason: str


@dataclass(frozen=True, kw_only=True)
class DecisionRuleSet(EventPayload, kind="decision rule set", noun="the decision rule"):
    """The decision rule of a sieve's checks; `coarser` are pairs of standard and grade."""

    rule: str
    coarser: tuple[tuple[str, str], ...] = ()
    study: str = ""


@dataclass(frozen=True, kw_only=True)
class IntervalDecided(EventPayload, kind="interval decided", noun="the interval"):
    """A proposed interval that a person accepted; None is no limit by uses."""

    method: str
    months: int | None
    uses: int | None
    was_months: int | None
    was_uses: int | None
    reasons: tuple[str, ...]
    reason: str


@dataclass(frozen=True, kw_only=True)
class ReferenceChecked(
    EventPayload, kind="reference check recorded", noun="the reference check", version=2
):
    """A check with a reference: `kind` is beads, cement or master.

    `equipment` names the equipment used, such as a balance, and `warnings` what was to be known of
    it. `other` holds the figures of that kind as JSON values; `reference_rules` defines them.
    """

    kind: str
    material: str
    outcome: str
    equipment: tuple[str, ...] = optional((), since=2)
    warnings: tuple[str, ...] = optional((), since=2)


@dataclass(frozen=True, kw_only=True)
class RepeatabilityStudied(EventPayload, kind="repeatability study recorded", noun="the study"):
    """A repeatability study by direction, "both" where directions were not kept apart."""

    directions: Mapping[str, StudyFigures]
