"""The application behind the page: what it knows, its places, its templates, its errors."""

from __future__ import annotations

import secrets
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import jinja2
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from sieve_inspect.errors import SievewardError, UsageError
from sieve_registry.bench.guard import TOKEN_HEADER, Guard
from sieve_registry.bench.jobs import Jobs, unforeseen
from sieve_registry.bench.messages import told
from sieve_registry.bench.uploads import MOST_BYTES
from sieve_registry.errors import RegistryLockedError, UnknownCheckError, UnknownSieveError
from sieve_registry.report.formatting import clean, edition, with_micro
from sieve_registry.store.engine import Registry

if TYPE_CHECKING:
    from sieve_inspect.scale import Scale

__all__ = ["Desk", "desk_of", "make_app", "page", "refused"]

UPLOADS = "/jobs"


@dataclass(frozen=True)
class Desk:
    """Everything one bench works with; `given` are scales named at the start, with their names."""

    registry: Registry
    jobs: Jobs
    given: tuple[tuple[str, Scale], ...] = ()
    watch: Path | None = None
    token: str = field(default_factory=lambda: secrets.token_urlsafe(24))


def desk_of(request: Request) -> Desk:
    """The bench a request is for."""
    found = request.app.state.desk
    assert isinstance(found, Desk)
    return found


def make_app(desk: Desk, port: int) -> Guard:
    """The application for a bench on a port of this computer, its guard before it."""
    from sieve_registry.bench import actions, pages, scan_view

    reads = (*pages.READS, *scan_view.READS)
    routes = [Route(path, endpoint, methods=["GET"]) for path, endpoint in reads]
    routes += [Route(path, endpoint, methods=["POST"]) for path, endpoint in actions.DEEDS]
    static = StaticFiles(packages=[("sieve_registry.bench", "static")])
    app = Starlette(
        routes=[*routes, Mount("/static", static)],
        exception_handlers={
            SievewardError: _on_error,
            HTTPException: _on_http,
            Exception: _on_fault,
        },
    )
    app.state.desk = desk
    app.state.templates = _templates()
    return Guard(app, port, desk.token, UPLOADS, MOST_BYTES)


def _templates() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("sieve_registry.bench"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=clean,
    )
    environment.filters |= {"edition": edition, "micro": with_micro}
    return environment


def page(request: Request, name: str, status: int = 200, **values: Any) -> HTMLResponse:
    """A template filled in, with what every page says."""
    desk = desk_of(request)
    template = request.app.state.templates.get_template(name)
    common = {
        "token_header": TOKEN_HEADER,
        "token": desk.token,
        "today": desk.registry.today().isoformat(),
        "where": desk.registry.where,
    }
    return HTMLResponse(template.render({**common, **values}), status)


def refused(request: Request, error: SievewardError, status: int) -> Response:
    """An error as a page, or as the note of the page that asked."""
    if "hx-request" not in request.headers:
        return page(request, "trouble.html", status, trouble=told(error))
    answer = page(request, "_trouble.html", status, trouble=told(error))
    answer.headers["HX-Retarget"] = "#note"
    answer.headers["HX-Reswap"] = "innerHTML"
    return answer


def _on_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, SievewardError)
    status = 404 if isinstance(error, UnknownSieveError | UnknownCheckError) else 422
    return refused(request, error, 503 if isinstance(error, RegistryLockedError) else status)


def _on_http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    reason = "There is no such page here" if error.status_code == 404 else str(error.detail)
    return refused(request, UsageError(message=f"{reason.rstrip('.')}."), error.status_code)


def _on_fault(request: Request, error: Exception) -> Response:
    return refused(request, unforeseen(error), 500)
