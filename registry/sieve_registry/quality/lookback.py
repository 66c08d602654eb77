"""Uses of a failed sieve since its last good check (ISO/IEC 17025:2017, 7.10)."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from sieve_inspect.outcomes import FAILING, PASSING
from sieve_registry.events import SieveQuarantined
from sieve_registry.records import Check, Fact, SieveHistory, Use, facts_of_type


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
    end = (cause.on_date, cause.seq)
    good = max(
        (
            check
            for check in history.checks
            if check.outcome in PASSING and (check.on_date, check.seq) < end
        ),
        key=lambda check: (check.on_date, check.seq),
        default=None,
    )
    begin = None if good is None else (good.on_date, good.seq)
    used = sorted(
        (use for use in history.uses if use.on_date <= day), key=lambda u: (u.on_date, u.seq)
    )
    counted = [use for use in used if begin is None or (use.on_date, use.seq) > begin]
    again = _next_pass(history, cause, day)
    return Lookback(
        sieve_id=history.sieve.id,
        as_of=day,
        cause=cause,
        good=good,
        since=good.on_date if good else history.sieve.in_service,
        between=tuple(use for use in counted if (use.on_date, use.seq) < end),
        after=tuple(
            use
            for use in counted
            if (use.on_date, use.seq) > end
            and (again is None or (use.on_date, use.seq) < (again.on_date, again.seq))
        ),
    )


def _cause(history: SieveHistory, day: date) -> Cause | None:
    """The last failed check, or damage found, up to a day.

    Of several failed checks in a row the first counts: uses between them were made with a sieve
    known to have failed.
    """
    checks = sorted(
        (c for c in history.checks if c.on_date <= day), key=lambda c: (c.on_date, c.seq)
    )
    failed: Cause | None = None
    in_a_row = False
    for check in checks:
        if check.outcome in FAILING and not in_a_row:
            reason = f"the outcome of check {check.id} on {check.on_date} is {check.outcome}"
            failed = Cause(check.on_date, check.seq, reason, check)
        in_a_row = check.outcome in FAILING
    acts = facts_of_type(history.acts, SieveQuarantined)
    damages = [_damage(act) for act in acts if act.on_date <= day]
    causes = [one for one in (failed, *damages) if one is not None]
    return max(causes, key=lambda one: (one.on_date, one.seq), default=None)


def _damage(act: Fact[SieveQuarantined]) -> Cause | None:
    if not act.payload.damage:
        return None
    reason = f"damage was found on {act.on_date}: {act.payload.reason}"
    return Cause(act.on_date, act.seq, reason)


def _next_pass(history: SieveHistory, cause: Cause, day: date) -> Check | None:
    later = [
        check
        for check in history.checks
        if check.outcome in PASSING
        and check.on_date <= day
        and (check.on_date, check.seq) > (cause.on_date, cause.seq)
    ]
    return min(later, key=lambda check: (check.on_date, check.seq), default=None)
