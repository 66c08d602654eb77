"""The application behind the page: its routes, its static files, its errors."""

from __future__ import annotations

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from sieve_inspect.errors import SievewardError, UsageError
from sieve_registry.bench.address import Address
from sieve_registry.bench.desk import Desk, page
from sieve_registry.bench.guard import Guard
from sieve_registry.bench.routes import (
    access,
    checks,
    equipment,
    findings,
    first_day,
    issuing,
    life,
    lookbacks,
    paper,
    people,
    planning,
    records,
    scales,
    sieves,
    stacks,
    tasks,
    today,
    viewer,
)
from sieve_registry.bench.sharing import SharedPages
from sieve_registry.bench.uploads import MOST_BYTES
from sieve_registry.bench.views import explained
from sieve_registry.errors import (
    RegistryLockedError,
    UnforeseenError,
    UnknownCheckError,
    UnknownSieveError,
)

_READS = (
    today,
    sieves,
    checks,
    viewer,
    records,
    paper,
    stacks,
    scales,
    equipment,
    first_day,
    issuing,
    people,
    access,
    lookbacks,
    findings,
    planning,
    tasks,
)
_WRITES = (
    sieves,
    checks,
    life,
    records,
    stacks,
    scales,
    equipment,
    first_day,
    issuing,
    people,
    access,
    lookbacks,
    findings,
    planning,
    paper,
)
# Scans, pictures of artefacts and tables: these requests may be large.
_UPLOADS = (
    "/jobs",
    "/sieves/table",
    "/reference/beads",
    "/sieve/certificate",
    "/equipment/add",
    "/equipment/log",
    "/scales/artefacts",
    "/scales/calibrate",
    "/scales/lamp",
    "/settings",
)


def make_app(desk: Desk, address: Address) -> Guard:
    """The application for a bench at an address, behind its guard."""
    reads = [entry for module in _READS for entry in module.READS]
    routes = [Route(path, endpoint, methods=["GET"]) for path, endpoint in reads]
    writes = [entry for module in _WRITES for entry in module.WRITES]
    routes += [Route(path, endpoint, methods=["POST"]) for path, endpoint in writes]
    shared = ("sieve_registry.report", "static")  # the style variables of all pages
    static = StaticFiles(packages=[("sieve_registry.bench", "static"), shared])
    app = Starlette(
        routes=[*routes, Mount("/static", static)],
        exception_handlers={
            SievewardError: _on_error,
            HTTPException: _on_http,
            ClientDisconnect: _on_gone,
            Exception: _on_fault,
        },
    )
    app.state.desk, app.state.address = desk, address
    return Guard(SharedPages(app), desk, address, _UPLOADS, MOST_BYTES)


def _refused(request: Request, error: SievewardError, status: int, following: str = "") -> Response:
    """An error as a page, or as the note on the page that sent the request.

    `following` is what to do, "" for the usual advice on such an error.
    """
    trouble = explained(error)
    if following:
        trouble = trouble._replace(next=following)
    if "hx-request" not in request.headers:
        return page(request, "trouble.html", status, trouble=trouble)
    answer = page(request, "_trouble.html", status, trouble=trouble)
    answer.headers["HX-Retarget"] = "#note"
    answer.headers["HX-Reswap"] = "innerHTML"
    return answer


def _on_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, SievewardError)
    status = 404 if isinstance(error, UnknownSieveError | UnknownCheckError) else 422
    return _refused(request, error, 503 if isinstance(error, RegistryLockedError) else status)


def _on_http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    reason = "This page does not exist" if error.detail == "Not Found" else str(error.detail)
    following = "Choose another page above." if error.status_code == 404 else ""
    refusal = UsageError(message=f"{reason.rstrip('.')}.")
    return _refused(request, refusal, error.status_code, following)


def _on_gone(_request: Request, _error: Exception) -> Response:
    """A browser that went away, or a body that came too slowly."""
    text = "Nothing was changed: the request came too slowly.\n"
    return PlainTextResponse(text, 408, {"Connection": "close"})


def _on_fault(request: Request, error: Exception) -> Response:
    return _refused(request, UnforeseenError.of(error), 500)
