"""Many requests at once: pages stay quick while reports are made in a process of their own."""

from __future__ import annotations

import asyncio
import os
import time
from concurrent.futures import ThreadPoolExecutor

from httpx import Client
from starlette.types import Message, Receive, Scope, Send

from bench_lab import Lab, asking
from sieve_registry.bench import printing
from sieve_registry.bench.sharing import SharedPages


def test_many_sheets_at_once_are_made_in_another_process_and_keep_no_page_waiting(
    lab: Lab, client: Client
) -> None:
    first = lab.desk.printer._submitted((printing.HISTORY, "S-0075"))
    assert lab.desk.printer._submitted((printing.HISTORY, "S-0075")) is first  # made once
    assert "S-0075" in first.result(timeout=60)
    (worker,) = lab.desk.printer._pool._processes
    assert worker != os.getpid()

    def sheet(number: int) -> int:
        with asking(lab) as other:
            place = ("/history", "/audit", "/report")[number % 3]
            return other.get(place, params={"id": "S-0125", "check": "C-0009"}).status_code

    def page(_number: int) -> float:
        began = time.monotonic()
        assert client.get("/sieve", params={"id": "S-0075"}).status_code == 200
        return time.monotonic() - began

    with ThreadPoolExecutor(12) as pool:
        sheets = pool.map(sheet, range(12))
        taken = sorted(page(number) for number in range(10))
        assert sorted(sheets) == [200] * 8 + [404] * 4  # there is no such check
    assert taken[5] < 1.5


def test_equal_pages_asked_for_at_once_are_made_once_and_anew_after_a_change() -> None:
    begun, gates = list[str](), list[asyncio.Event]()

    async def app(scope: Scope, _receive: Receive, send: Send) -> None:
        begun.append(scope["path"])
        if scope["method"] == "GET":
            gates.append(asyncio.Event())
            await gates[-1].wait()
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": str(len(begun)).encode()})

    async def ask(pages: SharedPages, path: str, method: str = "GET") -> bytes:
        got: list[Message] = []

        async def send(message: Message) -> None:
            message.get("headers", []).append((b"x", b"y"))  # as the guard adds its own
            got.append(message)

        async def receive() -> Message:
            return {"type": "http.request"}

        scope = {"type": "http", "method": method, "path": path, "query_string": b"", "headers": []}
        await pages(scope, receive, send)
        assert len(got[0]["headers"]) == 1
        return bytes(got[1]["body"])

    async def both() -> None:
        pages = SharedPages(app)
        same = [asyncio.create_task(ask(pages, "/a")) for _ in range(5)]
        other = asyncio.create_task(ask(pages, "/b"))
        await asyncio.sleep(0)
        assert sorted(begun) == ["/a", "/b"]
        await ask(pages, "/change", "POST")
        later = asyncio.create_task(ask(pages, "/a"))
        await asyncio.sleep(0)
        assert begun[-1] == "/a"  # not the answer begun before the change
        assert len(begun) == 4
        for gate in gates:
            gate.set()
        assert len({await one for one in same}) == 1
        assert await other
        assert await later
        assert pages._running == {}

    # In a thread of its own: a browser of another test may have a loop running in this thread.
    with ThreadPoolExecutor(1) as pool:
        pool.submit(asyncio.run, both()).result()
