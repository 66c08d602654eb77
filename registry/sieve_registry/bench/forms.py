"""Forms sent by the page: their fields as typed values, and the acts they ask for."""

from __future__ import annotations

import shutil
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal, InvalidOperation
from pathlib import Path
from urllib.parse import urlencode

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request
from starlette.responses import Response

from sieve_inspect.errors import UsageError
from sieve_inspect.units import parse_length_um
from sieve_registry.bench.desk import Desk, desk_of
from sieve_registry.bench.sessions import current
from sieve_registry.bench.uploads import plain_file_name
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry
from sieve_registry.values import clean_text, read_date

_MOST_FIELDS = 2000
_MOST_FILES = 64
Endpoint = Callable[[Request], Awaitable[Response]]


@dataclass(frozen=True)
class Form:
    """The fields of a form; those of one name in the order they were sent."""

    fields: Mapping[str, Sequence[str]]

    @classmethod
    def of(cls, data: FormData) -> Form:
        """The texts of a form; its files are read apart."""
        fields: dict[str, list[str]] = {}
        for name, value in data.multi_items():
            if isinstance(value, str):
                fields.setdefault(name, []).append(value.strip())
        return cls(fields)

    def text(self, name: str) -> str:
        """A text, "" where nothing was typed."""
        return (self.fields.get(name) or [""])[-1]

    def texts(self, name: str) -> list[str]:
        """Every text of that name, empty ones left out."""
        return [text for text in self.fields.get(name, ()) if text]

    def names(self, name: str) -> list[str]:
        """The names in a text, between commas."""
        return [part.strip() for part in self.text(name).split(",") if part.strip()]

    def needed(self, name: str, what: str) -> str:
        """A text that has to be there. Raises `UsageError`."""
        text = self.text(name)
        if not text:
            raise UsageError(message=f"{what} missing: fill it in.")
        return text

    def count(self, name: str, what: str) -> int | None:
        """A whole number, None where nothing was typed. Raises `UsageError`."""
        text = self.text(name)
        if not text:
            return None
        if not (text.isascii() and text.isdigit() and len(text) < 10):
            raise UsageError(message=f"{what}: {text[:20]!r} is not a whole number.")
        return int(text)

    def figure(self, name: str, what: str) -> Decimal | None:
        """A number that is not negative, also with a decimal comma. Raises `UsageError`."""
        text = self.text(name)
        if not text:
            return None
        try:
            value = Decimal(text.replace(",", "."))
        except InvalidOperation:
            raise UsageError(message=f"{what}: {text[:20]!r} is not a number.") from None
        if not value.is_finite() or not 0 <= value < 10**9:
            raise UsageError(message=f"{what}: {text[:20]} is not plausible.")
        return value

    def number(self, name: str, what: str) -> float | None:
        """The same as a float."""
        value = self.figure(name, what)
        return None if value is None else float(value)

    def length_um(self, name: str) -> float | None:
        """A length with its unit in um, None where nothing was typed. Raises `UsageError`."""
        text = self.text(name)
        return parse_length_um(text) if text else None

    def day(self, name: str) -> date | None:
        """A day, None where nothing was typed. Raises `DateRefusedError`."""
        text = self.text(name)
        return read_date(text) if text else None

    def person(self, name: str = "name") -> str:
        """Who does it: the person signed in, else as typed.

        Raises `BadTextError` where no name was typed.
        """
        session = current.get()
        if session is not None:
            return session.person.name
        return clean_text("name", self.text(name), needed=True)

    def terms(self) -> RecordTerms:
        """The terms of a record: person, day, and the reason for a late entry."""
        return RecordTerms(self.day("date"), self.person(), self.text("why_late"))


def redirect(place: str) -> Response:
    """Have the browser open a page of the bench."""
    return Response(status_code=204, headers={"HX-Redirect": place})


def place_of(sieve_id: str, **more: str | int) -> str:
    """The address of a sieve's page."""
    return f"/sieve?{urlencode({'id': sieve_id, **more})}"


def place_of_equipment(name: str, **more: str | int) -> str:
    """The address of the page of a piece of equipment."""
    return f"/equipment/piece?{urlencode({'id': name, **more})}"


def done_place(registry: Registry, sieve_id: str) -> str:
    """The page of a sieve, which names the record made last and offers to undo it."""
    history = sieve_queries.get_history(registry, sieve_id)
    end = () if history.retirement is None else (history.retirement,)
    records = (*history.uses, *history.acts, *history.edits, *history.opinions, *end)
    newest = max((record.seq for record in records), default=history.sieve.seq)
    return place_of(history.sieve.id, done=newest)


def act(command: Callable[[Desk, Form], str]) -> Endpoint:
    """A route that reads a form, runs `command`, and opens the page whose address it returns."""

    async def endpoint(request: Request) -> Response:
        async with request.form(max_files=0, max_fields=_MOST_FIELDS) as data:
            form = Form.of(data)
        return redirect(await run_in_threadpool(command, desk_of(request), form))

    return endpoint


def act_with_files(command: Callable[[Desk, Form, Path, FormData], str]) -> Endpoint:
    """The same for a form with files; `command` gets a new folder, removed if it fails."""

    async def endpoint(request: Request) -> Response:
        desk = desk_of(request)
        async with request.form(max_files=_MOST_FILES, max_fields=_MOST_FIELDS) as data:
            return redirect(await run_in_threadpool(_in_folder, command, desk, data))

    return endpoint


def _in_folder(
    command: Callable[[Desk, Form, Path, FormData], str], desk: Desk, data: FormData
) -> str:
    folder = desk.jobs.new_folder()
    try:
        return command(desk, Form.of(data), folder, data)
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise


def sent_files(data: FormData, name: str) -> list[UploadFile]:
    """The files sent under a name."""
    return [
        file for file in data.getlist(name) if isinstance(file, UploadFile) and bool(file.filename)
    ]


def keep_file(data: FormData, name: str, folder: Path) -> Path | None:
    """A copy of the one file sent under a name in a folder of its own, None without one."""
    sent = sent_files(data, name)
    if not sent:
        return None
    kept = folder / name / plain_file_name(sent[0].filename or "")
    kept.parent.mkdir()
    with kept.open("xb") as target:
        shutil.copyfileobj(sent[0].file, target)
    return kept
