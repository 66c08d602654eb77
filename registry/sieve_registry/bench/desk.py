"""The parts of a bench, and its answers as pages."""

from __future__ import annotations

import secrets
from dataclasses import dataclass, field
from functools import cache, cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse

from sieve_inspect.errors import UsageError
from sieve_registry.bench.jobs import Job, Jobs
from sieve_registry.bench.overview import Overview
from sieve_registry.bench.printing import Printer
from sieve_registry.bench.sessions import Session, Sessions, current
from sieve_registry.bench.tasks import Tasks
from sieve_registry.bench.views import due_text, job_text
from sieve_registry.people.acts import Act, Demand
from sieve_registry.report.pages import page_environment
from sieve_registry.settings import load_settings
from sieve_registry.store import reader, writer
from sieve_registry.store.engine import Registry

if TYPE_CHECKING:
    from sieve_inspect.scale import Scale


TOKEN_HEADER = "X-Bench-Token"


@dataclass(frozen=True)
class Desk:
    """The registry, the jobs, the folder watched for scans, and the scale files offered.

    `given` are those scales with the names of their files; every request needs `key`, every change
    also `token`. Where persons sign in, a session takes the place of both.
    """

    registry: Registry
    jobs: Jobs
    given: tuple[tuple[str, Scale], ...] = ()
    watch: Path | None = None
    key: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    token: str = field(default_factory=lambda: secrets.token_urlsafe(24))

    sessions: Sessions = field(default_factory=Sessions)

    def sign_in_demanded(self) -> bool:
        """Whether the laboratory demands that persons sign in."""
        return self.overview.roster().rules_on(self.registry.today()).sign_in

    def session(self, key: str, *, active: bool) -> Session | None:
        """The session of a key, None where it or the person's right to it ended."""
        session = self.sessions.find(key, active=active)
        if session is None:
            return None
        person = self.overview.roster().persons.get(session.person.id)
        same = person is not None and person.password_event == session.person.password_event
        if person is None or not same or not person.present(self.registry.today()):
            self.sessions.end(key)
            return None
        session.person = person
        return session

    def may(self, act: str) -> bool:
        """Whether the person signed in may do an act; a typed name is judged when it is sent."""
        session, today = current.get(), self.registry.today()
        demand = self.overview.roster().rules_on(today).authorisations
        if session is None or demand != Demand.DEMAND:
            return True
        return session.person.may(Act(act), today)

    def clock_ahead(self) -> bool:
        """Whether this computer's clock is so far ahead that each record needs a reason."""
        with self.registry.reading() as connection:
            return writer.clock_ahead(reader.last_event(connection), self.registry.now())

    @cached_property
    def overview(self) -> Overview:
        """The states of all sieves, read once for each change of the registry."""
        return Overview(self.registry)

    @cached_property
    def printer(self) -> Printer:
        """Makes reports and audits beside the page."""
        return Printer(self.registry)

    @cached_property
    def tasks(self) -> Tasks:
        """Calibrations and lamp tests."""
        return Tasks()


def desk_of(request: Request) -> Desk:
    """The bench a request is for."""
    desk = request.app.state.desk
    assert isinstance(desk, Desk)
    return desk


def job_of(request: Request) -> Job:
    """The job a request names. Raises `HTTPException`."""
    job = desk_of(request).jobs.get(request.path_params["job"])
    if job is None:
        raise HTTPException(
            404,
            "This check is no longer on the bench: it was discarded, or the bench was restarted. "
            "Recorded checks are listed on the page of their sieve",
        )
    return job


def page(request: Request, template: str, status: int = 200, **values: Any) -> HTMLResponse:
    """A filled template, with the values every page needs."""
    desk = desk_of(request)
    session = current.get()
    common = {
        "token_header": TOKEN_HEADER,
        "token": desk.token if session is None else session.token,
        "me": None if session is None else session.person,
        "may": desk.may,
        "today": desk.registry.today().isoformat(),
        "clock_ahead": cache(desk.clock_ahead),  # asked by each form of the page
        "path": request.url.path,
        "registry": desk.registry.where,
        "people": desk.overview.people,
        "person": _usual_person(),
        "due_text": due_text,
        "job_text": job_text,
    }
    environment = page_environment("sieve_registry.bench")
    text = environment.get_template(template).render({**common, **values})
    return HTMLResponse(text, status)


def _usual_person() -> str:
    """The person of the settings; "" where the file cannot be read, which other pages report."""
    try:
        return load_settings().person
    except UsageError:
        return ""
