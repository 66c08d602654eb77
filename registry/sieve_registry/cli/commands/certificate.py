"""`sieveward certificate add|list|show|compare`: certificates of outside laboratories."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_inspect.errors import UsageError
from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument, option
from sieve_registry.cli.support.records import (
    certificate_dict,
    correction_dict,
    print_corrections,
    write_documents,
)

if TYPE_CHECKING:
    from sieve_registry.ledger.events import CertificateRecorded
    from sieve_registry.ledger.figures import CertifiedDirection
    from sieve_registry.ledger.records import Fact
    from sieve_registry.quality.certificate_rules import Comparison

certificate_app = typer.Typer(
    no_args_is_help=True, help="Certificates of outside laboratories: add, list, show, compare."
)
_SOME_SIEVE = Annotated[str | None, argument("The sieve (default: all).", "[ID]")]


@certificate_app.command()
def add(
    context: typer.Context,
    sieve_id: options.Sieve,
    *,
    number: Annotated[str, option("The certificate's number.", "N")],
    laboratory: Annotated[str, option("Who measured.", "T")],
    mean_x: Annotated[str, option("Mean in x, as printed: 75.3um.", "L")],
    mean_y: Annotated[str, option("Mean in y.", "L")],
    u_mean: Annotated[str | None, option("U of both means, as printed.", "L")] = None,
    u_mean_x: Annotated[str | None, option("U of the mean in x.", "L")] = None,
    u_mean_y: Annotated[str | None, option("U of the mean in y.", "L")] = None,
    k: Annotated[str, option("Coverage factor of U.", "K")] = "2",
    sd_x: Annotated[str | None, option("Standard deviation in x.", "L")] = None,
    sd_y: Annotated[str | None, option("Standard deviation in y.", "L")] = None,
    max_x: Annotated[str | None, option("Largest aperture in x.", "L")] = None,
    max_y: Annotated[str | None, option("Largest aperture in y.", "L")] = None,
    wire_x: Annotated[str | None, option("Mean wire in x.", "L")] = None,
    wire_y: Annotated[str | None, option("Mean wire in y.", "L")] = None,
    count: Annotated[int | None, option("Apertures measured per direction.", "N", min=1)] = None,
    accreditation: Annotated[str, option("The laboratory's accreditation number.", "T")] = "",
    standard: Annotated[str, option("Standard it was judged by.", "T")] = "",
    outcome: Annotated[
        str, option("As the laboratory states it: pass, conditional pass, …, fail.", "T")
    ] = "not judged",
    next_due: Annotated[
        str | None, option("Day of the next certificate, as you decided.", "YYYY-MM-DD")
    ] = None,
    file: Annotated[Path | None, option("The document, kept as evidence.", "FILE")] = None,
    note: Annotated[str, option("A note.", "T")] = "",
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Record a certificate of a sieve from an outside laboratory; --date is the day it measured.

    A stated pass counts as a check: the sieve is due again on --next-due, or
    after its own interval; a later check takes its place. x and y are the
    directions of the sieve's label.
    """
    from sieve_registry.sieves.certificates import NewCertificate, add_certificate

    if u_mean is not None and (u_mean_x or u_mean_y):
        raise UsageError(message="Give --u-mean for both, or --u-mean-x and --u-mean-y.")
    output.check_outputs([], json_path, [("the document", file)])
    new = NewCertificate(
        number=number,
        laboratory=laboratory,
        x=_direction(mean_x, u_mean_x or u_mean, sd_x, max_x, wire_x, count),
        y=_direction(mean_y, u_mean_y or u_mean, sd_y, max_y, wire_y, count),
        accreditation=accreditation,
        standard=standard,
        outcome=outcome.strip().casefold(),
        k=options.read_figure("coverage factor", k) or Decimal(0),
        next_due=options.read_day(next_due),
        note=note,
    )
    with options.opened(context) as registry:
        terms = options.terms(date, by, why_late)
        fact = add_certificate(registry, sieve_id, new, terms, file)
    if output.emit(json_path, certificate_dict(fact)):
        return
    _print_certificate(fact)


