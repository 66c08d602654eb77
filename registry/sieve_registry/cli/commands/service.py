"""`sieveward use|clean|quarantine|return|retire`: the service of a sieve."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

import typer

from sieve_registry.cli.support import options
from sieve_registry.cli.support.options import argument, flag, option
from sieve_registry.cli.support.records import next_check, record_of_sieve, remarks

if TYPE_CHECKING:
    from sieve_registry.ledger.records import SieveHistory, SieveState


class Method(StrEnum):
    """How a stack is moved; methods wear sieves differently."""

    HAMMER = "hammer"
    VIBRATORY = "vibratory"
    SONIC = "sonic"
    AIR_JET = "air-jet"
    WET = "wet"
    HAND = "hand"


class Abrasiveness(StrEnum):
    """How much a material wears the wires."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"


AbrasivenessOption = Annotated[Abrasiveness | None, option("How much it wears the wires.")]
MaterialOption = Annotated[str, option("Material sieved.", "T")]
NoteOption = Annotated[str, option("A remark.", "T")]


def use(
    context: typer.Context,
    sieve_id: Annotated[str, argument("The sieve that was used.", "ID")],
    *,
    count: Annotated[int, option("Number of uses.", "N")],
    date: options.Date = None,
    by: options.By = None,
    note: NoteOption = "",
    method: Annotated[Method | None, option("Sieving method.")] = None,
    material: MaterialOption = "",
    abrasiveness: AbrasivenessOption = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Log uses of a sieve."""
    from sieve_registry.sieves import commands

    day = options.read_day(date)
    from sieve_registry.ledger.records import UseDetails

    details = UseDetails(
        method=str(method or ""), material=material, abrasiveness=str(abrasiveness or "")
    )

    def sentences(state: SieveState, _: SieveHistory) -> list[str]:
        logged = (
            f"Logged {count} for sieve {state.sieve.id}: {state.uses_total} uses in total, "
            f"{state.uses_since_check} since the last check."
        )
        return [logged, next_check(state), *remarks(state)]

    record_of_sieve(
        context,
        json_path,
        lambda registry: commands.log_use(
            registry,
            sieve_id,
            count,
            on_date=day,
            by=by,
            note=note,
            details=details,
            late_reason=why_late,
        ),
        sentences,
    )


def clean(
    context: typer.Context,
    sieve_id: Annotated[str, argument("The sieve that was cleaned.", "ID")],
    *,
    method: Annotated[str, option("brush, air, ultrasonic bath, …", "T")],
    note: NoteOption = "",
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Record that a sieve was cleaned or maintained."""
    from sieve_registry.sieves import commands

    terms = options.terms(date, by, why_late)
    record_of_sieve(
        context,
        json_path,
        lambda registry: commands.clean(registry, sieve_id, method, note, terms),
        lambda state, _: [f"Recorded for sieve {state.sieve.id}: cleaned ({method})."],
    )


def quarantine(
    context: typer.Context,
    sieve_id: Annotated[str, argument("The sieve to take out of use.", "ID")],
    *,
    reason: options.Reason,
    damage: Annotated[bool, flag("--damage", "It was damaged.")] = False,
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Take a sieve out of use until a check passes and it is returned."""
    from sieve_registry.sieves import commands

    terms = options.terms(date, by, why_late)
    record_of_sieve(
        context,
        json_path,
        lambda registry: commands.quarantine(registry, sieve_id, reason, terms, damage=damage),
        lambda state, _: [
            f"Sieve {state.sieve.id} is {state.status}: mark it and keep it apart.",
            "After a passing check: sieveward return ID --reason T",
        ],
    )


def return_(
    context: typer.Context,
    sieve_id: Annotated[str, argument("The sieve to put back.", "ID")],
    *,
    reason: Annotated[str, option("What was done, and why it may return.", "T")],
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Put a quarantined sieve back into service after a passing check."""
    from sieve_registry.sieves import commands

    terms = options.terms(date, by, why_late)
    record_of_sieve(
        context,
        json_path,
        lambda registry: commands.return_to_service(registry, sieve_id, reason, terms),
        lambda state, _: [f"Sieve {state.sieve.id} is {state.status} again.", next_check(state)],
    )


def retire(
    context: typer.Context,
    sieve_id: Annotated[str, argument("The sieve to retire.", "ID")],
    *,
    reason: options.Reason,
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """End a sieve's service from a day on, with the reason."""
    from sieve_registry.sieves import commands

    day = options.read_day(date)

    def sentences(state: SieveState, history: SieveHistory) -> list[str]:
        end = history.retirement
        assert end is not None
        return [
            f"Sieve {state.sieve.id} is retired from {end.on_date}: {end.reason}.",
            "Take it out of use and mark it; its record stays.",
        ]

    record_of_sieve(
        context,
        json_path,
        lambda registry: commands.retire(
            registry, sieve_id, reason, on_date=day, by=by, late_reason=why_late
        ),
        sentences,
    )
