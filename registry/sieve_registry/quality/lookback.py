"""Uses of a failed sieve since its last good check (ISO/IEC 17025:2017, 7.10)."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from sieve_inspect.outcomes import FAILING, PASSING
from sieve_registry.events import SieveQuarantined
from sieve_registry.outlook.cloth_history import in_order, moment
from sieve_registry.records import Check, SieveHistory, Use, facts_of_type


@dataclass(frozen=True)
class Cause:
    """Why a look-back is needed: a failed check or damage, on a day."""

    on_date: date
    seq: int
    reason: str
    check: Check | None = None


@dataclass(frozen=True)
class Lookback:
    """The uses to review: `between` the good check and the cause, and `after` it."""

    sieve_id: str
    as_of: date
    cause: Cause | None
    good: Check | None
    since: date | None  # first day that counts: of the good check, else of service
    between: tuple[Use, ...] = ()
    after: tuple[Use, ...] = ()

    @property
    def uses(self) -> int:
        """The total number of uses to review."""
        return sum(use.count for use in (*self.between, *self.after))


def lookback_of(history: SieveHistory, day: date) -> Lookback:
    """The look-back from the last failed check or damage up to a day, if there is one."""
    cause = _cause(history, day)
    if cause is None:
        return Lookback(history.sieve.id, day, None, None, None)
    passed = [check for check in in_order(history, day) if check.outcome in PASSING]
    end = moment(cause)
    good = next((check for check in reversed(passed) if moment(check) < end), None)
    again = next((check for check in passed if moment(check) > end), None)
    used = sorted((use for use in history.uses if use.on_date <= day), key=moment)
    counted = [use for use in used if good is None or moment(use) > moment(good)]
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
    )


def _cause(history: SieveHistory, day: date) -> Cause | None:
    """The last failed check, or recorded damage, up to a day.

    Of several failed checks in a row the first counts: uses between them were made with a sieve
    known to have failed.
    """
    causes: list[Cause] = []
    in_a_row = False
    for check in in_order(history, day):
        if check.outcome in FAILING and not in_a_row:
            reason = f"the outcome of check {check.id} on {check.on_date} is {check.outcome}"
            causes.append(Cause(check.on_date, check.seq, reason, check))
        in_a_row = check.outcome in FAILING
    for act in facts_of_type(history.acts, SieveQuarantined):
        if act.payload.damage and act.on_date <= day:
            reason = f"damage was found on {act.on_date}: {act.payload.reason}"
            causes.append(Cause(act.on_date, act.seq, reason))
    return max(causes, key=moment, default=None)