def _direction(
    mean: str, u: str | None, sd: str | None, most: str | None, wire: str | None, count: int | None
) -> CertifiedDirection:
    """The figures of one direction."""
    from sieve_registry.ledger.figures import CertifiedDirection

    mean_um = _exact_um(mean)
    assert mean_um is not None
    return CertifiedDirection(
        mean_um=mean_um,
        expanded_um=_exact_um(u),
        sd_um=_exact_um(sd),
        max_um=_exact_um(most),
        wire_mean_um=_exact_um(wire),
        count=count,
    )


def _exact_um(text: str | None) -> Decimal | None:
    from sieve_registry.sieves.certificates import exact_um

    length = options.read_length(text)
    return None if length is None else exact_um(length)


@certificate_app.command("list")
def list_(
    context: typer.Context,
    sieve_id: _SOME_SIEVE = None,
    as_of: options.AsOf = None,
    json_path: options.Json = None,
) -> None:
    """List the certificates of a sieve, or of all, by date."""
    from sieve_registry.quality import queries

    with options.opened(context) as registry:
        day = options.read_day(as_of) or registry.today()
        found = queries.certificates(registry, sieve_id, day)
    if output.emit(json_path, {"certificates": [certificate_dict(fact) for fact in found]}):
        return
    if not found:
        output.line("No certificates yet. To add one: sieveward certificate add SIEVE …")
        return
    columns = {
        "sieve": "", "date": "", "number": "", "laboratory": "", "x, um": ">f", "y, um": ">f",
        "outcome": "", "next due": "",
    }  # fmt: skip
    rows = [
        (output.shortened(fact.subject), fact.on_date, output.shortened(fact.payload.number),
         output.shortened(fact.payload.laboratory, 12), fact.payload.x.mean_um,
         fact.payload.y.mean_um, fact.payload.outcome, fact.payload.next_due)
        for fact in found
    ]  # fmt: skip
    output.table("", columns, rows)


@certificate_app.command()
def show(
    context: typer.Context,
    sieve_id: options.Sieve,
    documents: options.Documents = None,
    json_path: options.Json = None,
) -> None:
    """Show every certificate of a sieve with all it states, the latest first."""
    from sieve_registry.ledger.events import CertificateRecorded
    from sieve_registry.quality import queries
    from sieve_registry.sieves.queries import get_history

    with options.opened(context) as registry:
        found = queries.certificates(registry, sieve_id)[::-1]
        history = get_history(registry, sieve_id)
        if documents is not None:
            files = [file for fact in found for file in fact.payload.evidence]
            write_documents(registry, files, documents)
    corrections = [c for c in history.corrections if c.kind == CertificateRecorded.KIND]
    answer = {
        "id": history.sieve.id,
        "certificates": [certificate_dict(fact) for fact in found],
        "corrections": [correction_dict(correction) for correction in corrections],
    }
    if output.emit(json_path, answer):
        return
    if not found:
        output.line(f"Sieve {history.sieve.id} has no certificate.")
    for fact in found:
        _print_certificate(fact)
    print_corrections(corrections)


