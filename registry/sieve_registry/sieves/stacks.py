"""The stacks sieves work in: kept by name, asked before a run, logged after it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal

from sqlalchemy import Connection

from sieve_registry.errors import StackError
from sieve_registry.ledger.events import StackRun, StackSet, UseLogged
from sieve_registry.ledger.records import Fact, Finding, SieveState, UseDetails
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import stack_rules as rules
from sieve_registry.sieves.recording import (
    RecordContext,
    RecordTerms,
    history_for_recording,
    history_of,
    record_general,
)
from sieve_registry.sieves.state import state_as_of
from sieve_registry.store import reader
from sieve_registry.store.engine import Registry
from sieve_registry.values import clean_id


@dataclass(frozen=True)
class Readiness:
    """A stack on one day, coarse on top: what stands against a run, and what is only told."""

    name: str
    as_of: date
    sieves: tuple[SieveState, ...]
    findings: tuple[Finding, ...]
    notes: tuple[Finding, ...]

    @property
    def is_ready(self) -> bool:
        """Whether nothing stands against a run."""
        return not self.findings


@dataclass(frozen=True)
class Run:
    """A run that was logged, with what was remarkable about it."""

    name: str
    event: int
    sieves: tuple[SieveState, ...]
    findings: tuple[Finding, ...]


def add(
    registry: Registry,
    name: str,
    sieve_ids: Sequence[str],
    terms: RecordTerms,
    *,
    replacing: bool = False,
) -> Readiness:
    """Keep a stack, the topmost sieve first.

    Raises `StackError` for a name in use (unless `replacing`), one sieve twice or none at all, and
    `UnknownSieveError`.
    """
    stack = clean_id(name)
    with registry.writing() as connection:
        if not sieve_ids:
            raise StackError(stack=stack, reason="holds no sieve: name them, coarse on top")
        ids = [history_of(connection, sieve_id).sieve.id for sieve_id in sieve_ids]
        twice = sorted({sieve_id for sieve_id in ids if ids.count(sieve_id) > 1})
        if twice:
            raise StackError(stack=stack, reason=f"names {twice[0]} twice")
        if not replacing and _kept(connection, stack) is not None:
            raise StackError(
                stack=stack, reason="is there already: see it with `sieveward stack show`, or "
                "change it with --replace"
            )  # fmt: skip
        record_general(registry, connection, stack, StackSet(sieves=tuple(ids)), terms)
    return ready(registry, stack)


def names(registry: Registry) -> list[str]:
    """The names of all stacks."""
    with registry.reading() as connection:
        return sorted({fact.subject for fact in reader.facts(connection, [StackSet])})


def show(registry: Registry, name: str) -> tuple[Readiness, list[Fact[StackRun]]]:
    """A stack as it is today, and its runs."""
    stack = ready(registry, name)
    with registry.reading() as connection:
        return stack, reader.facts(connection, [StackRun], stack.name)


def ready(registry: Registry, name: str, as_of: date | None = None) -> Readiness:
    """Whether a stack can be run: every sieve, its frame, the order and the series.

    Raises `StackError` for a stack there is not.
    """
    day = as_of or registry.today()
    with registry.reading() as connection:
        stack, states = _states(connection, name, day)
    return Readiness(
        stack, day, states,
        tuple(rules.ready_findings(states)),
        (*rules.standing_notes(states), *rules.series_notes(states)),
    )  # fmt: skip


def run(
    registry: Registry,
    name: str,
    details: UseDetails,
    terms: RecordTerms,
    *,
    count: int = 1,
    note: str = "",
    retained_g: Mapping[str, Decimal] | None = None,
) -> Run:
    """Log a run: one event for the stack, and the use of each sieve, all of it or nothing.

    Raises `StackError` for a mass on a sieve that is not in the stack, and what `log_use` raises.
    """
    masses = dict(retained_g or {})
    with registry.writing() as connection:
        day = terms.on_date or registry.today()
        stack, states = _states(connection, name, day)
        ids = [state.sieve.id for state in states]
        strange = sorted(masses.keys() - {*ids, rules.PAN})
        if strange:
            raise StackError(stack=stack, reason=f"has no sieve {strange[0]!r}")
        payload = StackRun(
            **sieve_commands.use_fields(count, note, replace(details, retained_g=None)),
            sieves=tuple(ids),
            retained_g=masses,
        )
        event = record_general(registry, connection, stack, payload, terms)
        for sieve_id in ids:
            noun = f"the use of {sieve_id}"
            history_for_recording(registry, connection, sieve_id, UseLogged, terms, noun=noun)
            on_it = replace(details, stack=stack, retained_g=masses.get(sieve_id))
            use = UseLogged(**sieve_commands.use_fields(count, note, on_it), run=event.seq)
            context = RecordContext(registry, connection, sieve_id, day, terms.late_reason)
            context.append(use, terms.by)
        after = _states(connection, stack, day)[1]
    loads = rules.load_findings(states, masses, details.mass_g)
    return Run(stack, event.seq, after, tuple(loads))


def _kept(connection: Connection, name: str, day: date | None = None) -> Fact[StackSet] | None:
    facts = reader.facts(connection, [StackSet], name)
    days = [fact for fact in facts if day is None or fact.on_date <= day]
    return max(days, key=lambda fact: (fact.on_date, fact.seq), default=None)


def _states(connection: Connection, name: str, day: date) -> tuple[str, tuple[SieveState, ...]]:
    stack = clean_id(name)
    kept = _kept(connection, stack, day) or _kept(connection, stack)
    if kept is None:
        known = sorted({fact.subject for fact in reader.facts(connection, [StackSet])})
        there = f"; there are {', '.join(known)}" if known else ": `sieveward stack add` keeps one"
        raise StackError(stack=stack, reason=f"is not known{there}")
    states = []
    for sieve_id in kept.payload.sieves:
        current = state_as_of(history_of(connection, sieve_id), day)
        if current is None:
            raise StackError(stack=stack, reason=f"names {sieve_id}, which was not there on {day}")
        states.append(current)
    return stack, tuple(states)
