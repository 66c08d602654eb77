"""`sieveward reference`: performance checks with certified reference material."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sieve_inspect.errors import UsageError
from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import option

if TYPE_CHECKING:
    from sieve_registry.ledger.records import Event
    from sieve_registry.quality.reference_rules import Cement, Master
    from sieve_registry.sieves.recording import RecordTerms

_EVENT = "id=subject date=on_date"  # of the event recorded

reference_app = typer.Typer(
    no_args_is_help=True, help="Checks with glass beads, reference cement or a master sieve."
)

MaterialOption = Annotated[
    str,
    option("Lot and certificate, or its name among the equipment.", "T", name="--material"),
]
AcceptExpired = Annotated[str, option("Accept expired material: why.", "REASON")]


@reference_app.command()
def beads(
    context: typer.Context,
    sieve_id: options.Sieve,
    *,
    certificate: Annotated[Path, option("Certified curve: size_um,passing_percent.", "CSV")],
    charged: Annotated[float, option("Grams charged.", "G")],
    through: Annotated[float, option("Grams passed.", "G")],
    material: MaterialOption,
    certified_u: Annotated[float | None, option("U of the curve (k = 2).", "UM")] = None,
    balance: Annotated[float, option("Half-width of a reading of the balance.", "G")] = 0.05,
    end_point: Annotated[
        float, option("Of the residue, what one more minute brought through.", "%")
    ] = 1.0,
    split: Annotated[
        float, option("u of the share passing from splitting (riffle: 0.3).", "%")
    ] = 0.0,
    accept_expired: AcceptExpired = "",
    temperature: options.Temperature = None,
    humidity: options.Humidity = None,
    equipment: options.EquipmentUsed = None,
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Mean effective aperture from a bottle of certified glass beads."""
    from sieve_registry.quality import references
    from sieve_registry.quality.curves import read_curve
    from sieve_registry.quality.reference_rules import BeadsProcedure
    from sieve_registry.quality.reference_rules import beads as evaluate
    from sieve_registry.scales.environment import Environment
    from sieve_registry.sieves import queries as sieve_queries

    procedure = BeadsProcedure(balance, end_point, split)
    result = evaluate(read_curve(certificate), charged, through, certified_u, procedure)
    with options.opened(context) as registry:
        last = sieve_queries.get_state(registry, sieve_id, options.read_day(date)).last_check
        number = references.e_n_against_optical(registry, last, result)
        terms = options.terms(date, by, why_late)
        more = {"charged_g": charged, "through_g": through, "e_n": number, **asdict(procedure)}
        event = references.record(
            registry,
            sieve_id,
            result,
            material,
            terms,
            accept_expired,
            Environment(temperature, humidity),
            equipment or (),
            **more,
        )
    payload = output.fields(result, "passing_percent aperture_um U_um")
    payload |= {"optical_check": last and last.id, "e_n": number}
    if output.emit(json_path, output.fields(event, _EVENT) | payload):
        return
    output.line(f"{result.passing_percent:.2f} % passed.")
    spread = "" if result.U_um is None else f" ± {result.U_um:.2g} um"
    output.line(f"Mean effective aperture of {event.subject}: {result.aperture_um:.2f} um{spread}")
    if number is not None and last is not None:
        agree = "agree" if abs(number) <= 1 else "do not agree"
        output.line(f"Beads and optical check {last.id} {agree}: E_n = {number:+.2f}")
    _print_warnings(event)


