"""Tables of sieves, past checks and certificates, imported and exported.

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
from sieve_inspect.files import read_file
from sieve_inspect.outcomes import NOT_JUDGED, OUTCOMES
from sieve_inspect.standard import resolve_nominal
from sieve_inspect.units import parse_length_um
from sieve_registry.errors import DuplicateSieveError
from sieve_registry.exchange.sheets import read_rows
from sieve_registry.ledger.canonical import plain_name
from sieve_registry.ledger.codec import EventPayload
from sieve_registry.ledger.events import CertificateRecorded, CheckRecorded, RecordsImported
from sieve_registry.ledger.figures import CertifiedDirection, DirectionFigures
from sieve_registry.ledger.records import NewSieve, SieveDetails
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves.certificates import (
    NewCertificate,
    certificate_payload,
)
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

SIEVES, CHECKS, CERTIFICATES = "sieves", "checks", "certificates"
DETAILS = ("type", "height", "cloth", "certificate", "warp", "label")
_SIEVE_TEXTS = ("standard", "grade", "serial", "location", "maker")
SIEVE_COLUMNS = (
    "id", "nominal", *_SIEVE_TEXTS, "frame", "in_service", "interval_months", "interval_uses",
    *DETAILS,
)  # fmt: skip
_FIGURES = ("mean", "sd", "max", "u_mean")
CHECK_COLUMNS = (
    "sieve", "date", "outcome", "mean_x", "mean_y", "sd_x", "sd_y", "max_x", "max_y",
    "u_mean_x", "u_mean_y", "count", "certificate", "by", "note",
)  # fmt: skip
CERTIFIED = {"mean": "mean_um", "u": "expanded_um", "sd": "sd_um", "max": "max_um",
              "wire": "wire_mean_um"}  # fmt: skip
CERTIFICATE_COLUMNS = (
    "sieve", "date", "number", "laboratory", *(f"{name}_{axis}" for name in CERTIFIED
    for axis in "xy"), "k", "count", "accreditation", "standard", "outcome", "next_due", "by",
    "note",
)  # fmt: skip
_COLUMNS = {SIEVES: SIEVE_COLUMNS, CHECKS: CHECK_COLUMNS, CERTIFICATES: CERTIFICATE_COLUMNS}
_NEEDED = {
    SIEVES: ("id", "nominal"),
    CHECKS: ("sieve", "date", "outcome", "mean_x", "mean_y"),
    CERTIFICATES: ("sieve", "date", "number", "laboratory", "mean_x", "mean_y"),
}
_OUTCOMES = (*OUTCOMES, NOT_JUDGED)


_MOST_MAPPING_BYTES = 1_000_000


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
    """What was imported, or would be in a trial; with a bad row nothing is imported.

    `ignored` are the columns of the table that are unknown here.
    """

    what: str
    rows: int
    recorded: bool
    bad: tuple[BadRow, ...]
    ignored: tuple[str, ...] = ()


def _parsed(data: bytes) -> dict[str, Any]:
    """The content of a TOML file. Raises `ValueError`."""
    try:
        return tomllib.loads(data.decode("utf-8-sig"))
    except RecursionError:
        raise ValueError("it is nested too deeply") from None


def read_mapping(path: Path | None) -> TableMapping:
    """Read a mapping file; None maps nothing. Raises `UsageError`."""
    if path is None:
        return TableMapping()
    try:
        parts = _parsed(read_file(path, _MOST_MAPPING_BYTES))
        unknown = sorted(parts.keys() - {"columns", "dates", "words"})
        if unknown:
            raise ValueError(
                f"{unknown[0]!r} is outside the parts [columns], [dates] and [words]; see "
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
    """Import a CSV or XLSX table of `sieves`, `checks` or `certificates`: all of it or nothing.

    Raises `UsageError` for a table without the columns it needs and `ArchiveError` for a file that
    cannot be read; the answer lists bad rows.
    """
    rows = read_rows(path)
    names = _COLUMNS[what]
    header = rows[0][1] if rows else []
    places = _places(path, header, names, mapping, what)
    ignored = tuple(
        cell.strip()
        for place, cell in enumerate(header)
        if cell.strip() and place not in places.values()
    )
    body = [(line, cells) for line, cells in rows[1:] if any(cell.strip() for cell in cells)]
    bad: list[BadRow] = []
    staged = registry.evidence.stage(path, path.suffix)
    try:
        with registry.writing() as connection:
            importing = _Import(registry, connection, mapping, terms)
            seq = importing.record_file(path, staged, what, len(body))
            record = {
                SIEVES: importing.record_sieve,
                CHECKS: importing.record_check,
                CERTIFICATES: importing.record_certificate,
            }[what]
            for line, cells in body:
                row = {name: cells[place].strip() for name, place in places.items()}
                try:
                    record(row, {"event": seq, "line": line})
                except (SievewardError, _BadCellError) as error:
                    bad.append(BadRow(line, str(error).rstrip(".")))
            if bad or dry_run:
                raise _RollBackError
    except _RollBackError:
        return Imported(what, len(body), False, tuple(bad), ignored)
    finally:
        registry.evidence.discard(staged)
    return Imported(what, len(body), True, (), ignored)


class _RollBackError(Exception):
    """Ends a trial: the transaction is rolled back."""


class _BadCellError(Exception):
    """A cell that does not fit its column."""


def _places(
    path: Path, header: Sequence[str], names: Sequence[str], mapping: TableMapping, what: str
) -> dict[str, int]:
    """The place of each column in a row."""
    unknown = sorted(mapping.columns.keys() - set(names))
    if unknown:
        raise UsageError(
            message=f"The mapping names {unknown[0]!r}; {what} have the columns {', '.join(names)}."
        )
    places = {cell.strip().casefold(): place for place, cell in reversed(list(enumerate(header)))}
    known = {}
    for name in names:
        column = mapping.columns.get(name, name)
        place = places.get(column.strip().casefold())
        if place is not None:
            known[name] = place
        elif name in mapping.columns or name in _NEEDED[what]:
            raise UsageError(
                message=f"{path} has no column {column!r} for {name}; it has "
                f"{', '.join(repr(cell) for cell in header if cell.strip())}: name the column in a "
                "mapping file (--map); `sieveward import --help` shows an example."
            )
    return known


@dataclass(frozen=True)
class _Import:
    """The transaction of an import, and how to read and record its rows."""

    registry: Registry
    connection: Connection
    mapping: TableMapping
    terms: RecordTerms

    def record_file(self, path: Path, staged: Staged, what: str, rows: int) -> int:
        """Record the import itself; the number of its event."""
        name, keeper = plain_name(path.name), self.registry.evidence
        with writer.placing(self.connection, keeper, [(staged, "import", name)]) as files:
            payload = RecordsImported(file=name, what=what, rows=rows, evidence=tuple(files))
            subject = clean_text("file name", name)[:64] or "file"
            terms = replace(self.terms, on_date=None)
            return record_general(self.registry, self.connection, subject, payload, terms).seq

    def _append(self, subject: str, day: date, payload: EventPayload, by: str | None) -> None:
        late = self.terms.late_reason
        RecordContext(self.registry, self.connection, subject, day, late).append(payload, by)

    def record_sieve(self, row: Mapping[str, str], origin: dict[str, int]) -> None:
        """Record a new sieve; `origin` is the row's place. Raises for a bad cell."""
        given = {name: text for name, text in row.items() if text}
        if given.get("warp", "x") not in ("x", "y"):
            raise _BadCellError(f"the warp is {given['warp']!r}: write x or y")
        numbers = ("interval_months", "interval_uses")
        other: dict[str, Any] = {
            **{name: given[name] for name in _SIEVE_TEXTS if name in given},
            **{name: _number(name, given[name]) for name in numbers if name in given},
        }
        new = NewSieve(
            row["id"],
            resolve_nominal(row["nominal"]),
            frame_um=parse_length_um(given["frame"]) if "frame" in given else None,
            in_service=_day(given["in_service"], self.mapping) if "in_service" in given else None,
            details=SieveDetails(**{name: given[name] for name in DETAILS if name in given}),
            **other,
        )
        payload = sieve_commands.sieve_payload(new, self.registry.today())
        if reader.has_sieve(self.connection, payload.id):
            raise DuplicateSieveError(sieve=payload.id)
        day = new.in_service or self.registry.today()
        self._append(payload.id, day, replace(payload, imported=origin), self.terms.by)

    def record_check(self, row: Mapping[str, str], origin: dict[str, int]) -> None:
        """Record a past check; `origin` is the row's place. Raises for a bad cell."""
        outcome = self._outcome(row["outcome"])
        by = row.get("by") or self.terms.by
        terms = replace(self.terms, on_date=_day(row["date"], self.mapping), by=by)
        history, day = history_for_recording(
            self.registry, self.connection, clean_id(row["sieve"]), CheckRecorded, terms
        )
        sieve, x, y = history.sieve, _direction(row, "x"), _direction(row, "y")
        for check in history.checks:
            if (check.on_date, check.x.mean_um, check.y.mean_um) == (day, x.mean_um, y.mean_um):
                raise _BadCellError(f"{check.id} of that day has the same means: a row twice?")
        note = clean_text("note", row.get("note", ""))
        certificate = clean_text("certificate", row.get("certificate", ""))
        told = (note, f"certificate {certificate}" if certificate else "")
        payload = CheckRecorded(
            check=writer.next_check_id(self.connection),
            nominal_nm=sieve.nominal_nm,
            standard=sieve.standard,
            grade=sieve.grade,
            rule="",
            outcome=outcome,
            action="",
            action_reason="",
            reasons=tuple(text for text in told if text),
            fit="not known",
            x=x,
            y=y,
            margins=(),
            images=(),
            shares=(),
            scale=None,
            evidence=(),
            imported=origin,
        )
        self._append(sieve.id, day, payload, by)

    def record_certificate(self, row: Mapping[str, str], origin: dict[str, int]) -> None:
        """Record a certificate; `origin` is the row's place. Raises for a bad cell."""
        given = {name: text for name, text in row.items() if text}
        by = given.get("by") or self.terms.by
        terms = replace(self.terms, on_date=_day(row["date"], self.mapping), by=by)
        history, day = history_for_recording(
            self.registry, self.connection, clean_id(row["sieve"]), CertificateRecorded, terms
        )
        texts = {
            name: given[name] for name in ("accreditation", "standard", "note") if name in given
        }
        new = NewCertificate(
            number=row["number"],
            laboratory=row["laboratory"],
            x=_certified(given, "x"),
            y=_certified(given, "y"),
            k=Decimal(_figure("k", given.get("k", "2")) or 2),
            outcome=self._outcome(given.get("outcome", NOT_JUDGED)),
            next_due=_day(given["next_due"], self.mapping) if "next_due" in given else None,
            imported=origin,
            **texts,
        )
        payload = certificate_payload(history, new, day)
        self._append(history.sieve.id, day, payload, by)

    def _outcome(self, text: str) -> str:
        written = text.casefold()
        outcome = self.mapping.words.get(written, written)
        if outcome not in _OUTCOMES:
            raise _BadCellError(
                f"the outcome {text!r} is not known: use {', '.join(_OUTCOMES)}, or map it in the "
                "[words] of a mapping file"
            )
        return outcome


