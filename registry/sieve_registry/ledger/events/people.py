"""Events of persons: who works here, what each may do, and passwords set (never their hashes)."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from sieve_registry.ledger.codec import EventPayload


@dataclass(frozen=True, kw_only=True)
class PersonAdded(EventPayload, kind="person added", noun="the new person"):
    """A person of the laboratory; the subject of the event is the person's id."""

    name: str
    role: str
    competence: str


@dataclass(frozen=True, kw_only=True)
class PersonChanged(EventPayload, kind="person changed", noun="the change"):
    """A change of name, role or competence; None leaves a thing as it was."""

    name: str | None
    role: str | None
    competence: str | None


@dataclass(frozen=True, kw_only=True)
class PersonLeft(EventPayload, kind="person left", noun="the departure"):
    """From this day on the person no longer works here."""

    reason: str


@dataclass(frozen=True, kw_only=True)
class AuthorisationGiven(EventPayload, kind="authorisation given", noun="the authorisation"):
    """What a person may do, from the first to the last day (None: until withdrawn)."""

    act: str
    since: date
    until: date | None
    basis: str


@dataclass(frozen=True, kw_only=True)
class AuthorisationWithdrawn(EventPayload, kind="authorisation withdrawn", noun="the withdrawal"):
    """From this day on the person may not do it any more."""

    act: str
    reason: str


@dataclass(frozen=True, kw_only=True)
class PasswordSet(EventPayload, kind="password set", noun="the password"):
    """A person's password was set; `recovered` when nobody could sign in to set it."""

    recovered: bool
