"""Connections that say nothing: closed after a while, and the oldest first where there are many.

Any account of this computer can open connections to the page. One that has not sent a complete
request head holds a place and a file of the system, so it may not stay.
"""

from __future__ import annotations

import asyncio
from collections import OrderedDict
from typing import Any, ClassVar

from uvicorn.protocols.http.h11_impl import H11Protocol

HEAD_S = 10.0  # for the head of a request, which a browser sends at once
MOST_SILENT = 400  # connections without a request
SILENCE_S = 1.0  # which every connection is left, however many there are


class PatientProtocol(H11Protocol):
    """HTTP/1.1 whose connections have to send a request soon."""

    silent: ClassVar[OrderedDict[int, PatientProtocol]] = OrderedDict()

    def connection_made(self, transport: Any) -> None:
        """Begin to wait for a request; make room where too many wait."""
        super().connection_made(transport)
        self._wait()
        now = asyncio.get_running_loop().time()
        while len(self.silent) > MOST_SILENT:
            oldest = next(iter(self.silent.values()))
            if now - oldest.since < SILENCE_S:
                return
            oldest.end()

    def data_received(self, data: bytes) -> None:
        """Take in what came; a complete head ends the waiting."""
        super().data_received(data)
        if self.cycle is not None and not self.cycle.response_complete:
            self._heard()

    def on_response_complete(self) -> None:
        """Wait for the next request."""
        super().on_response_complete()
        if not self.transport.is_closing():
            self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget the connection."""
        self._heard()
        super().connection_lost(exc)

    def end(self) -> None:
        """Close the connection without an answer."""
        self._heard()
        self.transport.close()

    def _wait(self) -> None:
        self._heard()
        loop = asyncio.get_running_loop()
        self.silent[id(self)] = self
        self.since = loop.time()
        self._deadline = loop.call_later(HEAD_S, self.end)

    def _heard(self) -> None:
        self.silent.pop(id(self), None)
        deadline: asyncio.TimerHandle | None = getattr(self, "_deadline", None)
        if deadline is not None:
            deadline.cancel()
