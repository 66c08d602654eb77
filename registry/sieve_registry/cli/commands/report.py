"""`sieveward report`: a check, or the history of a sieve, as a page to print."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_inspect.errors import UsageError
from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument, flag, option

if TYPE_CHECKING:
    from datetime import date

    from sieve_registry.store.engine import Registry

_LEDGER = "events=ledger_events head=ledger_head"
_PAGES, _PDF = (".html", ".htm"), ".pdf"


def report(
    context: typer.Context,
    subject: Annotated[
        str, argument("A check's number (C-0012, or 12), or a sieve.", "CHECK|SIEVE")
    ],
    *,
    sieve: Annotated[bool, flag("--sieve", "The name is a sieve's, not a check's number.")] = False,
    as_of: options.AsOf = None,
    out: Annotated[Path | None, option(".html or .pdf (./NAME.html).", "FILE")] = None,
    json_path: options.Json = None,
) -> None:
    """Write a check, or the history of a sieve, as one page that prints on A4.

    The same ledger gives the same bytes, for a sieve with the same --as-of.
    """
    from sieve_registry.cli.support.running import busy
    from sieve_registry.report import pdf_bytes

    kind = _PAGES[0] if out is None else out.suffix.lower()
    if kind not in (*_PAGES, _PDF):
        assert out is not None
        raise UsageError(message=f"Name the report .html or .pdf, not '{out.name}'.")
    output.check_outputs([("--out", out)], json_path)
    with options.opened(context) as registry, busy("Writing the report"):
        payload, page = _page(registry, subject, sieve, options.read_day(as_of))
    target = out or Path(
        f"{output.file_stem(payload['check'] or payload['sieve']) or 'history'}.html"
    )
    with busy("Making the PDF"):
        data = pdf_bytes(page) if kind == _PDF else page.encode()
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
    from sieve_registry.settings.user import letterhead

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
