"""Many requests at once: pages stay quick while reports are made in a process of their own."""

from __future__ import annotations

import os
import time
from concurrent.futures import ThreadPoolExecutor

from httpx import Client

from bench_lab import Lab, asking
from sieve_registry.bench import printing


def test_many_sheets_at_once_are_made_in_another_process_and_keep_no_page_waiting(
    lab: Lab, client: Client
) -> None:
    first = lab.desk.printer._submitted((printing.HISTORY, "S-0075"))
    assert lab.desk.printer._submitted((printing.HISTORY, "S-0075")) is first  # made once
    assert "S-0075" in first.result(timeout=60)
    (worker,) = lab.desk.printer._pool._processes  # type: ignore[union-attr]
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
