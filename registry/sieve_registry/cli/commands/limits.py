"""`sieveward limits`: the limits of an edition for one nominal aperture."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument, option
from sieve_registry.values import DEFAULT_STANDARD

if TYPE_CHECKING:
    from sieve_inspect.standard import Limits


def _standard_option() -> Any:
    from sieve_inspect.standard import list_standards

    return option(f"{', '.join(list_standards())}, or a CSV table of your own.", "ID|PATH")


def limits(
    nominal: Annotated[
        str, argument("A length or designation: 75um, 'No. 200', '3 in.'", "NOMINAL")
    ],
    standard: Annotated[str, _standard_option()] = DEFAULT_STANDARD,
    grade: Annotated[str, option("compliance, inspection or calibration.")] = "compliance",
    n: Annotated[
        int | None, option("Apertures measured per direction, for the s limit.", "N")
    ] = None,
    json: options.Json = None,
) -> None:
    """Show the limits for one nominal aperture, with their source."""
    from sieve_inspect.standard import limits as find_limits
    from sieve_inspect.standard import resolve_nominal

    allowed = find_limits(resolve_nominal(nominal), standard, grade=grade, n=n)
    if output.emit(json, allowed.to_dict()):
        return
    title = f"{allowed.designation}  ·  {allowed.standard}, grade {allowed.grade}"
    output.table(title, {"limit": "", "value": ">", "meaning": ""}, limits_rows(allowed))
    output.line()
    for sentence in (*allowed.source, f"rounding: {allowed.rounding}"):
        output.text(sentence, "  ")
    output.line("Read the current edition on paper before claiming conformity.")


def limits_rows(allowed: Limits) -> list[tuple[str, str, str]]:
    """The table's rows: name, value with unit, meaning; limits the edition lacks are left out."""
    w = allowed.nominal_um

    def length(um: float) -> str:
        return f"{um:g} um" if w < 1000 else f"{um / 1000:g} mm"

    rows = [
        ("nominal w", length(w), "" if length(w) == allowed.designation else allowed.designation),
        (
            "y",
            f"±{length(allowed.y_um)}",
            f"mean {length(_sum(w, -allowed.y_um))} to {length(_sum(w, allowed.y_um))}, "
            "each direction",
        ),
        ("x", f"+{length(allowed.x_um)}", f"no aperture above {length(allowed.max_um)}"),
    ]
    if allowed.z_um is not None and allowed.z_share_percent is not None:
        share = f"at most {allowed.z_share_percent:g} % of apertures above"
        rows.append(("z", f"+{length(allowed.z_um)}", f"{share} {length(_sum(w, allowed.z_um))}"))
    if allowed.s_limit_um is not None:
        rows.append(("s", length(allowed.s_limit_um), "standard deviation at most this"))
    if allowed.n is not None:
        rows.append(("n", str(allowed.n), "apertures per direction"))
    if allowed.wire_um is not None:
        span = ""
        if allowed.wire_min_um is not None and allowed.wire_max_um is not None:
            span = f"allowed {length(allowed.wire_min_um)} to {length(allowed.wire_max_um)}"
        rows.append(("wire", length(allowed.wire_um), span))
    return rows


def _sum(a: float, b: float) -> float:
    """Rounded to a nanometre, so that 20 + 2.3 does not print as 22.300000000000001."""
    return round(a + b, 3)
