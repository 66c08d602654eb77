"""What ten thousand sieves are answered from is the same as everything recorded of them."""

from __future__ import annotations

import random
from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

from clock import Clock
from sieve_inspect.errors import UsageError
from sieve_registry.audit import verification
from sieve_registry.cli.support.records import due_dict
from sieve_registry.errors import RuleRefusedError, UnknownRecordError
from sieve_registry.ledger.records import SieveState
from sieve_registry.quality import corrections as quality_corrections
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.sieves.state import state_as_of
from sieve_registry.store import reader
from sieve_registry.store.engine import Registry

FIRST = date(2025, 1, 1)


def some_life(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any], clock: Clock, seed: int
) -> None:
    """Sieves with and without limits by uses, checked, used, edited, quarantined, corrected."""
    chance = random.Random(seed)
    for number in range(6):
        options = {"in_service": FIRST} if number % 2 else {}
        add(f"S-{number}", interval_uses=40 if number % 3 == 0 else None, **options)
    for _ in range(40):
        sieve = f"S-{chance.randrange(6)}"
        on = FIRST + timedelta(days=chance.randrange(300))
        terms = RecordTerms(on, "Ada Moss", "late")
        try:
            match chance.randrange(6):
                case 0:
                    outcome = chance.choice(["pass", "fail"])
                    check(sieve, on=on.isoformat(), outcome=outcome)
                case 1 | 2:
                    sieve_commands.log_use(registry, sieve, chance.randrange(1, 30), on_date=on)
                case 3:
                    uses = chance.choice([None, 20])
                    sieve_commands.edit_sieve(
                        registry, sieve, interval_months=3, interval_uses=uses, on_date=on
                    )
                case 4:
                    sieve_commands.quarantine(registry, sieve, "x", terms)
                case _:
                    count = verification.ledger_head(registry)[0]
                    changes = {"date": (on + timedelta(days=3)).isoformat()}
                    quality_corrections.correct(
                        registry, str(chance.randrange(1, count + 1)), changes, "x", terms
                    )
        except (RuleRefusedError, UsageError, UnknownRecordError):
            continue


def listed(state: SieveState | None) -> dict[str, Any]:
    """What a list of due days shows of a sieve, and its state but for the last check."""
    if state is None:
        return {}
    return {**state.__dict__, "last_check": None, **due_dict(state)}


def test_short_and_complete_histories_give_the_same_state_on_every_day(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any], clock: Clock
) -> None:
    some_life(registry, add, check, clock, seed=7)
    with registry.reading() as connection:
        whole = reader.histories(connection)
        assert any(history.corrections for history in whole.values())
        for days in range(0, 430, 13):
            day = FIRST + timedelta(days=days)
            short = reader.histories_at(connection, day)
            marked = reader.histories_at(connection, day, marks=True)
            assert list(short) == list(marked) == list(whole)
            for sieve_id, history in whole.items():
                state = state_as_of(history, day)
                assert state_as_of(short[sieve_id], day) == state
                assert listed(state_as_of(marked[sieve_id], day)) == listed(state)


def test_histories_up_to_an_event_are_those_of_that_moment(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any], clock: Clock
) -> None:
    some_life(registry, add, check, clock, seed=3)
    with registry.reading() as connection:
        before = reader.histories(connection)
        count = reader.count_events(connection)
    check("S-0")
    add("S-9")
    sieve_commands.log_use(registry, "S-9", 5)
    quality_corrections.correct(registry, str(count + 3), {"count": "6"}, "x", RecordTerms())
    with registry.reading() as connection:
        assert reader.histories(connection, until=count) == before
        today = registry.today()
        for sieve_id, history in reader.histories_at(connection, today, count).items():
            assert state_as_of(history, today) == state_as_of(before[sieve_id], today)
