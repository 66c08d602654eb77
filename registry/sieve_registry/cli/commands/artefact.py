"""`sieveward artefact add|list|show`: the certified artefacts that scales come from."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_inspect.errors import UsageError
from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument, flag, option
from sieve_registry.cli.support.records import (
    correction_dict,
    evidence_dicts,
    print_corrections,
    show_list,
)

if TYPE_CHECKING:
    from sieve_registry.scales.artefacts import CertifiedArtefact

_ARTEFACT = (
    "id kind nominal_pitch_um pitch_um U_pitch_um=expanded_pitch_um "
    "nominal_line_width_um=nominal_line_um line_width_um=line_um U_line_width_um=expanded_line_um "
    "k certificate laboratory valid_from valid_to expansion_ppm_per_k"
)
artefact_app = typer.Typer(
    no_args_is_help=True, help="Certified artefacts, from which scales come: add, list, show."
)
IdArgument = Annotated[str, argument("The artefact's name.", "ID")]


@artefact_app.command()
def add(
    context: typer.Context,
    artefact_id: IdArgument,
    *,
    kind: Annotated[str, option("dots, checker, grid, rule or line.")],
    certificate: Annotated[str, option("The certificate's number.", "N")],
    laboratory: Annotated[str, option("Who certified it.", "T")],
    valid_from: Annotated[str, option("First day of validity.", "YYYY-MM-DD")],
    valid_to: Annotated[str, option("Last day of validity.", "YYYY-MM-DD")],
    pitch: Annotated[
        str | None, option("Nominal distance between marks: 500um, 0.5mm.", "L")
    ] = None,
    certified_pitch: Annotated[
        str | None, option("Certified pitch (default: --pitch).", "L")
    ] = None,
    u_pitch: Annotated[str | None, option("U from the certificate.", "L")] = None,
    line_width: Annotated[str | None, option("Width of a line, or of a dark square.", "L")] = None,
    certified_width: Annotated[
        str | None, option("Certified width (default: --line-width).", "L")
    ] = None,
    u_line_width: Annotated[str | None, option("U from the certificate.", "L")] = None,
    k: Annotated[float, option("Coverage factor of U.")] = 2.0,
    expansion: Annotated[float | None, option("Its thermal expansion.", "PPM_PER_K")] = None,
    certificate_file: Annotated[
        Path | None, option("Certificate file, kept as evidence.", "PDF")
    ] = None,
    renew: Annotated[
        bool, flag("--renew", "Add a new certificate to a recorded artefact.")
    ] = False,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Record a certified artefact, or a new certificate for a recorded artefact."""
    from sieve_registry.scales import artefacts

    um = options.read_length
    if pitch is not None and u_pitch is None:
        raise UsageError(
            message="Uncertainty of the pitch missing: give --u-pitch from the certificate."
        )
    output.check_outputs([], json_path, [("the certificate", certificate_file)])
    first, last = options.read_day(valid_from), options.read_day(valid_to)
    assert first is not None
    assert last is not None
    new = artefacts.CertifiedArtefact(
        id=artefact_id,
        kind=kind,
        nominal_pitch_um=um(pitch),
        pitch_um=um(certified_pitch or pitch),
        nominal_line_um=um(line_width),
        line_um=um(certified_width or line_width),
        expanded_pitch_um=um(u_pitch) or 0.0,
        expanded_line_um=um(u_line_width) or 0.0,
        k=k,
        certificate=certificate,
        laboratory=laboratory,
        valid_from=first,
        valid_to=last,
        expansion_ppm_per_k=expansion,
    )
    with options.opened(context, create=True) as registry:
        artefact = artefacts.add_artefact(
            registry,
            new,
            options.terms(None, by, why_late),
            certificate_file=certificate_file,
            renew=renew,
        )
    if not output.emit(json_path, _artefact_dict(artefact)):
        _print_artefact(artefact)


@artefact_app.command("list")
def list_(context: typer.Context, json_path: options.Json = None) -> None:
    """List the artefacts with their latest certificate."""
    from sieve_registry.scales import artefacts

    with options.opened(context) as registry:
        latest = [_artefact_dict(artefact) for artefact in artefacts.artefacts(registry)]
    columns = {"artefact": "", "kind": "", "pitch, um": ">g", "certificate": "", "valid to": ""}
    show_list(json_path, "artefact", latest, columns, "id kind pitch_um certificate valid_to")


@artefact_app.command()
def show(context: typer.Context, artefact_id: IdArgument, json_path: options.Json = None) -> None:
    """Show an artefact under each of its certificates, the latest first."""
    from sieve_registry.scales import artefacts
    from sieve_registry.scales.queries import corrections_of_artefact

    with options.opened(context) as registry:
        certificates = artefacts.certificates_of(registry, artefact_id)[::-1]
        corrections = corrections_of_artefact(registry, certificates[0].id)
    answer = {
        **_artefact_dict(certificates[0]),
        "certificates": [_artefact_dict(artefact) for artefact in certificates],
        "corrections": [correction_dict(correction) for correction in corrections],
    }
    if output.emit(json_path, answer):
        return
    for artefact in certificates:
        _print_artefact(artefact)
    print_corrections(corrections)


def _artefact_dict(artefact: CertifiedArtefact) -> dict[str, Any]:
    return {
        **output.fields(artefact, _ARTEFACT),
        "evidence": evidence_dicts(artefact.evidence),
        "event": artefact.event,
    }


def _print_artefact(artefact: CertifiedArtefact) -> None:
    output.line(f"Artefact {artefact.id}, {artefact.kind}")
    output.line(
        f"  certificate {artefact.certificate} of {artefact.laboratory} (event {artefact.event})"
    )
    output.line(f"  valid {artefact.valid_from} to {artefact.valid_to}")
    for what, value, expanded in (
        ("pitch", artefact.pitch_um, artefact.expanded_pitch_um),
        ("line width", artefact.line_um, artefact.expanded_line_um),
    ):
        if value is not None:
            output.line(f"  {what} {value:g} um, U {expanded:g} um (k = {artefact.k:g})")
    if artefact.expansion_ppm_per_k is not None:
        output.line(f"  expands by {artefact.expansion_ppm_per_k:g} ppm per kelvin")
    for file in artefact.evidence:
        output.line(f"  {file.role} {file.sha256[:16]}…, {file.size} bytes")
