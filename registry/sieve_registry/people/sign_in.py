"""Passwords and signing in: who a person is, proved rather than typed.

Hashes are argon2id with the library's defaults (RFC 9106). After five wrong passwords in a row a
person is locked out for a quarter of an hour, everywhere. There is no default password.
"""

from __future__ import annotations

import threading
import unicodedata
from datetime import datetime, timedelta
from functools import cache
from typing import TYPE_CHECKING

from sieve_inspect.errors import UsageError
from sieve_registry.ledger.events import PasswordSet
from sieve_registry.people import queries
from sieve_registry.people.acts import Act
from sieve_registry.people.errors import PersonError, SignInError
from sieve_registry.people.recording import RecordTerms, record_general
from sieve_registry.people.rules import Person, Roster
from sieve_registry.store.engine import Registry
from sieve_registry.store.passwords import PasswordStore
from sieve_registry.store.writer import utc_text

if TYPE_CHECKING:
    from argon2 import PasswordHasher

LEAST_LETTERS = 10  # NIST SP 800-63B asks for 8 at least
MOST_LETTERS = 200  # a longer one costs the server time
MOST_FAILURES = 5
LOCKED_FOR = timedelta(minutes=15)
_AT_ONCE = threading.BoundedSemaphore(2)  # a hash takes 64 MiB: many guesses wait for each other


def sign_in(registry: Registry, name: str, password: str) -> Person:
    """The person whose id or name and password these are.

    Raises `SignInError` for a wrong name or password, with the same words and in the same time,
    and while the person is locked out, with the time of its end.
    """
    person = queries.roster(registry).named(name)
    store = PasswordStore(registry)
    kept = None if person is None or not person.present(registry.today()) else store.get(person.id)
    if person is None or kept is None:
        _fits(_decoy(), password)
        raise _wrong()
    if kept.locked_until > utc_text(registry.now()):
        raise _locked(person, kept.locked_until)
    attempts = store.count_attempt(person.id)
    if attempts <= MOST_FAILURES and _fits(kept.hash, password):
        store.note(person.id, failures=0, locked_until="")
        return person
    if attempts >= MOST_FAILURES:
        until = utc_text(registry.now() + LOCKED_FOR)
        store.note(person.id, failures=0, locked_until=until)
        raise _locked(person, until)
    raise _wrong()


def set_password(registry: Registry, person_id: str, password: str, terms: RecordTerms) -> Person:
    """Set a person's password; that it was set is recorded, its hash is kept apart.

    Allowed are the person signed in, and a person signed in who may manage. A first password may
    be set by anybody while the laboratory does not demand sign-in; a manager's also when no
    manager has one any more, which the record then tells. Raises `SignInError`, `PersonError`,
    `UsageError` for a password too short or too long.
    """
    store, known = PasswordStore(registry), queries.roster(registry)
    person = queries.person_of(known, person_id)
    if not person.present(registry.today()):
        raise PersonError(reason=f"{person.name} has left", advice="passwords are for those here")
    password = _plain(password)
    _refuse_weak(person, password)
    recovered = _refuse_setting(registry, known, person, store)
    hashed = _hasher().hash(password)
    with registry.writing() as connection:
        record_general(registry, connection, person.id, PasswordSet(recovered=recovered), terms)
        store.put(person.id, hashed)
    return queries.roster(registry).persons[person.id]


def has_password(registry: Registry, person: Person) -> bool:
    """Whether a password is kept for a person."""
    return PasswordStore(registry).get(person.id) is not None


def _refuse_setting(
    registry: Registry, known: Roster, person: Person, store: PasswordStore
) -> bool:
    """Raise for somebody who may not set this password; whether it is a recovery."""
    today = registry.today()
    signed_in = known.named(registry.signed_in())
    if signed_in is not None and (signed_in == person or signed_in.may(Act.MANAGE, today)):
        return False
    if not known.rules_on(today).sign_in and store.get(person.id) is None:
        return False
    manager = person.may(Act.MANAGE, today)
    if manager and all(store.get(other.id) is None for other in known.managers(today)):
        return True
    raise SignInError(
        reason=f"Nothing was recorded: the password of {person.name} is set by that person or by "
        "somebody who may manage, signed in",
        advice="give the present password, or --by ID of a person who may manage",
    )


def _refuse_weak(person: Person, password: str) -> None:
    if not LEAST_LETTERS <= len(password) <= MOST_LETTERS:
        raise UsageError(
            message=f"A password has {LEAST_LETTERS} to {MOST_LETTERS} characters: choose another."
        )
    own = (person.id, *person.names)
    if len(set(password)) < 4 or password.casefold() in {name.casefold() for name in own}:
        raise UsageError(message="This password is easily guessed: choose another.")


def _wrong() -> SignInError:
    return SignInError(
        reason="The name or the password is wrong",
        advice="try again, or ask somebody who may manage to set a new password",
    )


def _locked(person: Person, until: str) -> SignInError:
    end = datetime.fromisoformat(until).astimezone()
    return SignInError(
        reason=f"Too many wrong passwords: {person.name} is locked out until {end:%H:%M}",
        advice="wait, or ask somebody who may manage to set a new password",
    )


def _fits(hashed: str, password: str) -> bool:
    from argon2.exceptions import InvalidHashError, VerificationError

    try:
        with _AT_ONCE:
            return _hasher().verify(hashed, _plain(password[: 2 * MOST_LETTERS]))
    except (VerificationError, InvalidHashError):
        return False


def _plain(password: str) -> str:
    """One spelling of a password, on any keyboard (NIST SP 800-63B: NFKC), without outer blanks."""
    return unicodedata.normalize("NFKC", password.strip())


@cache
def _hasher() -> PasswordHasher:
    try:
        from argon2 import PasswordHasher
    except ModuleNotFoundError:
        raise UsageError(
            message='Passwords need an extra part: pip install "sieveward[bench]".'
        ) from None
    return PasswordHasher()


@cache
def _decoy() -> str:
    """A hash nobody's password fits: an unknown name takes as long as a known one."""
    return _hasher().hash("nobody's password")
