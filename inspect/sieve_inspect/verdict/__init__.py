"""From measured directions and limits to an outcome, its reasons and a proposed action."""

from sieve_inspect.outcomes import (
    ACTIONS,
    FAILING,
    OUTCOMES,
    PASSING,
    Action,
    Outcome,
    worst,
)
from sieve_inspect.verdict.judge import judge
from sieve_inspect.verdict.model import (
    ClothState,
    Fit,
    Gate,
    Margin,
    Share,
    Value,
    Verdict,
    with_remedies,
)
from sieve_inspect.verdict.risk import Normal, global_risks, posterior, specific_risk
from sieve_inspect.verdict.rules import RULES, Rule, p_conform, read_rule

__all__ = [
    "ACTIONS",
    "FAILING",
    "OUTCOMES",
    "PASSING",
    "RULES",
    "Action",
    "ClothState",
    "Fit",
    "Gate",
    "Margin",
    "Normal",
    "Outcome",
    "Rule",
    "Share",
    "Value",
    "Verdict",
    "global_risks",
    "judge",
    "p_conform",
    "posterior",
    "read_rule",
    "specific_risk",
    "with_remedies",
    "worst",
]
