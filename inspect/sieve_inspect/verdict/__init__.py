"""From measured directions and limits to an outcome, its reasons and a proposed action."""

from sieve_inspect.verdict.judge import judge
from sieve_inspect.verdict.model import ACTIONS, OUTCOMES, RULES, Margin, Share, Verdict, worst

__all__ = ["ACTIONS", "OUTCOMES", "RULES", "Margin", "Share", "Verdict", "judge", "worst"]
