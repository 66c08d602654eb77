"""The result of a verification: findings, signatures with keys, time stamps, losses accepted."""

from __future__ import annotations

from dataclasses import dataclass

from sieve_registry.ledger.events import LossAccepted
from sieve_registry.ledger.records import Fact, Finding


@dataclass(frozen=True)
class Signer:
    """A signature of the ledger: its event, who recorded it, its key (hex), the events covered.

    `fault` is what is wrong with it, or "".
    """

    event: int
    person: str
    public_key: str
    events: int
    fault: str


@dataclass(frozen=True)
class Stamp:
    """A time stamp of the ledger: its event, the events it covers, the authority and its time.

    `unchecked` says what could not be checked, `fault` what is wrong; both may be "".
    """

    event: int
    events: int
    stamped_at: str
    authority: str
    unchecked: str
    fault: str


@dataclass(frozen=True)
class Verification:
    """The result of `verify`; `head` is the hash of the last event, None in an empty ledger.

    `sealed`: every byte of the file was compared with the hash noted when it was last closed.
    False when none was noted for this head or a program is writing; None on a server.
    `losses`: those that a person accepted, each an event of the ledger. `signers`: every signature
    of the ledger with a key, `stamps` every time stamp of an authority.
    """

    ok: bool
    events: int
    head: str | None
    findings: tuple[Finding, ...]
    sealed: bool | None = None
    losses: tuple[Fact[LossAccepted], ...] = ()
    signers: tuple[Signer, ...] = ()
    stamps: tuple[Stamp, ...] = ()
