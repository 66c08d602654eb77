"""Uses of a bad sieve since its last good check, and what became of their results.

ISO/IEC 17025:2017, 7.10: every cause is looked back on by itself, and stays open until each result
is decided: not affected, or affected and the customer told. A decision about the sieve closes none.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

from sieve_inspect.outcomes import FAILING, PASSING
from sieve_registry.ledger.choices import ResultState
from sieve_registry.ledger.events import ReferenceChecked, ResultReviewed, SieveQuarantined
from sieve_registry.ledger.records import Check, Fact, SieveHistory, Use, facts_of_type
from sieve_registry.outlook.cloth_history import moment, results_in_order

_BAD_REFERENCE = ("scrap", "unsatisfactory")  # of cement and of a master comparison


@dataclass(frozen=True)
class Cause:
    """Why a look-back is needed: a failed check or certificate, a bad reference check, damage."""

    on_date: date
    seq: int
    reason: str
    check: Check | None = None


@dataclass(frozen=True)
class Lookback:
    """The uses to review: `between` the good check and the cause, and `after` it.

    `decided` is the last decision on the result of each use, by the use's event number.
    """

    sieve_id: str
    as_of: date
    cause: Cause | None
    good: Check | None
    since: date | None  # first day that counts: of the good check, else of service
    between: tuple[Use, ...] = ()
    after: tuple[Use, ...] = ()
    decided: Mapping[int, Fact[ResultReviewed]] = field(default_factory=dict)

    @property
    def entries(self) -> tuple[Use, ...]:
        """The uses to review, in their order."""
        return (*self.between, *self.after)

    @property
    def uses(self) -> int:
        """The total number of uses to review."""
        return sum(use.count for use in self.entries)

    @property
    def undecided(self) -> tuple[Use, ...]:
        """The uses whose result is not decided, or affected with the customer not told yet."""
        return tuple(use for use in self.entries if self.state_of(use) in _OPEN)

    def state_of(self, use: Use) -> ResultState | None:
        """What was decided last on the result of a use; None where nothing was."""
        fact = self.decided.get(use.seq)
        return None if fact is None else ResultState(fact.payload.result)


_OPEN = (None, ResultState.AFFECTED)


def lookbacks_of(history: SieveHistory, day: date) -> list[Lookback]:
    """The look-back of every cause up to a day, oldest first."""
    return [_lookback(history, cause, day) for cause in _causes(history, day)]


def lookback_of(history: SieveHistory, day: date) -> Lookback:
    """The look-back from the last cause up to a day, if there is one."""
    every = lookbacks_of(history, day)
    return every[-1] if every else Lookback(history.sieve.id, day, None, None, None)


def _lookback(history: SieveHistory, cause: Cause, day: date) -> Lookback:
    passed = [c for c in results_in_order(history, day) if c.outcome in PASSING]
    end = moment(cause)
    good = next((check for check in reversed(passed) if moment(check) < end), None)
    again = next((check for check in passed if moment(check) > end), None)
    used = sorted((use for use in history.uses if use.on_date <= day), key=moment)
    counted = [use for use in used if good is None or moment(use) > moment(good)]
    reviews = facts_of_type(history.opinions, ResultReviewed)
    return Lookback(
        sieve_id=history.sieve.id,
        as_of=day,
        cause=cause,
        good=good,
        since=good.on_date if good else history.sieve.in_service,
        between=tuple(use for use in counted if moment(use) < end),
        after=tuple(
            use
            for use in counted
            if moment(use) > end and (again is None or moment(use) < moment(again))
        ),
        decided={
            fact.payload.use: fact
            for fact in sorted(reviews, key=moment)
            if fact.payload.cause == cause.seq and fact.on_date <= day
        },
    )


def _causes(history: SieveHistory, day: date) -> list[Cause]:
    """The failed checks, bad reference checks and recorded damage up to a day, in order.

    Of several failed checks in a row the first counts: uses between them were made with a sieve
    known to have failed.
    """
    causes: list[Cause] = []
    in_a_row = False
    own = {check.seq for check in history.checks}
    for check in results_in_order(history, day):
        if check.outcome in FAILING and not in_a_row:
            name = f"check {check.id}" if check.seq in own else check.id
            reason = f"the outcome of {name} on {check.on_date} is {check.outcome}"
            causes.append(Cause(check.on_date, check.seq, reason, check))
        in_a_row = check.outcome in FAILING
    for act in facts_of_type(history.acts, SieveQuarantined):
        if act.payload.damage and act.on_date <= day:
            reason = f"damage was found on {act.on_date}: {act.payload.reason}"
            causes.append(Cause(act.on_date, act.seq, reason))
    for fact in facts_of_type(history.opinions, ReferenceChecked):
        if fact.payload.outcome in _BAD_REFERENCE and fact.on_date <= day:
            what = f"the {fact.payload.kind} check on {fact.on_date} ({fact.payload.material})"
            causes.append(Cause(fact.on_date, fact.seq, f"{what} is {fact.payload.outcome}"))
    return sorted(causes, key=moment)
