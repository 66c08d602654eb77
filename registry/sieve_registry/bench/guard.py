"""Which requests are allowed: from who has the key, from this page, and within limits.

Every account of this computer, and any page open in the same browser, can send requests here, and
a hostile name server can resolve its own name to this computer. So the host of a request has to be
this computer; whoever asks needs the key of this run, which is part of the address that `sieveward
bench` prints and is then kept in a cookie that no other site's page sends along; where the system
says which account asks (Linux), it has to be the bench's own; and a request that changes anything
has to come from this page and carry a token that only this page has. A body has a stated size
within a limit, and arrives within a time.

Where persons sign in, each request needs a session besides; on the laboratory's network, under TLS,
the session takes the place of the key. Without one only signing in is possible, and `/health`.
"""

from __future__ import annotations

import asyncio
import secrets
import time
from collections.abc import Collection
from dataclasses import dataclass
from urllib.parse import urlencode

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders, QueryParams
from starlette.requests import ClientDisconnect, cookie_parser
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from sieve_inspect.errors import SievewardError
from sieve_registry.bench.accounts import other_account
from sieve_registry.bench.address import Address
from sieve_registry.bench.desk import TOKEN_HEADER, Desk
from sieve_registry.bench.sessions import current

CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
# Reports and labels are self-contained: their style is inlined and they have no scripts.
PRINT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; form-action 'none'; "
    "base-uri 'none'; frame-ancestors 'none'"
)
_HEADERS = {
    "Content-Security-Policy": CONTENT_POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",  # "no-referrer" would also blank the Origin of a form
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cache-Control": "no-store",
}
_READS = ("GET", "HEAD")
HEALTH, STATIC, SIGN_IN, ALIVE = "/health", "/static/", "/sign-in", "/alive"
_KEY = "key"
_DIGITS = 15  # of a length
_PAUSE_S = 20.0  # the longest pause within a body
_SLOWEST = 50_000  # bytes a second, on this computer
_OTHER_ACCOUNT = (
    "This page is for the account that started it alone: run `sieveward bench` under your own."
)
_NO_KEY = (
    "This page needs its key: open the address that `sieveward bench` printed when it was started."
)


