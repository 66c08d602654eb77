"""Events of a sieve's life and of the stacks it works in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from sieve_registry.ledger.codec import EventPayload, optional


@dataclass(frozen=True, kw_only=True)
class SieveAdded(EventPayload, kind="sieve added", noun="the new sieve", version=2):
    """A sieve taken into the registry; lengths in whole nanometres, `details` those known."""

    id: str
    nominal_nm: int
    standard: str
    grade: str
    serial: str
    frame_nm: int | None
    in_service: date | None
    added_on: date
    interval_months: int
    interval_uses: int | None
    location: str
    maker: str
    details: Mapping[str, str] | None = optional(None, since=2)
    imported: Mapping[str, int] | None = optional(None, since=2)


@dataclass(frozen=True, kw_only=True)
class SieveEdited(EventPayload, kind="sieve edited", noun="the change", version=2):
    """A change of intervals, location or details; None leaves a thing as it was."""

    interval_months: int | None
    interval_uses: int | None
    location: str | None
    details: Mapping[str, str] | None = optional(None, since=2)


@dataclass(frozen=True, kw_only=True)
class SieveRetired(EventPayload, kind="sieve retired", noun="the retirement"):
    """The end of a sieve's service."""

    reason: str


@dataclass(frozen=True, kw_only=True)
class SieveQuarantined(EventPayload, kind="sieve quarantined", noun="the quarantine"):
    """A sieve taken out of use until a check passes; `damage` if it was harmed."""

    reason: str
    damage: bool = False


@dataclass(frozen=True, kw_only=True)
class SieveReturned(EventPayload, kind="sieve returned", noun="the return"):
    """A sieve put back into use."""

    reason: str


@dataclass(frozen=True, kw_only=True)
class SieveCleaned(EventPayload, kind="sieve cleaned", noun="the cleaning"):
    """A sieve cleaned or otherwise maintained."""

    method: str
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class ClothReplaced(EventPayload, kind="cloth replaced", noun="the new cloth"):
    """New cloth in a sieve's frame."""

    reason: str


@dataclass(frozen=True, kw_only=True)
class _UsePayload(EventPayload):
    """Uses of a day and how; masses in grams, times in minutes, what is unknown left out."""

    count: int
    note: str
    stack: str = optional("")
    method: str = optional("")
    material: str = optional("")
    abrasiveness: str = optional("")
    cleaning: str = optional("")
    mass_g: Decimal | None = optional(None)
    minutes: Decimal | None = optional(None)


@dataclass(frozen=True, kw_only=True)
class UseLogged(_UsePayload, kind="use logged", noun="the use", version=2):
    """Uses of one sieve; `run` is the event of the stack's run they belong to."""

    retained_g: Decimal | None = optional(None, since=2)
    run: int | None = optional(None, since=2)


@dataclass(frozen=True, kw_only=True)
class StackSet(EventPayload, kind="stack set", noun="the stack"):
    """The sieves of a stack, coarse on top."""

    sieves: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class StackRun(_UsePayload, kind="stack run", noun="the run"):
    """A run of a stack; `retained_g` by sieve id and "pan", grams."""

    sieves: tuple[str, ...]
    retained_g: Mapping[str, Decimal]
