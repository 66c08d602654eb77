"""Events of the registry itself: corrections, rules, signatures, imports."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sieve_registry.ledger.codec import EventPayload, optional
from sieve_registry.ledger.figures import EvidenceFile, LostHead


@dataclass(frozen=True, kw_only=True)
class RecordCorrected(EventPayload, kind="record corrected", noun="the correction"):
    """How an earlier record of a sieve should read, or that it is void."""

    corrects: int
    corrects_hash: str
    kind: str
    reason: str
    void: bool
    was: Mapping[str, Any]
    now: Mapping[str, Any]


@dataclass(frozen=True, kw_only=True)
class ScaleChainCorrected(RecordCorrected, kind="scale chain corrected"):
    """The same for an artefact, a device or a scale."""


@dataclass(frozen=True, kw_only=True)
class LaboratoryRulesSet(EventPayload, kind="laboratory rules set", version=2):
    """The rules of the laboratory from a day on, all of them.

    `sign_off`: every check needs a second person's sign-off; `authorisations`: acts without one
    are taken ("off"), marked or refused ("demand"); `sign_in`: records are made by signed-in
    persons alone.
    """

    sign_off: bool
    authorisations: str = optional("off", since=2)
    sign_in: bool = optional(False, since=2)


@dataclass(frozen=True, kw_only=True)
class HeadSigned(EventPayload, kind="head signed"):
    """The hash of the event before, signed with a key (see `ledger.signing`)."""

    algorithm: str
    events: int
    head: str
    public_key: str
    signature: str


@dataclass(frozen=True, kw_only=True)
class LossAccepted(EventPayload, kind="loss accepted"):
    """A person confirmed that events known earlier are lost; recording continued without them."""

    reason: str
    lost: tuple[LostHead, ...] = ()


@dataclass(frozen=True, kw_only=True)
class RecordsImported(EventPayload, kind="records imported"):
    """A table of sieves or past checks read in."""

    file: str
    what: str
    rows: int
    evidence: tuple[EvidenceFile, ...] = ()
