"""The outcomes of a verdict, their order, and the actions a verdict may propose."""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum


class Outcome(StrEnum):
    """From best to worst, the words of ILAC-G8:09/2019."""

    PASS = "pass"
    CONDITIONAL_PASS = "conditional pass"
    CONDITIONAL_FAIL = "conditional fail"
    FAIL = "fail"

    @property
    def only_conditional(self) -> Outcome:
        """The conditional outcome on the same side of the limit."""
        passes = self in (Outcome.PASS, Outcome.CONDITIONAL_PASS)
        return Outcome.CONDITIONAL_PASS if passes else Outcome.CONDITIONAL_FAIL


OUTCOMES = tuple(Outcome)
NOT_JUDGED = "not judged"  # of a measurement without limits
FOR_INFORMATION = "for information"  # of a check recorded without being judged
PASSING = (Outcome.PASS, Outcome.CONDITIONAL_PASS)
FAILING = (Outcome.FAIL, Outcome.CONDITIONAL_FAIL)


class Action(StrEnum):
    """What a verdict proposes; a person decides."""

    KEEP = "keep"
    KEEP_SHORTER = "keep with a shorter interval"
    CLEAN = "clean and recheck"
    MEASURE_BETTER = "measure better"
    RESTRICT = "restrict to coarser limits"
    RETIRE = "retire"


ACTIONS = tuple(Action)


def worst(outcomes: Iterable[Outcome]) -> Outcome:
    """The worst of some outcomes; "pass" when there is none."""
    return max(outcomes, key=OUTCOMES.index, default=Outcome.PASS)
