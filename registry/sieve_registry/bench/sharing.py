"""Equal pages asked for at the same time are made once.

A browser that loads a page twice, or many at once, waits for one answer. Every change sent to the
bench begins anew: a page asked for after it is never one begun before it.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from sieve_registry.bench.sessions import Session, current

_Key = tuple[int, Session | None, str, bytes, tuple[tuple[bytes, bytes], ...]]
_FILES = "/static/"


@dataclass(eq=False)
class SharedPages:
    """Wraps the application: an answer under way is given to all who ask for the same.

    Pages of different sessions are never the same.
    """

    app: ASGIApp
    changes: int = 0
    _running: dict[_Key, asyncio.Future[list[Message]]] = field(default_factory=dict)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or answer it with an equal request's answer."""
        if scope["type"] != "http" or scope["method"] != "GET" or scope["path"].startswith(_FILES):
            try:
                await self.app(scope, receive, send)
            finally:
                self.changes += scope.get("method") not in ("GET", "HEAD")
            return
        asked = tuple(sorted(h for h in scope["headers"] if h[0].startswith(b"hx-")))
        key = (self.changes, current.get(), scope["path"], scope["query_string"], asked)
        running = self._running.get(key)
        messages = (
            await self._made(key, scope, receive)
            if running is None
            else await asyncio.shield(running)
        )
        for message in messages:
            headers = {"headers": list(message["headers"])} if "headers" in message else {}
            await send({**message, **headers})

    async def _made(self, key: _Key, scope: Scope, receive: Receive) -> list[Message]:
        made: asyncio.Future[list[Message]] = asyncio.get_running_loop().create_future()
        self._running[key] = made
        messages: list[Message] = []

        async def keep(message: Message) -> None:
            messages.append(message)

        try:
            await self.app(scope, receive, keep)
            made.set_result(messages)
        except BaseException:
            made.cancel()
            raise
        finally:
            self._running.pop(key, None)
        return messages
