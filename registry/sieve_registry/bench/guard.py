"""Which requests are allowed: to this computer, from this page, and within a size limit.

Any page open in the same browser can send requests here, and a hostile name server can resolve its
own name to this computer. So the host of a request has to be this computer, and a request that
changes anything has to come from this page and carry a token that only this page has.
"""

from __future__ import annotations

import secrets
from collections.abc import Collection
from dataclasses import dataclass

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

TOKEN_HEADER = "X-Bench-Token"
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


@dataclass(frozen=True)
class Guard:
    """Wraps the application and refuses requests it must not handle.

    `most_bytes` is the largest request to one of the paths `uploads`, `small_bytes` to any other.
    """

    app: ASGIApp
    port: int
    token: str
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

        refusal = self._refusal(scope)
        if refusal is None:
            await self.app(scope, receive, send_secured)
        else:
            status, text = refusal
            answer = PlainTextResponse(f"{text}\n", status, {"Connection": "close"})
            await answer(scope, receive, send_secured)

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        headers = Headers(scope=scope)
        names = [f"127.0.0.1:{self.port}", f"localhost:{self.port}"]
        if [host.lower() for host in headers.getlist("host")] not in ([name] for name in names):
            return 421, f"This page is served on this computer only: open http://{names[0]}/"
        if scope["method"] in _READS:
            return None
        if scope["method"] != "POST":
            return 405, "This kind of request is not supported."
        if headers.getlist("origin") not in ([f"http://{name}"] for name in names):
            return 403, "Nothing was changed: the request came from another page."
        if not secrets.compare_digest(headers.get(TOKEN_HEADER, "").encode(), self.token.encode()):
            return 403, (
                "Nothing was changed: the bench was restarted since this page was loaded. "
                "Load it again, then repeat your entry."
            )
        return self._size_refusal(scope["path"], headers)

    def _size_refusal(self, path: str, headers: Headers) -> tuple[int, str] | None:
        length = headers.get("content-length", "")
        if not (length.isascii() and length.isdigit()):
            return 411, "Nothing was changed: the request has no length."
        most = self.most_bytes if path in self.uploads else self.small_bytes
        if int(length) > most:
            return 413, (
                f"Nothing was measured: {int(length) / 1e6:.0f} MB is over the limit of "
                f"{most / 1e6:.0f} MB. Crop the scans to the cloth, or send fewer."
            )
        return None
