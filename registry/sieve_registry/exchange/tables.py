"""Tables of sieves and past checks, as laboratories keep them, imported and exported.

A row is read by the names of its columns; a small TOML file maps a laboratory's own column names,
its way to write dates, and its words for outcomes:

    [columns]
    id = "Sieve no."
    nominal = "Mesh"
    [dates]
    format = "%d.%m.%Y"
    [words]
    "OK" = "pass"

All rows are tried first; with an error in any row nothing is imported, and every error is listed.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from sieve_inspect.errors import SievewardError, UsageError
from sieve_inspect.outcomes import NOT_JUDGED, OUTCOMES
from sieve_inspect.standard import resolve_nominal
from sieve_inspect.units import parse_length_um
from sieve_registry.errors import DuplicateSieveError
from sieve_registry.events import CheckRecorded, RecordsImported
from sieve_registry.exchange.sheets import read_rows
from sieve_registry.figures import DirectionFigures
from sieve_registry.ledger.canonical import plain_name
from sieve_registry.records import NewSieve, SieveDetails
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.recording import (
    RecordContext,
    RecordTerms,
    history_for_recording,
    record_general,
)
from sieve_registry.store import reader, writer
from sieve_registry.store.engine import Registry
from sieve_registry.store.evidence import Staged
from sieve_registry.values import clean_id, clean_text

SIEVES, CHECKS = "sieves", "checks"
_DETAILS = ("type", "height", "cloth", "certificate", "warp", "label")
_SIEVE_TEXTS = ("standard", "grade", "serial", "location", "maker")
SIEVE_COLUMNS = (
    "id", "nominal", *_SIEVE_TEXTS, "frame", "in_service", "interval_months", "interval_uses",
    *_DETAILS,
)  # fmt: skip
_FIGURES = ("mean", "sd", "max")
CHECK_COLUMNS = (
    "sieve", "date", "outcome", "mean_x", "mean_y", "sd_x", "sd_y", "max_x", "max_y", "count",
    "by", "note",
)  # fmt: skip
_NEEDED = {SIEVES: ("id", "nominal"), CHECKS: ("sieve", "date", "outcome", "mean_x", "mean_y")}
_OUTCOMES = (*OUTCOMES, NOT_JUDGED)


@dataclass(frozen=True)
class TableMapping:
    """How to read a laboratory's table: its column names, date format and words for outcomes."""

    columns: Mapping[str, str] = field(default_factory=dict)
    date_format: str = ""
    words: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class BadRow:
    """A row that cannot be imported: its line in the file, and the reason."""

    line: int
    reason: str


@dataclass(frozen=True)
class Imported:
    """What was imported, or would be in a trial; with a bad row nothing is imported."""

    what: str
    rows: int
    recorded: bool
    bad: tuple[BadRow, ...]


def read_mapping(path: Path | None) -> TableMapping:
    """Read a mapping file; None maps nothing. Raises `UsageError`."""
    if path is None:
        return TableMapping()
    try:
        parts = tomllib.loads(path.read_text("utf-8-sig"))
        unknown = sorted(parts.keys() - {"columns", "dates", "words"})
        if unknown:
            raise ValueError(
                f"{unknown[0]!r} stands outside the parts [columns], [dates] and [words]; see "
                "`sieveward import --help`"
            )
        columns = {str(ours): str(theirs) for ours, theirs in parts.get("columns", {}).items()}
        words = {str(a).casefold(): str(b) for a, b in parts.get("words", {}).items()}
        return TableMapping(columns, str(parts.get("dates", {}).get("format", "")), words)
    except (OSError, ValueError, AttributeError) as error:
        raise UsageError(message=f"The mapping file {path} cannot be read: {error}.") from error