def _certified(row: Mapping[str, str], axis: str) -> CertifiedDirection:
    """The figures of a certificate in one direction; `u` is U = k u as printed."""
    figures: dict[str, Any] = {
        field: _figure(name, row.get(f"{name}_{axis}", "")) for name, field in CERTIFIED.items()
    }
    if figures["mean_um"] is None:
        raise _BadCellError(f"mean_{axis} is empty: a certificate needs its means, in um")
    count = _number("count", row["count"]) if "count" in row else None
    return CertifiedDirection.from_payload({**figures, "count": count})


def _direction(row: Mapping[str, str], axis: str) -> DirectionFigures:
    figures = {f"{n}_um": _figure(n, row.get(f"{n}_{axis}", "")) for n in _FIGURES}
    if figures["mean_um"] is None:
        raise _BadCellError(f"mean_{axis} is empty: a past check needs its means, in um")
    unknown = dict.fromkeys(("u_sd_um", "u_max_um", "wire_mean_um"))
    count = _number("count", row["count"]) if row.get("count") else 0
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


def _number(name: str, text: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) < 10):
        raise _BadCellError(f"{name} {text!r} is not an integer: write digits only")
    return int(text)


def _day(text: str, mapping: TableMapping) -> date:
    try:
        if mapping.date_format:
            return datetime.strptime(text, mapping.date_format).date()
        return date.fromisoformat(text)
    except ValueError:
        form = mapping.date_format or "YYYY-MM-DD"
        raise _BadCellError(f"{text!r} is not a date: write {form}") from None
