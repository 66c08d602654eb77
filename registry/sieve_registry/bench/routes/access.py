"""The way in: signing in and out, and whether the bench is well."""

from __future__ import annotations

from importlib.metadata import version
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from sieve_inspect.errors import SievewardError
from sieve_registry.audit.verification import ledger_head
from sieve_registry.bench.address import Address
from sieve_registry.bench.desk import desk_of, page
from sieve_registry.bench.forms import Form, redirect
from sieve_registry.bench.guard import HEALTH, SIGN_IN
from sieve_registry.bench.sessions import IDLE_S, current
from sieve_registry.bench.views import plain_sentence
from sieve_registry.people.errors import SignInError
from sieve_registry.people.sign_in import sign_in


def health(request: Request) -> Response:
    """Whether the bench answers and reaches its registry; nothing else, and to everybody."""
    try:
        ledger_head(desk_of(request).registry)
        reached = True
    except SievewardError:
        reached = False
    answer = {"ok": reached, "version": version("sieveward"), "registry": reached}
    return JSONResponse(answer, 200 if reached else 503)


def sign_in_page(request: Request) -> Response:
    """The form to sign in."""
    return _page(request, _local(request.query_params.get("then", "")))


def _page(request: Request, then: str, refusal: str = "", name: str = "") -> Response:
    values: dict[str, Any] = {
        "then": then,
        "refusal": refusal,
        "name": name,
        "ended": request.query_params.get("ended", ""),
        "out": request.query_params.get("out", ""),
        "idle_minutes": round(IDLE_S / 60),
        "demanded": desk_of(request).sign_in_demanded(),
    }
    return page(request, "sign_in.html", 403 if refusal else 200, **values)


async def signing_in(request: Request) -> Response:
    """Begin a session for the right name and password, under a new key."""
    async with request.form(max_files=0, max_fields=10) as data:
        form = Form.of(data)
    desk, then, name = desk_of(request), _local(form.text("then")), form.text("person")
    try:
        person = await run_in_threadpool(sign_in, desk.registry, name, form.text("password"))
    except SignInError as error:
        return await run_in_threadpool(_page, request, then, plain_sentence(str(error)), name)
    address = _address(request)
    desk.sessions.end(request.cookies.get(address.session_cookie, ""))
    answer = RedirectResponse(then, 303)
    answer.set_cookie(
        address.session_cookie,
        desk.sessions.begin(person),
        secure=address.network,
        httponly=True,
        samesite="strict",
        path="/",
    )
    return answer


async def sign_out(request: Request) -> Response:
    """End the session."""
    name = _address(request).session_cookie
    desk_of(request).sessions.end(request.cookies.get(name, ""))
    current.set(None)
    answer = redirect(f"{SIGN_IN}?out=yes")
    answer.delete_cookie(name, path="/", secure=_address(request).network, httponly=True)
    return answer


def _address(request: Request) -> Address:
    address = request.app.state.address
    assert isinstance(address, Address)
    return address


def _local(place: str) -> str:
    """A page of this bench, the first where another was named."""
    local = place.startswith("/") and not place.startswith(("//", "/\\", SIGN_IN))
    return place if local and place.isprintable() else "/"


READS = ((HEALTH, health), (SIGN_IN, sign_in_page))
WRITES = ((SIGN_IN, signing_in), ("/sign-out", sign_out))