def import_table(
    registry: Registry,
    path: Path,
    what: str,
    mapping: TableMapping,
    terms: RecordTerms,
    *,
    dry_run: bool,
) -> Imported:
    """Import a CSV or XLSX table of `sieves` or `checks`: all of it or nothing.

    Raises `UsageError` for a table without the columns it needs and `ArchiveError` for a file that
    cannot be read; the answer lists bad rows.
    """
    rows = read_rows(path)
    names = SIEVE_COLUMNS if what == SIEVES else CHECK_COLUMNS
    places = _places(path, rows[0][1] if rows else [], names, mapping, what)
    body = [(line, cells) for line, cells in rows[1:] if any(cell.strip() for cell in cells)]
    bad: list[BadRow] = []
    staged = registry.evidence.stage(path, path.suffix)
    try:
        with registry.writing() as connection:
            seq = _imported_event(registry, connection, path, staged, (what, len(body)), terms)
            for line, cells in body:
                row = {name: cells[place].strip() for name, place in places.items()}
                origin = {"event": seq, "line": line}
                try:
                    _record(registry, connection, what, row, mapping, origin, terms)
                except (SievewardError, _BadCellError) as error:
                    bad.append(BadRow(line, str(error).rstrip(".")))
            if bad or dry_run:
                raise _RollBackError
    except _RollBackError:
        return Imported(what, len(body), False, tuple(bad))
    finally:
        registry.evidence.discard(staged)
    return Imported(what, len(body), True, ())


class _RollBackError(Exception):
    """Ends a trial: the transaction is rolled back."""


class _BadCellError(Exception):
    """A cell that does not fit its column."""


def _places(
    path: Path, header: Sequence[str], names: Sequence[str], mapping: TableMapping, what: str
) -> dict[str, int]:
    """Which column holds what."""
    unknown = sorted(mapping.columns.keys() - set(names))
    if unknown:
        raise UsageError(
            message=f"The mapping names {unknown[0]!r}; {what} have the columns {', '.join(names)}."
        )
    places = {cell.strip().casefold(): place for place, cell in reversed(list(enumerate(header)))}
    found = {}
    for name in names:
        column = mapping.columns.get(name, name)
        place = places.get(column.strip().casefold())
        if place is not None:
            found[name] = place
        elif name in mapping.columns or name in _NEEDED[what]:
            raise UsageError(
                message=f"{path} has no column {column!r} for {name}; it has "
                f"{', '.join(repr(cell) for cell in header if cell.strip())}: name the column in a "
                "mapping file (--map); `sieveward import --help` shows an example."
            )
    return found


def _imported_event(
    registry: Registry,
    connection: Connection,
    path: Path,
    staged: Staged,
    content: tuple[str, int],
    terms: RecordTerms,
) -> int:
    what, rows = content
    name = plain_name(path.name)
    with writer.placing(connection, registry.evidence, [(staged, "import", name)]) as files:
        payload = RecordsImported(file=name, what=what, rows=rows, evidence=tuple(files))
        subject = clean_text("file name", name)[:64] or "file"
        day = replace(terms, on_date=None)
        event = record_general(registry, connection, subject, payload, day)
    return event.seq


def _record(
    registry: Registry,
    connection: Connection,
    what: str,
    row: Mapping[str, str],
    mapping: TableMapping,
    origin: dict[str, int],
    terms: RecordTerms,
) -> None:
    if what == SIEVES:
        _record_sieve(registry, connection, row, mapping, origin, terms)
    else:
        _record_check(registry, connection, row, mapping, origin, terms)


def _record_sieve(
    registry: Registry,
    connection: Connection,
    row: Mapping[str, str],
    mapping: TableMapping,
    origin: dict[str, int],
    terms: RecordTerms,
) -> None:
    def get(name: str) -> str:
        return row.get(name, "")

    texts: dict[str, Any] = {name: get(name) for name in _SIEVE_TEXTS if get(name)}
    details = {name: get(name) for name in _DETAILS if get(name)}
    if details.get("warp", "x") not in ("x", "y"):
        raise _BadCellError(f"the warp is {get('warp')!r}: write x or y")
    numbers: dict[str, Any] = {
        name: _whole(name, get(name)) for name in ("interval_months", "interval_uses") if get(name)
    }
    new = NewSieve(
        get("id"),
        resolve_nominal(get("nominal")),
        frame_um=parse_length_um(get("frame")) if get("frame") else None,
        in_service=_day(get("in_service"), mapping) if get("in_service") else None,
        details=SieveDetails(**details),
        **texts,
        **numbers,
    )
    payload = sieve_commands.sieve_payload(new, registry.today())
    if reader.has_sieve(connection, payload.id):
        raise DuplicateSieveError(sieve=payload.id)
    day = new.in_service or registry.today()
    context = RecordContext(registry, connection, payload.id, day, terms.late_reason)
    context.append(replace(payload, imported=origin), terms.by)