def _print_certificate(fact: Fact[CertificateRecorded]) -> None:
    stated = fact.payload
    number = f" ({stated.accreditation})" if stated.accreditation else ""
    output.text(
        f"Certificate {stated.number} of {stated.laboratory}{number}, sieve {fact.subject}, "
        f"{fact.on_date}: {stated.outcome}"
    )
    columns = {
        "": "", "mean, um": ">f", "U": ">f", "s": ">f", "largest": ">f", "wire": ">f",
        "apertures": ">",
    }  # fmt: skip
    rows = [
        (axis, of.mean_um, of.expanded_um, of.sd_um, of.max_um, of.wire_mean_um, of.count)
        for axis, of in (("x", stated.x), ("y", stated.y))
    ]
    output.table("", columns, rows)
    for name, text in (
        ("k", f"{stated.k:f}"),
        ("standard", stated.standard),
        ("next due", str(stated.next_due or "")),
        ("note", stated.note),
        ("event", f"{fact.seq}, by {fact.person}"),
        *(("document", f"{file.name}, {file.sha256[:16]}…") for file in stated.evidence),
    ):
        if text:
            output.text(f"{name:<10}{text}", " " * 12, first="  ")


@certificate_app.command()
def compare(
    context: typer.Context,
    sieve_id: _SOME_SIEVE = None,
    within: Annotated[
        int, option("Check and certificate at most this far apart.", "DAYS", min=0)
    ] = 30,
    plot: Annotated[Path | None, option("Draw differences and E_n.", "SVG")] = None,
    as_of: options.AsOf = None,
    json_path: options.Json = None,
) -> None:
    """Compare your own checks with the certificates: E_n by ISO 13528, both U at k = 2.

    The nearest check of the same cloth counts. |E_n| up to 1 is satisfactory.
    """
    from sieve_registry.quality import queries

    output.check_outputs([("--plot", plot)], json_path)
    with options.opened(context) as registry:
        day = options.read_day(as_of) or registry.today()
        made = queries.comparisons(registry, sieve_id, within, day)
    if plot is not None:
        _draw(plot, made, within)
    answer = {
        "as_of": day.isoformat(),
        "within_days": within,
        "comparisons": [comparison_dict(comparison) for comparison in made],
    }
    if not output.emit(json_path, answer):
        _print_comparisons(made, within)


def comparison_dict(comparison: Comparison) -> dict[str, Any]:
    """A certificate against a check, for JSON."""
    return {
        **output.fields(
            comparison,
            "sieve=certificate.subject certificate=certificate.payload.number "
            "certificate_event=certificate.seq laboratory=certificate.payload.laboratory "
            "date=certificate.on_date check=check.id check_date=check.on_date days_apart",
        ),
        "directions": {
            part.direction: output.fields(
                part,
                "own_um U_own_um=own_expanded_um certified_um "
                "U_certified_um=certified_expanded_um difference_um e_n satisfactory",
            )
            for part in comparison.directions
        },
        **output.fields(comparison, "satisfactory problem"),
    }


def _draw(plot: Path, made: Sequence[Comparison], within: int) -> None:
    from sieve_registry.report.comparisons import comparisons_svg

    judged = [comparison for comparison in made if comparison.directions]
    if not judged:
        raise UsageError(message="No certificate has an own check near it yet: nothing to draw.")
    output.write_bytes(plot, comparisons_svg(judged, within).encode())


def _print_comparisons(made: Sequence[Comparison], within: int) -> None:
    from sieve_registry.quality.certificate_rules import conclusion

    columns = {
        "sieve": "", "certificate": "", "check": "", "days": ">+d", "": "", "own, um": ">.2f",
        "U": ">.2f", "cert., um": ">.2f", "U ": ">.2f", "E_n": ">+.2f",
    }  # fmt: skip
    rows = [
        (output.shortened(c.certificate.subject, 10),
         output.shortened(c.certificate.payload.number, 12), c.check and c.check.id,
         c.days_apart, p.direction, p.own_um, p.own_expanded_um, p.certified_um,
         p.certified_expanded_um, p.e_n)
        for c in made
        for p in c.directions
    ]  # fmt: skip
    if rows:
        output.table("", columns, rows)
        output.line()
    for comparison in made:
        if comparison.problem:
            number, sieve = comparison.certificate.payload.number, comparison.certificate.subject
            output.text(f"Certificate {number} of sieve {sieve}: {comparison.problem}.")
    output.text(conclusion(made, within))
