"""What a record is followed by where the laboratory demands it, whichever face it comes from."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from sieve_registry.store.engine import Registry


def raise_where_demanded(registry: Registry, connection: Connection) -> None:
    """Raise the open points as findings, within the transaction that recorded something.

    Only where the laboratory has a rule for it (`sieveward laboratory --raise-findings yes`).
    """
    from sieve_registry.sieves.laboratory import proof_rules_on

    if proof_rules_on(connection, registry.today()).raise_findings:
        from sieve_registry.audit.open_points import raise_by_program

        raise_by_program(registry, connection)
