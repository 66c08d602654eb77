"""`sieveward lookback`: uses of a failed sieve since its last good check."""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_inspect.errors import UsageError
from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import option

if TYPE_CHECKING:
    from sieve_registry.ledger.choices import ResultState
    from sieve_registry.ledger.records import Use
    from sieve_registry.quality.lookback import Lookback

_USE = (
    "event=seq date=on_date count by=person stack=details.stack method=details.method "
    "material=details.material note"
)
_DECIDED = "state=payload.result reason=payload.reason by=person date=on_date event=seq"


class ResultOption(StrEnum):
    """What became of a result, as typed."""

    NOT_AFFECTED = "not-affected"
    AFFECTED = "affected"
    CUSTOMER_TOLD = "customer-told"

    @property
    def state(self) -> ResultState:
        """As the ledger writes it."""
        from sieve_registry.ledger.choices import ResultState

        return ResultState[self.name]


class FailOnUses(StrEnum):
    """When `--fail-on` ends with exit code 1."""

    USES = "uses"


def lookback(
    context: typer.Context,
    sieve_id: options.Sieve,
    *,
    use: Annotated[
        list[int] | None, option("Decide on the result of this use: its event number.", "EVENT")
    ] = None,
    result: Annotated[ResultOption | None, option("What became of the result.")] = None,
    reason: Annotated[str, option("How that is known; who was told, and when.", "T")] = "",
    csv_path: Annotated[
        Path | None, option("Write the list for a spreadsheet.", "PATH", name="--csv")
    ] = None,
    html: Annotated[Path | None, option("Write the list as a page to print.", "PATH")] = None,
    as_of: options.AsOf = None,
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    fail_on: Annotated[FailOnUses | None, option("Exit 1 when results are open.")] = None,
    json_path: options.Json = None,
) -> None:
    """List the uses of a bad sieve since its last good check, and decide on their results."""
    from sieve_registry.audit import verification
    from sieve_registry.quality.equipment_lookback import doubts_of_sieve
    from sieve_registry.quality.lookback import lookbacks_of
    from sieve_registry.quality.reviews import decide_results
    from sieve_registry.report.lookback_page import lookback_csv, lookback_html
    from sieve_registry.sieves import queries as sieve_queries

    output.check_outputs([("--csv", csv_path), ("--html", html)], json_path)
    if bool(use) != (result is not None):
        raise UsageError(message="To decide on a result give --use, --result and --reason.")
    with options.opened(context) as registry:
        if use and result is not None:
            terms = options.terms(date, by, why_late)
            decide_results(registry, sieve_id, use, result.state, reason, terms)
        history = sieve_queries.get_history(registry, sieve_id)
        day = options.read_day(as_of) or registry.today()
        reviews = lookbacks_of(history, day)
        doubts = doubts_of_sieve(registry, history.sieve.id, day)
        _, head = verification.ledger_head(registry)
    text = sentences(reviews, day) + doubts
    if csv_path is not None:
        output.write_bytes(csv_path, lookback_csv(reviews))
    if html is not None:
        page = lookback_html(history.sieve.id, day, reviews, text, head or "-")
        output.write_bytes(html, page.encode())
    if not output.emit(json_path, {**_dict(history.sieve.id, day, reviews), "equipment": doubts}):
        _print(history.sieve.id, day, reviews, text)
    if fail_on is not None and any(review.undecided for review in reviews):
        raise typer.Exit(1)


def sentences(reviews: Sequence[Lookback], day: datetime.date) -> list[str]:
    """Each cause and its period, and what to do, a sentence each."""
    if not reviews:
        return [
            f"No check of this sieve failed and no damage was recorded up to {day}: nothing to "
            "review."
        ]
    lines = [line for review in reviews for line in _of_cause(review)]
    if any(review.undecided for review in reviews):
        lines.append(
            "For each decide whether its result was affected, inform the customer if so, and "
            "record the decision with --use EVENT --result R --reason T (ISO/IEC 17025:2017, 7.10)."
        )
    return lines


def _of_cause(review: Lookback) -> Iterator[str]:
    cause = review.cause
    assert cause is not None
    yield f"{cause.reason[0].upper()}{cause.reason[1:]}."
    if cause.check is not None:
        yield from (reason[0].upper() + reason[1:] for reason in cause.check.reasons)
    if review.good is not None:
        yield (
            f"Its last good check was on {review.good.on_date} ({review.good.id}: "
            f"{review.good.outcome})."
        )
    else:
        yield "It has no earlier good check: review every use since it was added."
    between, after = (sum(use.count for use in uses) for uses in (review.between, review.after))
    number = len(review.between)
    yield f"{between} uses in between, in {number} {'entry' if number == 1 else 'entries'}."
    if after:
        yield f"{after} uses came after it: review these first."
    if review.entries:
        open_ = len(review.undecided)
        yield f"Open: {open_} of {len(review.entries)} results." if open_ else "All are decided."


def _dict(sieve_id: str, day: datetime.date, reviews: Sequence[Lookback]) -> dict[str, Any]:
    """The last look-back, and every one in `causes`."""
    from sieve_registry.quality.lookback import Lookback

    last = reviews[-1] if reviews else Lookback(sieve_id, day, None, None, None)
    return {
        **output.fields(last, "id=sieve_id as_of"),
        **_of(last),
        "open": sum(len(review.undecided) for review in reviews),
        "causes": [_of(review) for review in reviews],
    }


def _of(review: Lookback) -> dict[str, Any]:
    return {
        **output.fields(review, "cause=cause.reason cause_date=cause.on_date"),
        **output.fields(review, "check=cause.check.id last_good=good.id since uses"),
        "before": [_use_dict(review, use) for use in review.between],
        "after": [_use_dict(review, use) for use in review.after],
    }


def _use_dict(review: Lookback, use: Use) -> dict[str, Any]:
    decided = review.decided.get(use.seq)
    result = None if decided is None else output.fields(decided, _DECIDED)
    return {**output.fields(use, _USE), "result": result}


def _print(
    sieve_id: str, day: datetime.date, reviews: Sequence[Lookback], text: Sequence[str]
) -> None:
    output.line(f"Look back for sieve {sieve_id}, as of {day}")
    for sentence in text:
        output.text(sentence)
    for review in reviews:
        if review.entries:
            assert review.cause is not None
            output.line()
            _print_uses(review, f"Since {review.cause.on_date}, event {review.cause.seq}")


def _print_uses(review: Lookback, title: str) -> None:
    rows = []
    for when, uses in (("before", review.between), ("after", review.after)):
        for use in uses:
            what = ", ".join(t for t in (use.details.stack, use.details.material, use.note) if t)
            state = review.state_of(use) or "open"
            rows.append(
                (use.seq, use.on_date, use.count, when, output.shortened(what, 24), str(state))
            )
    columns = {"event": ">", "date": "", "uses": ">", "when": "", "what": "", "result": ""}
    output.table(title, columns, rows)
