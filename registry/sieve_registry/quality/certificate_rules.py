"""The laboratory's own optical checks against the certificates of outside laboratories.

    E_n = (x − X) / √(U_x² + U_X²)      ISO 13528:2015, 9.7; both U at k = 2
    satisfactory where |E_n| ≤ 1

x is the mean of the check, U_x = 2 u of it; X is that of the certificate, U_X = 2 U / k. Of the
checks of the same cloth within so many days before or after the certificate the nearest counts.
A series of satisfactory E_n is evidence for the method (ISO/IEC 17025:2017, 7.2.2) and for the
validity of its results by comparison with another laboratory (7.7.2).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from sieve_registry.ledger.events import CertificateRecorded, ClothReplaced
from sieve_registry.ledger.records import Check, Fact, SieveHistory, facts_of_type

WITHIN_DAYS = 30  # own figure: a cloth in daily use barely wears within a month


@dataclass(frozen=True)
class DirectionComparison:
    """One direction of a check and a certificate: means and U (k = 2) in um, and their E_n."""

    direction: str
    own_um: float
    own_expanded_um: float
    certified_um: float
    certified_expanded_um: float

    @property
    def difference_um(self) -> float:
        """Own mean less the certified mean."""
        return self.own_um - self.certified_um

    @property
    def e_n(self) -> float:
        """E_n of the two means."""
        from sieve_registry.quality.reference_rules import e_n  # brings NumPy, `due` needs none

        own, certified = self.own_expanded_um, self.certified_expanded_um
        return e_n(self.own_um, own, self.certified_um, certified)

    @property
    def satisfactory(self) -> bool:
        """Whether |E_n| ≤ 1."""
        return abs(self.e_n) <= 1


@dataclass(frozen=True)
class Comparison:
    """A certificate and the nearest own check of its cloth; `problem`: why there is no E_n."""

    certificate: Fact[CertificateRecorded]
    check: Check | None
    directions: tuple[DirectionComparison, ...] = ()
    problem: str = ""

    @property
    def days_apart(self) -> int | None:
        """Days from the certificate to the check; negative for an earlier check."""
        return None if self.check is None else (self.check.on_date - self.certificate.on_date).days

    @property
    def satisfactory(self) -> bool | None:
        """Whether |E_n| ≤ 1 in every direction; None where there is no E_n."""
        return all(part.satisfactory for part in self.directions) if self.directions else None


def compare(
    history: SieveHistory,
    certificate: Fact[CertificateRecorded],
    day: date,
    within_days: int = WITHIN_DAYS,
) -> Comparison:
    """A certificate against the nearest own check, up to `day`, of the same cloth.

    It is at most `within_days` before or after the certificate.
    """
    near = [
        check
        for check in history.checks
        if _own(check)
        and check.on_date <= day
        and abs((check.on_date - certificate.on_date).days) <= within_days
        and not _other_cloth(history, check, certificate)
    ]
    check = min(
        near, key=lambda c: (abs((c.on_date - certificate.on_date).days), -c.seq), default=None
    )
    if check is None:
        problem = f"no own check of this cloth with its U within {within_days} days"
        return Comparison(certificate, None, problem=problem)
    stated = certificate.payload
    directions = tuple(
        DirectionComparison(
            direction,
            float(own.mean_um),
            2 * float(own.u_mean_um or 0),
            float(certified.mean_um),
            float(2 * certified.expanded_um / stated.k),
        )
        for direction, own, certified in (("x", check.x, stated.x), ("y", check.y, stated.y))
        if certified.expanded_um is not None
    )
    problem = "" if directions else "the certificate states no U"
    return Comparison(certificate, check, directions, problem)


def _own(check: Check) -> bool:
    """Whether a check was measured here, with an uncertainty: imported ones have no scale."""
    known = check.x.u_mean_um is not None and check.y.u_mean_um is not None
    return known and check.scale_source is not None


def _other_cloth(
    history: SieveHistory, check: Check, certificate: Fact[CertificateRecorded]
) -> bool:
    """Whether the frame got new cloth between a check and a certificate."""
    first, last = sorted([(check.on_date, check.seq), (certificate.on_date, certificate.seq)])
    cloths = facts_of_type(history.acts, ClothReplaced)
    return any(first < (fact.on_date, fact.seq) < last for fact in cloths)


def conclusion(made: Sequence[Comparison], within_days: int) -> str:
    """What the comparisons prove, in one sentence."""
    parts = [part for comparison in made for part in comparison.directions]
    if not parts:
        return f"No certificate has an own check of the same cloth within {within_days} days."
    good = sum(part.satisfactory for part in parts)
    mean = sum(part.difference_um for part in parts) / len(parts)
    advice = (
        " Look for the cause of the others: scale, light, use in between, x and y exchanged."
        if good < len(parts)
        else ""
    )
    return (
        f"{good} of {len(parts)} E_n are satisfactory (|E_n| ≤ 1, ISO 13528); own means lie "
        f"{mean:+.2f} um from the certificates on average. Checks within {within_days} days "
        f"count.{advice}"
    )
