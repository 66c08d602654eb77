"""A sample of checks chosen at random, each with its whole chain, for an assessor to follow.

The choice depends on the seed, the day and the checks of that day or earlier alone: the same seed
gives the same checks, unless a check of an earlier day is entered late.
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import Connection

from sieve_inspect.errors import UsageError
from sieve_registry.audit.issued import issued_until
from sieve_registry.checks import queries as check_queries
from sieve_registry.ledger.events import CheckSigned, DeviceAdded
from sieve_registry.ledger.figures import EvidenceFile
from sieve_registry.ledger.records import CheckDetail, Event
from sieve_registry.scales.corrections import links_of, live
from sieve_registry.scales.equipment import EQUIPMENT_EVENTS, equipment_of
from sieve_registry.scales.equipment_use import standing_for
from sieve_registry.store import listing, reader
from sieve_registry.store.engine import Registry

MOST = 1000


@dataclass(frozen=True)
class Link:
    """One record of a check's chain: what it is, its event, its files."""

    what: str
    event: Event
    files: tuple[EvidenceFile, ...]

    def to_dict(self) -> dict[str, Any]:
        """The event as recorded, with its payload as an object."""
        return {**self.event.__dict__, "payload": json.loads(self.event.payload)}


@dataclass(frozen=True)
class Chain:
    """A check with every record it rests on, and those that rest on it."""

    detail: CheckDetail
    links: tuple[Link, ...]


def choose(registry: Registry, day: date, count: int, seed: int) -> list[str]:
    """The numbers of `count` checks up to a day, chosen at random; all where there are fewer.

    Raises `UsageError`.
    """
    if not 1 <= count <= MOST:
        raise UsageError(message=f"A sample has 1 to {MOST} checks, not {count}.")
    with registry.reading() as connection:
        known = sorted(row.id for row in listing.check_rows(connection, day, None))
    chosen = random.Random(seed).sample(known, min(count, len(known)))  # noqa: S311 - no secret  # nosec B311
    return sorted(chosen)


def chain_of(registry: Registry, check_id: str) -> Chain:
    """The whole chain of a check. Raises `UnknownCheckError`."""
    detail = check_queries.get_check(registry, check_id)
    with registry.reading() as connection:
        return Chain(detail, tuple(_links(connection, detail)))


def _links(connection: Connection, detail: CheckDetail) -> Iterator[Link]:
    yield Link("the check", detail.event, detail.evidence)
    trace = json.loads(detail.event.payload).get("trace") or {}
    for seq in sorted(links_of(trace)):
        yield from _of(connection, seq, "its scale")
    device = (trace.get("scale") or {}).get("device")
    if device:
        for fact in reader.facts(connection, [DeviceAdded], device):
            yield from _of(connection, fact.seq, "its device")
        pieces = equipment_of(live(connection, EQUIPMENT_EVENTS), date.max)
        for piece in standing_for(pieces, device):
            yield from _of(connection, piece.seq, "its equipment")
    sieve = detail.check.sieve_id
    for signed in reader.facts(connection, [CheckSigned], sieve):
        if signed.payload.check == detail.check.id:
            yield from _of(connection, signed.seq, "its sign-off")
    for report in issued_until(connection):
        if report.fact.payload.check == detail.check.id:
            yield from _of(connection, report.fact.seq, f"its report, {report.state}")


def _of(connection: Connection, seq: int, what: str) -> Iterator[Link]:
    event = reader.event_of(connection, seq)
    if event is not None:
        yield Link(f"{what}: {event.kind} {event.subject}", event, _files(event))


def _files(event: Event) -> tuple[EvidenceFile, ...]:
    kept: Sequence[Any] = json.loads(event.payload).get("evidence", ())
    return tuple(EvidenceFile.from_payload(file) for file in kept)
