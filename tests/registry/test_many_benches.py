"""Five benches on one registry at once: each an application of its own with its own connections."""

from __future__ import annotations

import asyncio
import json
from collections import Counter
from collections.abc import Coroutine, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

import httpx
import pytest

from clock import Clock
from quick_hashes import hash_quickly
from sieve_registry.audit import verification
from sieve_registry.bench.address import Address
from sieve_registry.bench.app import make_app
from sieve_registry.bench.desk import TOKEN_HEADER, Desk
from sieve_registry.bench.jobs import Jobs
from sieve_registry.bench.sessions import signed_in_here
from sieve_registry.ledger.records import NewSieve
from sieve_registry.people import commands, sign_in
from sieve_registry.people.acts import Act
from sieve_registry.people.commands import NewPerson
from sieve_registry.people.recording import RecordTerms
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.store.engine import Registry, open_registry

T = TypeVar("T")
BENCHES, ACTS = 5, 6
PASSWORD = "correct horse"
PORT = 8417
ADA = RecordTerms(by="Ada Moss")


def _in_a_loop_of_its_own(work: Coroutine[None, None, T]) -> T:
    """In a thread: a browser of other tests may keep this one's loop running."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(asyncio.run, work).result()


def person_at(bench: int) -> str:
    return f"Person {bench}"


@pytest.fixture
def benches(
    registry: Registry, target: str, clock: Clock, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[list[Desk]]:
    """A laboratory that demands sign-in, a person at each of its benches."""
    hash_quickly(monkeypatch)
    sieve_commands.add_sieve(registry, NewSieve("S-1", 75.0), by="Ada Moss")
    for bench in range(BENCHES):
        commands.add_person(registry, NewPerson(f"P{bench}", person_at(bench)), ADA)
        sign_in.set_password(registry, f"P{bench}", PASSWORD, ADA)
    commands.authorise(registry, "P0", Act.MANAGE, ADA)
    commands.set_rules(registry, ADA, sign_in=True)
    desks = []
    for bench in range(BENCHES):
        opened = open_registry(target, now=clock, busy_ms=60_000)
        folder = tmp_path / f"jobs-{bench}"
        folder.mkdir()
        own = replace(opened, identify=signed_in_here)
        desks.append(Desk(own, Jobs(own, folder)))
    yield desks
    for desk in desks:
        desk.jobs.close()
        desk.registry.close()


def client_of(desk: Desk, bench: int) -> httpx.AsyncClient:
    address = Address(PORT + bench)
    return httpx.AsyncClient(
        transport=httpx.ASGITransport(make_app(desk, address)),
        base_url=address.home,
        cookies={address.key_cookie: desk.key},
        headers={"Origin": address.home.rstrip("/")},
        timeout=120,
    )


async def work(desk: Desk, bench: int) -> None:
    """Sign in at a bench and log uses, one after the other."""
    async with client_of(desk, bench) as client:
        entered = await client.post("/sign-in", data={"person": f"P{bench}", "password": PASSWORD})
        assert entered.status_code == 303
        page = (await client.get("/stacks")).text
        token = json.loads(page.partition("hx-headers='")[2].partition("'")[0])[TOKEN_HEADER]
        for _ in range(ACTS):
            sent = await client.post(
                "/use", data={"sieve": "S-1", "count": "1"}, headers={TOKEN_HEADER: token}
            )
            assert sent.status_code == 204, sent.text


def test_five_benches_record_at_once_and_lose_nothing(
    benches: list[Desk], registry: Registry
) -> None:
    async def all_at_once() -> None:
        await asyncio.gather(*(work(desk, bench) for bench, desk in enumerate(benches)))

    _in_a_loop_of_its_own(all_at_once())
    uses = sieve_queries.get_history(registry, "S-1").uses
    assert Counter(use.person for use in uses) == {person_at(b): ACTS for b in range(BENCHES)}
    proof = verification.verify(registry)
    assert (proof.ok, proof.events) == (True, 1 + 2 * BENCHES + 2 + BENCHES * ACTS)


def test_wrong_passwords_at_different_benches_lock_the_person_out_at_all(
    benches: list[Desk],
) -> None:
    async def guess(desk: Desk, bench: int, password: str) -> str:
        async with client_of(desk, bench) as client:
            sent = {"person": "P1", "password": password}
            return (await client.post("/sign-in", data=sent)).text

    async def guess_everywhere() -> list[str]:
        guesses = (guess(desk, bench, "a guess") for bench, desk in enumerate(benches))
        return [*await asyncio.gather(*guesses), await guess(benches[0], 0, PASSWORD)]

    answers = _in_a_loop_of_its_own(guess_everywhere())
    assert sum("locked out" in answer for answer in answers[:-1]) >= 1
    assert "locked out" in answers[-1]