@dataclass(frozen=True)
class Guard:
    """Wraps the application and refuses requests it must not handle.

    `most_bytes` is the largest request to one of the paths `uploads`, `small_bytes` to any other.
    """

    app: ASGIApp
    desk: Desk
    address: Address
    uploads: Collection[str]
    most_bytes: int
    small_bytes: int = 1 << 16

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Refuse or pass on a request; every answer gets the security headers."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def send_secured(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        answer = await self._answer(scope)
        if answer is not None:
            await answer(scope, receive, send_secured)
            return
        try:
            await self.app(scope, _in_time(receive, self._most(scope["path"])), send_secured)
        except ClientDisconnect:
            return  # the browser went away: nobody waits for an answer

    async def _answer(self, scope: Scope) -> Response | None:
        """The guard's own answer, or None for a request to pass on."""
        current.set(None)
        if scope["path"] == HEALTH and scope["method"] in _READS:
            return None  # it tells nothing that anybody may not know
        if not self.address.network and other_account(scope.get("client"), scope.get("server")):
            return _plain(403, _OTHER_ACCOUNT)
        refusal = self._host_refusal(Headers(scope=scope))
        if refusal is None:
            entry = None if self.address.network else self._entry(scope)
            if entry is None and not scope["path"].startswith(STATIC):
                try:
                    entry = await self._session_answer(scope)
                except SievewardError as error:  # who has signed in cannot be read
                    entry = _plain(503, str(error))
            if entry is not None:
                return entry
            refusal = self._refusal(scope)
        return None if refusal is None else _plain(*refusal)

    def _entry(self, scope: Scope) -> Response | None:
        """The way in: the key of the address becomes a cookie; None for who has that already."""
        name = self.address.key_cookie
        if _same(_cookie(scope, name), self.desk.key):
            return None
        query = QueryParams(scope["query_string"])
        if scope["method"] != "GET" or not _same(query.get(_KEY, ""), self.desk.key):
            return _plain(403, _NO_KEY)
        rest = urlencode([(k, v) for k, v in query.multi_items() if k != _KEY])
        answer = RedirectResponse(f"{scope['path']}{'?' if rest else ''}{rest}", 303)
        answer.set_cookie(name, self.desk.key, httponly=True, samesite="strict", path="/")
        return answer

    async def _session_answer(self, scope: Scope) -> Response | None:
        """Find the session of a request; None where there is one, or where none is needed."""
        key = _cookie(scope, self.address.session_cookie)
        by_itself = scope["method"] == "GET" and "hx-request" in Headers(scope=scope)
        if key:
            active = not by_itself and scope["path"] != ALIVE
            session = await run_in_threadpool(self.desk.session, key, active=active)
            current.set(session)
            if session is not None:
                return None
        needed = self.address.network or await run_in_threadpool(self.desk.sign_in_demanded)
        if not needed or scope["path"] == SIGN_IN:
            return None
        place = scope["path"] if scope["method"] == "GET" and not by_itself else "/"
        query = scope["query_string"].decode("latin-1") if place != "/" else ""
        then = f"{place}?{query}" if query else place
        ended = {"ended": "yes"} if key else {}
        way = f"{SIGN_IN}?{urlencode({'then': then, **ended})}"
        if scope["method"] == "GET" and not by_itself:
            return RedirectResponse(way, 303)
        text = "Nothing was changed: sign in first."
        return PlainTextResponse(f"{text}\n", 403, {"HX-Redirect": way, "Connection": "close"})

    def _host_refusal(self, headers: Headers) -> tuple[int, str] | None:
        names = self.address.hosts
        if [host.lower() for host in headers.getlist("host")] not in ([name] for name in names):
            where = "under another name" if self.address.network else "on this computer only"
            return 421, f"This page is served {where}: open {self.address.home}"
        return None

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        headers = Headers(scope=scope)
        if "transfer-encoding" in headers:
            return 411, "Nothing was changed: the request has no length."
        if scope["method"] in _READS:
            return None
        if scope["method"] != "POST":
            return 405, "This kind of request is not supported."
        own = [f"{self.address.scheme}://{name}" for name in self.address.hosts]
        if headers.getlist("origin") not in ([name] for name in own):
            return 403, "Nothing was changed: the request came from another page."
        session = current.get()
        token = self.desk.token if session is None else session.token
        # Who signs in has no page of a session yet; the origin shows that it is this page.
        if scope["path"] != SIGN_IN and not _same(headers.get(TOKEN_HEADER, ""), token):
            return 403, (
                "Nothing was changed: the bench was restarted, or somebody else signed in, since "
                "this page was loaded. Load it again, then repeat your entry."
            )
        return self._size_refusal(scope["path"], headers)

    def _size_refusal(self, path: str, headers: Headers) -> tuple[int, str] | None:
        length = headers.get("content-length", "")
        if not (length.isascii() and length.isdigit()):
            return 411, "Nothing was changed: the request has no length."
        most = self._most(path)
        if len(length) > _DIGITS or int(length) > most:
            advice = " Crop the scans to the cloth, or send fewer." if most > 1e6 else ""
            over = f"{_size(length)} is over the limit of {_size(most)}"
            return 413, f"Nothing was changed: {over}.{advice}"
        return None

    def _most(self, path: str) -> int:
        return self.most_bytes if path in self.uploads else self.small_bytes


def _plain(status: int, text: str) -> Response:
    return PlainTextResponse(f"{text}\n", status, {"Connection": "close"})


def _cookie(scope: Scope, name: str) -> str:
    return cookie_parser(Headers(scope=scope).get("cookie", "")).get(name, "")


def _same(given: str, wanted: str) -> bool:
    return secrets.compare_digest(given.encode("utf-8", "replace"), wanted.encode())


def _size(count: int | str) -> str:
    """A number of bytes for a person."""
    if len(str(count)) > _DIGITS:
        return "so much"
    number = int(count)
    return f"{number / 1e6:.0f} MB" if number >= 1e6 else f"{number / 1e3:.0f} kB"


def _in_time(receive: Receive, most: int) -> Receive:
    """The messages of a request; one whose body is too slow or too long counts as gone."""
    began, size, complete = time.monotonic(), 0, False

    async def receiving() -> Message:
        nonlocal size, complete
        if complete:
            return await receive()
        try:
            message = await asyncio.wait_for(receive(), _PAUSE_S)
        except TimeoutError:
            return {"type": "http.disconnect"}
        size += len(message.get("body", b""))
        complete = not message.get("more_body", False)
        late = time.monotonic() - began > _PAUSE_S + size / _SLOWEST
        return {"type": "http.disconnect"} if size > most or late else message

    return receiving
