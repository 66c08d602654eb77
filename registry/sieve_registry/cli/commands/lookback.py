"""`sieveward lookback`: what a sieve found bad was used for since it was last found good."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_registry.cli.support.options import AsOfOption, opened, read_day
from sieve_registry.cli.support.output import (
    JsonOption,
    emit_json,
    print_line,
    print_table,
    print_text,
    shortened,
    write_bytes,
)
from sieve_registry.cli.support.output_files import check_outputs

if TYPE_CHECKING:
    from sieve_registry.quality.lookback import Lookback
    from sieve_registry.records import Use

__all__ = ["FailOnUses", "lookback"]


class FailOnUses(StrEnum):
    """What `--fail-on` answers with exit code 1."""

    USES = "uses"


def lookback(
    context: typer.Context,
    sieve_id: Annotated[str, typer.Argument(metavar="ID", help="The sieve.")],
    *,
    csv_path: Annotated[
        Path | None, typer.Option("--csv", metavar="PATH", help="The list for a spreadsheet.")
    ] = None,
    html: Annotated[
        Path | None, typer.Option("--html", metavar="PATH", help="The list as a page to print.")
    ] = None,
    as_of: AsOfOption = None,
    fail_on: Annotated[
        FailOnUses | None, typer.Option("--fail-on", help="Exit code 1 when there are any.")
    ] = None,
    json_path: JsonOption = None,
) -> None:
    """List everything logged with a sieve between its last good check and the bad one."""
    from sieve_registry.audit import verification
    from sieve_registry.exchange.sheets import csv_cell
    from sieve_registry.quality.lookback import lookback_of
    from sieve_registry.report.lookback_page import lookback_csv, lookback_html
    from sieve_registry.sieves import queries as sieve_queries

    check_outputs([("--csv", csv_path), ("--html", html)], json_path)
    with opened(context) as registry:
        history = sieve_queries.get_history(registry, sieve_id)
        found = lookback_of(history, read_day(as_of) or registry.today())
        _, head = verification.ledger_head(registry)
    if csv_path is not None:
        write_bytes(csv_path, lookback_csv(found, csv_cell))
    if html is not None:
        write_bytes(html, lookback_html(found, sentences(found), head or "-").encode())
    if not emit_json(json_path, _dict(found)):
        _print(found)
    if fail_on is not None and found.uses:
        raise typer.Exit(1)


def sentences(found: Lookback) -> list[str]:
    """What happened and what it means, in plain words."""
    cause = found.cause
    if cause is None:
        return ["No check of this sieve failed and no damage was recorded: nothing to look at."]
    told = [f"{cause.words[0].upper()}{cause.words[1:]}."]
    if cause.check is not None:
        told += [reason[0].upper() + reason[1:] for reason in cause.check.reasons]
    if found.good is not None:
        told.append(
            f"It was last found good on {found.good.on_date} ({found.good.id}: "
            f"{found.good.outcome})."
        )
    else:
        told.append("It was never found good before: everything since it came counts.")
    between, after = (sum(use.count for use in uses) for uses in (found.between, found.after))
    number = len(found.between)
    told.append(f"{between} uses lie between, in {number} {'entry' if number == 1 else 'entries'}.")
    if after:
        told.append(f"{after} uses came after, in spite of it: look at these first.")
    if found.uses:
        told.append(
            "For each decide whether its result was affected, tell the customer where it was, "
            "and keep the decision (ISO/IEC 17025:2017, 7.10)."
        )
    return told


def _dict(found: Lookback) -> dict[str, Any]:
    cause = found.cause
    return {
        "id": found.sieve_id,
        "as_of": found.as_of.isoformat(),
        "cause": None if cause is None else cause.words,
        "cause_date": None if cause is None else cause.on_date.isoformat(),
        "check": None if cause is None or cause.check is None else cause.check.id,
        "last_good": None if found.good is None else found.good.id,
        "since": None if found.since is None else found.since.isoformat(),
        "uses": found.uses,
        "before": [_use_dict(use) for use in found.between],
        "after": [_use_dict(use) for use in found.after],
    }


def _use_dict(use: Use) -> dict[str, Any]:
    return {
        "date": use.on_date.isoformat(),
        "count": use.count,
        "by": use.person,
        "stack": use.details.stack,
        "method": use.details.method,
        "material": use.details.material,
        "note": use.note,
    }


def _print(found: Lookback) -> None:
    print_line(f"Look back for sieve {found.sieve_id}, as of {found.as_of}")
    for sentence in sentences(found):
        print_text(sentence)
    if not found.uses:
        return
    print_line()
    rows = []
    for when, uses in (("before", found.between), ("after", found.after)):
        for use in uses:
            what = ", ".join(t for t in (use.details.stack, use.details.material, use.note) if t)
            by = shortened(use.person)
            rows.append([str(use.on_date), str(use.count), when, by, shortened(what, 38)])
    print_table("", ("date", "uses", "when", "by", "what"), rows, numeric=("uses",))
