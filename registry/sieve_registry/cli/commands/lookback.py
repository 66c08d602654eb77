"""`sieveward lookback`: uses of a failed sieve since its last good check."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import option

if TYPE_CHECKING:
    from sieve_registry.quality.lookback import Lookback

_USE = (
    "date=on_date count by=person stack=details.stack method=details.method "
    "material=details.material note"
)


class FailOnUses(StrEnum):
    """When `--fail-on` ends with exit code 1."""

    USES = "uses"


def lookback(
    context: typer.Context,
    sieve_id: options.Sieve,
    *,
    csv_path: Annotated[
        Path | None, option("Write the list for a spreadsheet.", "PATH", name="--csv")
    ] = None,
    html: Annotated[Path | None, option("Write the list as a page to print.", "PATH")] = None,
    as_of: options.AsOf = None,
    fail_on: Annotated[FailOnUses | None, option("Exit 1 when there are uses to review.")] = None,
    json_path: options.Json = None,
) -> None:
    """List the uses of a sieve between its last good check and the failed check."""
    from sieve_registry.audit import verification
    from sieve_registry.quality.lookback import lookback_of
    from sieve_registry.report.lookback_page import lookback_csv, lookback_html
    from sieve_registry.sieves import queries as sieve_queries

    output.check_outputs([("--csv", csv_path), ("--html", html)], json_path)
    with options.opened(context) as registry:
        history = sieve_queries.get_history(registry, sieve_id)
        review = lookback_of(history, options.read_day(as_of) or registry.today())
        _, head = verification.ledger_head(registry)
    if csv_path is not None:
        output.write_bytes(csv_path, lookback_csv(review))
    if html is not None:
        output.write_bytes(html, lookback_html(review, sentences(review), head or "-").encode())
    if not output.emit(json_path, _dict(review)):
        _print(review)
    if fail_on is not None and review.uses:
        raise typer.Exit(1)


def sentences(review: Lookback) -> list[str]:
    """The cause, the period, and what to do, a sentence each."""
    cause = review.cause
    if cause is None:
        return ["No check of this sieve failed and no damage was recorded: nothing to review."]
    lines = [f"{cause.reason[0].upper()}{cause.reason[1:]}."]
    if cause.check is not None:
        lines += [reason[0].upper() + reason[1:] for reason in cause.check.reasons]
    if review.good is not None:
        lines.append(
            f"Its last good check was on {review.good.on_date} ({review.good.id}: "
            f"{review.good.outcome})."
        )
    else:
        lines.append("It has no earlier good check: review every use since it was added.")
    between, after = (sum(use.count for use in uses) for uses in (review.between, review.after))
    number = len(review.between)
    lines.append(f"{between} uses in between, in {number} {'entry' if number == 1 else 'entries'}.")
    if after:
        lines.append(f"{after} uses came after it: review these first.")
    if review.uses:
        lines.append(
            "For each decide whether its result was affected, inform the customer if so, and "
            "record the decision (ISO/IEC 17025:2017, 7.10)."
        )
    return lines


def _dict(review: Lookback) -> dict[str, Any]:
    return {
        **output.fields(review, "id=sieve_id as_of cause=cause.reason cause_date=cause.on_date"),
        **output.fields(review, "check=cause.check.id last_good=good.id since uses"),
        "before": [output.fields(use, _USE) for use in review.between],
        "after": [output.fields(use, _USE) for use in review.after],
    }


def _print(review: Lookback) -> None:
    output.line(f"Look back for sieve {review.sieve_id}, as of {review.as_of}")
    for sentence in sentences(review):
        output.text(sentence)
    if not review.uses:
        return
    output.line()
    rows = []
    for when, uses in (("before", review.between), ("after", review.after)):
        for use in uses:
            what = ", ".join(t for t in (use.details.stack, use.details.material, use.note) if t)
            by = output.shortened(use.person)
            rows.append((use.on_date, use.count, when, by, output.shortened(what, 38)))
    output.table("", {"date": "", "uses": ">", "when": "", "by": "", "what": ""}, rows)
