"""From measured directions and limits to an outcome, its reasons and a proposed action."""

from sieve_inspect.verdict.judge import judge
from sieve_inspect.verdict.model import ACTIONS, OUTCOMES, RULES, Margin, Share, Verdict, worst
from sieve_inspect.verdict.risk import Normal, global_risks, posterior, specific_risk
from sieve_inspect.verdict.rules import Rule, p_conform, read_rule

__all__ = [
    "ACTIONS",
    "OUTCOMES",
    "RULES",
    "Margin",
    "Normal",
    "Rule",
    "Share",
    "Verdict",
    "global_risks",
    "judge",
    "p_conform",
    "posterior",
    "read_rule",
    "specific_risk",
    "worst",
]