@reference_app.command()
def cement(
    context: typer.Context,
    sieve_id: options.Sieve,
    *,
    certified: Annotated[float, option("Certified residue in percent.", "%")],
    residue: Annotated[list[float], option("Measured residue; once per run.", "%")],
    material: MaterialOption,
    accept_expired: AcceptExpired = "",
    temperature: options.Temperature = None,
    humidity: options.Humidity = None,
    equipment: options.EquipmentUsed = None,
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Correction factor C from the residue of a reference cement."""
    from sieve_registry.quality.reference_rules import cement as evaluate

    result = evaluate(certified, residue)
    if result.third_run:
        raise UsageError(
            message="The two runs differ by more than 0.3 %: make a third run and give all three. "
            "Nothing was recorded."
        )
    terms = options.terms(date, by, why_late)
    event = _recorded(
        context,
        sieve_id,
        result,
        material,
        terms,
        accept_expired,
        (temperature, humidity),
        equipment,
    )
    payload = output.fields(result, "residues found factor usable")
    if output.emit(json_path, output.fields(event, _EVENT) | payload):
        return
    output.line(f"Residue {result.found:.2f} %, certified {certified:g} %: C = {result.factor:.3f}")
    if result.usable:
        output.line(
            f"Sieve {event.subject} is usable: multiply its residues by {result.factor:.3f}."
        )
    else:
        output.line(f"C is outside 0.80 to 1.20: replace the cloth of {event.subject}. You decide.")
    _print_warnings(event)


@reference_app.command()
def master(
    context: typer.Context,
    sieve_id: options.Sieve,
    *,
    pair: Annotated[list[str], option("Percent retained here and on the master.", "W,M")],
    material: MaterialOption,
    expanded: Annotated[
        str | None, option("U (k = 2) of both, in percent.", "UW,UM", name="--u")
    ] = None,
    accept_expired: AcceptExpired = "",
    temperature: options.Temperature = None,
    humidity: options.Humidity = None,
    equipment: options.EquipmentUsed = None,
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Compare retained masses with a master sieve, pair by pair."""
    from sieve_registry.quality.reference_rules import master as evaluate

    known = None if expanded is None else _two(expanded)
    result = evaluate([_two(text) for text in pair], known)
    terms = options.terms(date, by, why_late)
    event = _recorded(
        context,
        sieve_id,
        result,
        material,
        terms,
        accept_expired,
        (temperature, humidity),
        equipment,
    )
    payload = output.fields(
        result, "pairs difference_percent=difference U_percent=U_difference e_n satisfactory"
    )
    if output.emit(json_path, output.fields(event, _EVENT) | payload):
        return
    spread = "" if result.U_difference is None else f" ± {result.U_difference:.2f} %"
    output.line(f"{event.subject} retains {result.difference:+.2f} %{spread} against {material}.")
    if result.e_n is None:
        output.line("Not judged: give U of both results with --u UW,UM (E_n, ISO 13528).")
    else:
        word = "satisfactory" if result.satisfactory else "unsatisfactory"
        output.line(f"E_n = {result.e_n:+.2f}: {word}.")
    _print_warnings(event)


@reference_app.command()
def show(
    context: typer.Context,
    sieve_id: options.Sieve,
    as_of: options.AsOf = None,
    json_path: options.Json = None,
) -> None:
    """Show the optical and reference checks of a sieve by date."""
    from sieve_registry.quality import references

    with options.opened(context) as registry:
        day = options.read_day(as_of) or registry.today()
        entries = references.timeline(registry, sieve_id, day)
    payload = {
        "id": sieve_id,
        "as_of": day.isoformat(),
        "checks": [
            output.fields(entry, "date=on_date kind name found=result outcome")
            | {k: v for k, v in entry.payload.items() if k not in ("kind", "outcome")}
            for entry in entries
        ],
    }
    if output.emit(json_path, payload):
        return
    if not entries:
        output.text(f"Sieve {sieve_id} has no optical or reference check.")
        return
    columns = dict.fromkeys(("date", "by", "check", "result", "outcome"), "")
    rows = [(e.on_date, e.kind, output.shortened(e.name, 10), e.result, e.outcome) for e in entries]
    output.table(f"Checks of sieve {sieve_id}", columns, rows)


def _recorded(
    context: typer.Context,
    sieve_id: str,
    result: Cement | Master,
    material: str,
    terms: RecordTerms,
    accept_expired: str,
    air: tuple[float | None, float | None],
    equipment: list[str] | None,
) -> Event:
    from sieve_registry.quality import references
    from sieve_registry.scales.environment import Environment

    with options.opened(context) as registry:
        return references.record(
            registry,
            sieve_id,
            result,
            material,
            terms,
            accept_expired,
            Environment(*air),
            equipment or (),
        )


def _print_warnings(event: Event) -> None:
    for warning in json.loads(event.payload).get("warnings", ()):
        output.text(f"Note: {warning}.")


def _two(text: str) -> tuple[float, float]:
    try:
        first, second = (float(part) for part in text.split(","))
    except ValueError:
        raise UsageError(message=f"Write a pair of numbers like 12.4,12.1, not '{text}'.") from None
    return first, second
