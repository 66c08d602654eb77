"""Tables of sieves, checks and certificates in the form `tables.import_table` reads."""

from __future__ import annotations

from decimal import Decimal

from sieve_inspect.units import format_length
from sieve_registry.exchange.tables import (
    CERTIFICATE_COLUMNS,
    CERTIFIED,
    CHECK_COLUMNS,
    DETAILS,
    SIEVE_COLUMNS,
)
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.certificates import recorded_certificates
from sieve_registry.store.engine import Registry


def sieve_rows(registry: Registry) -> list[tuple[str, ...]]:
    """All sieves as they are today, a header first, in the form `import_table` reads."""
    return [
        SIEVE_COLUMNS,
        *(
            (
                sieve.id, format_length(sieve.nominal_um), sieve.standard, sieve.grade,
                sieve.serial, state.location, sieve.maker,
                "" if sieve.frame_nm is None else format_length(sieve.frame_nm / 1000),
                str(sieve.in_service or ""), str(state.interval_months),
                str(state.interval_uses or ""),
                *(getattr(state.details, name) for name in DETAILS),
            )
            for state in sieve_queries.states(registry)
            for sieve in [state.sieve]
        ),
    ]  # fmt: skip


def check_rows(registry: Registry) -> list[tuple[str, ...]]:
    """All checks as corrected, a header first, in the form `import_table` reads."""
    checks = [c for h in sieve_queries.all_histories(registry) for c in h.checks]

    def text(value: Decimal | None) -> str:
        return "" if value is None else format(value, "f")

    return [
        CHECK_COLUMNS,
        *(
            (
                c.sieve_id, c.on_date.isoformat(), c.outcome, text(c.x.mean_um),
                text(c.y.mean_um), text(c.x.sd_um), text(c.y.sd_um), text(c.x.max_um),
                text(c.y.max_um), text(c.x.u_mean_um), text(c.y.u_mean_um),
                str(c.x.count or ""), "", c.person, "; ".join(c.reasons),
            )
            for c in sorted(checks, key=lambda check: check.seq)
        ),
    ]  # fmt: skip


def certificate_rows(registry: Registry) -> list[tuple[str, ...]]:
    """All certificates as corrected, a header first, in the form `import_table` reads."""

    def text(value: object) -> str:
        return "" if value is None else f"{value:f}" if isinstance(value, Decimal) else str(value)

    return [
        CERTIFICATE_COLUMNS,
        *(
            (
                fact.subject, fact.on_date.isoformat(), stated.number, stated.laboratory,
                *(text(getattr(of, name)) for name in CERTIFIED.values()
                  for of in (stated.x, stated.y)),
                text(stated.k), text(stated.x.count), stated.accreditation, stated.standard,
                stated.outcome, text(stated.next_due), fact.person, stated.note,
            )
            for fact in recorded_certificates(registry)
            for stated in [fact.payload]
        ),
    ]  # fmt: skip
