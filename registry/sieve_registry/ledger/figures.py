"""Small records inside the payloads of events: figures of a check, evidence files, links."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from sieve_registry.ledger.codec import Stored, optional, stored_as


@dataclass(frozen=True)
class EvidenceFile(Stored):
    """A file kept with a record.

    `role` is scan, overlay, measurement, apertures, cloth (the map it is recognised by), scale,
    limits, table (one's own limits), certificate, residuals or import.
    """

    sha256: str
    extension: str
    size: int
    role: str
    name: str


@dataclass(frozen=True)
class DirectionFigures(Stored):
    """The figures of a check in one lattice direction, um; `u_…` are standard uncertainties.

    None stands for what a check of so few apertures cannot know.
    """

    count: int
    mean_um: Decimal
    sd_um: Decimal | None
    max_um: Decimal | None
    u_mean_um: Decimal | None
    u_sd_um: Decimal | None
    u_max_um: Decimal | None
    wire_mean_um: Decimal | None


@dataclass(frozen=True, kw_only=True)
class CertifiedDirection(Stored):
    """What a certificate states of one lattice direction, um; `expanded_um` is U of the mean.

    None is not stated.
    """

    mean_um: Decimal
    expanded_um: Decimal | None
    sd_um: Decimal | None = optional(None)
    max_um: Decimal | None = optional(None)
    wire_mean_um: Decimal | None = optional(None)
    count: int | None = optional(None)


@dataclass(frozen=True, kw_only=True)
class Margin(Stored):
    """One value of a check against its limits, um; `k` and `dof` belong to `expanded_um`."""

    name: str
    direction: str
    value_um: Decimal | None
    expanded_um: Decimal | None
    limit_low_um: Decimal | None
    limit_high_um: Decimal | None
    outcome: str
    k: Decimal | None = optional(None, since=2)
    dof: Decimal | None = optional(None, since=2)


@dataclass(frozen=True, kw_only=True)
class SharedByChanges(Stored):
    """Parts of a change's uncertainty that other changes share: in x and y, um, k = 1.

    `edge_before` and `edge_after` come from the edge response of the two scans, `scale_before` and
    `scale_after` from edge bias and light: 0 where both scans have one scale and lamp. `scales`
    names scale and lamp of both.
    """

    edge_before: tuple[float, float]
    edge_after: tuple[float, float]
    scale_before: tuple[float, float]
    scale_after: tuple[float, float]
    scales: tuple[str, str]


@dataclass(frozen=True, kw_only=True)
class ClothLink(Stored):
    """The earlier check whose cloth a check shows, and what changed since; lengths in um.

    `common` apertures agree, which two other cloths do with a probability of `p_false`. Changes
    are those of the directions x and y of the earlier check; `exchanged` tells that x of one is y
    of the other. `accepted` is why a person recorded it where that check is of another sieve;
    `turned`: the check has its x and y by the cloth, a quarter turn from where its label says;
    `shared` is None in records of earlier versions.
    """

    sieve: str
    check: str
    common: int
    p_false: float
    exchanged: bool
    change_x_um: float
    change_y_um: float
    u_x_um: float
    u_y_um: float
    kinds: tuple[str, ...] = ()
    accepted: str = optional("")
    shared: SharedByChanges | None = optional(None)
    turned: bool = optional(False, since=7)


@dataclass(frozen=True)
class LineLink(Stored):
    """The source of a scale's edge bias: a single line, and the base scale it amends."""

    artefact: str
    event: int
    certificate: str
    base: str
    base_event: int


@dataclass(frozen=True, kw_only=True)
class StudyFigures(Stored):
    """Precision of one direction in a repeatability study, um (ISO 5725-2)."""

    groups: int
    values: int
    mean_um: float
    s_r_um: float
    s_between_um: float = stored_as("s_L_um")
    s_reproducibility_um: float = stored_as("s_R_um")
    dof: float


@dataclass(frozen=True)
class LostHead(Stored):
    """A newest event that was known and is not in the ledger: its number, hash, where noted."""

    events: int
    head: str
    where: str