def _record_check(
    registry: Registry,
    connection: Connection,
    row: Mapping[str, str],
    mapping: TableMapping,
    origin: dict[str, int],
    terms: RecordTerms,
) -> None:
    written = row["outcome"]
    outcome = mapping.words.get(written.casefold(), written.casefold())
    if outcome not in _OUTCOMES:
        raise _BadCellError(
            f"the outcome {written!r} is not known: use {', '.join(_OUTCOMES)}, or map it in the "
            "[words] of a mapping file"
        )
    by = row.get("by") or terms.by
    when = replace(terms, on_date=_day(row["date"], mapping), by=by)
    sieve_id = clean_id(row["sieve"])
    history, day = history_for_recording(registry, connection, sieve_id, CheckRecorded, when)
    sieve = history.sieve
    note = clean_text("note", row.get("note", ""))
    payload = CheckRecorded(
        check=writer.next_check_id(connection),
        nominal_nm=sieve.nominal_nm,
        standard=sieve.standard,
        grade=sieve.grade,
        rule="",
        outcome=outcome,
        action="",
        action_reason="",
        reasons=(note,) if note else (),
        fit="not known",
        x=_direction(row, "x"),
        y=_direction(row, "y"),
        margins=(),
        images=(),
        shares=(),
        scale=None,
        evidence=(),
        imported=origin,
    )
    context = RecordContext(registry, connection, sieve.id, day, terms.late_reason)
    context.append(payload, by)


def _direction(row: Mapping[str, str], axis: str) -> DirectionFigures:
    figures = {f"{n}_um": _figure(n, row.get(f"{n}_{axis}", "")) for n in _FIGURES}
    if figures["mean_um"] is None:
        raise _BadCellError(f"mean_{axis} is empty: a past check needs its means, in um")
    unknown = dict.fromkeys(("u_mean_um", "u_sd_um", "u_max_um", "wire_mean_um"))
    count = _whole("count", row["count"]) if row.get("count") else 0
    return DirectionFigures.from_payload({"count": count, **figures, **unknown})


def _figure(name: str, text: str) -> str | None:
    if not text:
        return None
    try:
        value = Decimal(text.replace(",", "."))
    except InvalidOperation:
        raise _BadCellError(f"{name} {text!r} is not a number of um") from None
    if not value.is_finite() or not 0 <= value < 10**7:
        raise _BadCellError(f"{name} {text!r} is not a plausible width in um")
    return format(value, "f")


def _whole(name: str, text: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) < 10):
        raise _BadCellError(f"{name} {text!r} is not a whole number")
    return int(text)


def _day(text: str, mapping: TableMapping) -> date:
    try:
        if mapping.date_format:
            return datetime.strptime(text, mapping.date_format).date()
        return date.fromisoformat(text)
    except ValueError:
        how = mapping.date_format or "YYYY-MM-DD"
        raise _BadCellError(f"{text!r} is not a date: write {how}") from None


# --- writing out -----------------------------------------------------------------------------


def sieve_rows(registry: Registry) -> list[tuple[str, ...]]:
    """All sieves as they are today, a header first, in the form `import_table` reads."""
    from sieve_inspect.units import format_length

    rows: list[tuple[str, ...]] = [SIEVE_COLUMNS]
    for state in sieve_queries.states(registry):
        sieve = state.sieve
        rows.append(
            (
                sieve.id, format_length(sieve.nominal_um), sieve.standard, sieve.grade,
                sieve.serial, state.location, sieve.maker,
                "" if sieve.frame_nm is None else format_length(sieve.frame_nm / 1000),
                str(sieve.in_service or ""), str(state.interval_months),
                str(state.interval_uses or ""),
                *(getattr(state.details, name) for name in _DETAILS),
            )
        )  # fmt: skip
    return rows


def check_rows(registry: Registry) -> list[tuple[str, ...]]:
    """All checks as corrected, a header first, in the form `import_table` reads."""
    found = [c for h in sieve_queries.all_histories(registry) for c in h.checks]

    def text(value: Decimal | None) -> str:
        return "" if value is None else format(value, "f")

    return [
        CHECK_COLUMNS,
        *(
            (
                c.sieve_id, c.on_date.isoformat(), c.outcome, text(c.x.mean_um),
                text(c.y.mean_um), text(c.x.sd_um), text(c.y.sd_um), text(c.x.max_um),
                text(c.y.max_um), str(c.x.count or ""), c.person, "; ".join(c.reasons),
            )
            for c in sorted(found, key=lambda check: check.seq)
        ),
    ]  # fmt: skip
