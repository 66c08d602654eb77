"""`sieveward report`: a check, or the history of a sieve, as a page to print."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_inspect.errors import UsageError
from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument, flag, option
from sieve_registry.values import file_stem

if TYPE_CHECKING:
    from datetime import date

    from sieve_registry.store.engine import Registry

_LEDGER = "events=ledger_events head=ledger_head"
_PAGES, _PDF = (".html", ".htm"), ".pdf"


def report(
    context: typer.Context,
    subject: Annotated[
        str | None,
        argument("A check's number (C-0012, or 12), or a sieve.", "[CHECK|SIEVE]"),
    ] = None,
    *,
    sieve: Annotated[bool, flag("--sieve", "The name is a sieve's, not a check's number.")] = False,
    as_of: options.AsOf = None,
    issue: Annotated[
        bool, flag("--issue", "Issue the check's report under a number, as HTML and PDF/A.")
    ] = False,
    customer: Annotated[str, option("With --issue: the customer.", "T")] = "",
    place: Annotated[str, option("With --issue: where the check was made.", "T")] = "",
    deviations: Annotated[str, option("With --issue: deviations from the method.", "T")] = "",
    opinion: Annotated[str, option("With --issue: an opinion, marked so.", "T")] = "",
    amends: Annotated[
        str, option("With --issue: the report it replaces; needs --reason.", "NUMBER")
    ] = "",
    reason: options.Reason = "",
    number: Annotated[str | None, option("Write this issued report's files.", "NUMBER")] = None,
    withdraw: Annotated[
        str | None, option("Withdraw this issued report; needs --reason.", "NUMBER")
    ] = None,
    list_issued: Annotated[bool, flag("--list", "List the issued reports.")] = False,
    out: Annotated[
        Path | None,
        option(".html or .pdf (./NAME.html); of issued reports also a folder.", "FILE|DIR"),
    ] = None,
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Write a check, or the history of a sieve, as one page that prints on A4.

    The same ledger gives the same bytes, for a sieve with the same --as-of.
    --issue makes it a report with a number, whose files are kept: `verify
    --report` proves them.
    """
    from sieve_registry.cli.support import issued

    wanted = [subject, number, withdraw, list_issued or None]
    if sum(given is not None for given in wanted) != 1:
        raise UsageError(message="Give one of CHECK|SIEVE, --number, --withdraw and --list.")
    if issue and (subject is None or sieve or as_of is not None):
        raise UsageError(message="--issue is for the report of one check: name the check alone.")
    terms = options.terms(date, by, why_late)
    if subject is None or issue:
        with options.opened(context) as registry:
            if issue:
                details = issued.ReportDetails(customer, place, deviations, opinion, amends, reason)
                issued.issue(registry, str(subject), details, terms, out, json_path)
            elif number is not None:
                issued.write(registry, number, out, json_path)
            elif withdraw is not None:
                issued.withdraw(registry, withdraw, reason, terms, json_path)
            else:
                issued.print_list(registry, json_path)
        return
    if any((customer, place, deviations, opinion, amends, reason)):
        raise UsageError(message="These particulars are printed on issued reports: add --issue.")
    _write_page(context, subject, sieve, as_of, out, json_path)


def _write_page(
    context: typer.Context,
    subject: str,
    sieve: bool,
    as_of: str | None,
    out: Path | None,
    json_path: str | None,
) -> None:
    from sieve_registry.cli.support.running import busy, progress
    from sieve_registry.report import pdf_bytes

    kind = _PAGES[0] if out is None else out.suffix.lower()
    if kind not in (*_PAGES, _PDF):
        assert out is not None
        raise UsageError(message=f"Name the report .html or .pdf, not '{out.name}'.")
    output.check_outputs([("--out", out)], json_path)
    with options.opened(context) as registry, busy("Writing the report"):
        payload, page = _page(registry, subject, sieve, options.read_day(as_of))
    target = out or Path(f"{file_stem(payload['check'] or payload['sieve']) or 'history'}.html")
    with progress("Making the PDF", 1) as update:
        data = page.encode() if kind != _PDF else pdf_bytes(page, progress=partial(update, 0))
    output.write_bytes(target, data)
    payload |= {"file": str(target), "bytes": len(data)}
    if not output.emit(json_path, payload):
        what = f"Check {payload['check']}" if payload["check"] else "The history"
        output.line(
            f"{what} of sieve {payload['sieve']} is written to {target}: "
            "open it in a browser, or print it."
        )


def _page(
    registry: Registry, subject: str, sieve: bool, day: date | None
) -> tuple[dict[str, Any], str]:
    """The answer about the page, and the page."""
    from sieve_registry import report as reports
    from sieve_registry.settings import letterhead

    check_id = None if sieve else _check_id(registry, subject)
    if check_id is None:
        history = reports.history_view(registry, subject, day)
        names = "sieve=sieve.id date=as_of outcome=last_check.outcome"
        answer = {"check": None, **output.fields(history.state, names)}
        answer["ledger"] = output.fields(history, _LEDGER)
        return answer, reports.render_sieve_history(history, letterhead())
    if day is not None:
        raise UsageError(message="--as-of is for the history of a sieve: leave it out for a check.")
    view = reports.check_view(registry, check_id)
    answer = output.fields(view, "check=check_id sieve=sieve.id date=on_date")
    answer["outcome"] = (view.verdict or {}).get("outcome")
    answer["ledger"] = output.fields(view, _LEDGER)
    return answer, reports.render_check_report(view, letterhead())


def _check_id(registry: Registry, subject: str) -> str | None:
    """The check with that number, None where the name is a sieve's.

    Raises `UnknownCheckError` for neither, `UnknownSieveError` where a sieve has a similar name.
    """
    from sieve_registry.checks import queries as check_queries
    from sieve_registry.errors import BadTextError, UnknownCheckError, UnknownSieveError
    from sieve_registry.sieves import queries as sieve_queries

    try:
        return check_queries.get_check(registry, subject).check.id
    except UnknownCheckError as unknown:
        try:
            sieve_queries.get_history(registry, subject)
        except BadTextError:
            raise unknown from None
        except UnknownSieveError as error:
            raise (error if "did you mean" in str(error) else unknown) from None
    return None
