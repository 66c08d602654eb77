"""Who has signed in at the page: sessions that end, kept in this process alone.

A session is known by a random key in the browser's cookie; kept is only the key's hash. It ends
after half an hour in which nobody did anything (a page that refreshes by itself does not count),
twelve hours after it began, when the person signs out, leaves or gets a new password, and when
the bench stops.
"""

from __future__ import annotations

import hashlib
import secrets
import threading
import time
from collections.abc import Callable
from contextvars import ContextVar
from dataclasses import dataclass, field

from sieve_registry.people.rules import Person
from sieve_registry.store.engine import Registry

IDLE_S = 30 * 60.0
LONGEST_S = 12 * 3600.0


@dataclass(eq=False)
class Session:
    """A person signed in; `token` belongs to the pages of this session."""

    person: Person
    began: float
    seen: float
    token: str = field(default_factory=lambda: secrets.token_urlsafe(24))


# The session of the request being answered; None without one.
current: ContextVar[Session | None] = ContextVar("session", default=None)


def signed_in_here(_registry: Registry) -> str:
    """The id of the person whose request is being answered, "" for nobody."""
    session = current.get()
    return "" if session is None else session.person.id


@dataclass(eq=False)
class Sessions:
    """The sessions of one bench. Every method may be called from any thread."""

    clock: Callable[[], float] = time.monotonic
    _kept: dict[str, Session] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def begin(self, person: Person) -> str:
        """Begin a session; its key, for the browser."""
        key, now = secrets.token_urlsafe(32), self.clock()
        with self._lock:
            ended = [name for name, kept in self._kept.items() if not _lasts(kept, now)]
            for name in ended:
                del self._kept[name]
            self._kept[_digest(key)] = Session(person, now, now)
        return key

    def find(self, key: str, *, active: bool) -> Session | None:
        """The session of a key, None where it ended; `active` prolongs it."""
        now = self.clock()
        with self._lock:
            session = self._kept.get(_digest(key))
            if session is None:
                return None
            if not _lasts(session, now):
                del self._kept[_digest(key)]
                return None
            if active:
                session.seen = now
        return session

    def end(self, key: str) -> None:
        """End the session of a key."""
        with self._lock:
            self._kept.pop(_digest(key), None)


def _lasts(session: Session, now: float) -> bool:
    return now - session.seen <= IDLE_S and now - session.began <= LONGEST_S


def _digest(key: str) -> str:
    """What is kept of a key: looking it up reveals nothing of it by its time."""
    return hashlib.sha256(key.encode("utf-8", "replace")).hexdigest()
