"""Five real benches, each a server process on a port of its own, on one PostgreSQL."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

import httpx
import pytest

from bench_process import BenchProcess, ready, start_process
from sieve_registry.audit import verification
from sieve_registry.bench.desk import TOKEN_HEADER
from sieve_registry.ledger.records import NewSieve
from sieve_registry.people import commands, sign_in
from sieve_registry.people.acts import Act
from sieve_registry.people.commands import NewPerson
from sieve_registry.people.recording import RecordTerms
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.store.engine import Registry

DATABASES = ("postgres",)
BENCHES, ACTS = 5, 6
PASSWORD = "correct horse"
ADA = RecordTerms(by="Ada Moss")


@pytest.fixture
def staffed(registry: Registry) -> Registry:
    """A laboratory that demands sign-in, with a person for each bench."""
    sieve_commands.add_sieve(registry, NewSieve("S-1", 75.0), by="Ada Moss")
    for bench in range(BENCHES):
        commands.add_person(registry, NewPerson(f"P{bench}", f"Person {bench}"), ADA)
        sign_in.set_password(registry, f"P{bench}", PASSWORD, ADA)
    commands.authorise(registry, "P0", Act.MANAGE, ADA)
    commands.set_rules(registry, ADA, sign_in=True)
    return registry


@pytest.fixture
def benches(staffed: Registry, target: str) -> Iterator[list[BenchProcess]]:
    started = [start_process(target) for _ in range(BENCHES)]
    try:
        yield [ready(process) for process in started]
    finally:
        for process in started:
            process.kill()
            process.communicate()


def work(bench: BenchProcess, number: int) -> int:
    """Sign in at a bench and log uses until it is done or killed; how many were accepted."""
    accepted = 0
    with httpx.Client(
        base_url=bench.home,
        cookies=bench.cookies,
        headers={"Origin": bench.home},
        timeout=120,
        trust_env=False,
    ) as client:
        entered = client.post("/sign-in", data={"person": f"P{number}", "password": PASSWORD})
        assert entered.status_code == 303
        page = client.get("/stacks").text
        token = json.loads(page.partition("hx-headers='")[2].partition("'")[0])[TOKEN_HEADER]
        for _ in range(ACTS):
            if number == 0 and accepted == ACTS // 2:
                bench.kill()
                return accepted
            sent = client.post(
                "/use", data={"sieve": "S-1", "count": "1"}, headers={TOKEN_HEADER: token}
            )
            assert sent.status_code == 204, sent.text
            accepted += 1
    return accepted


@pytest.mark.long  # five processes start: about 15 s of computing
def test_five_server_processes_record_at_once_and_one_that_is_killed_holds_none_up(
    benches: list[BenchProcess], staffed: Registry
) -> None:
    before = verification.verify(staffed).events
    with ThreadPoolExecutor(BENCHES) as pool:
        accepted = list(pool.map(work, benches, range(BENCHES)))
    assert accepted == [ACTS // 2, ACTS, ACTS, ACTS, ACTS]
    uses = sieve_queries.get_history(staffed, "S-1").uses
    assert Counter(use.person for use in uses) == {
        f"Person {number}": count for number, count in enumerate(accepted)
    }
    proof = verification.verify(staffed)
    assert (proof.ok, proof.events) == (True, before + sum(accepted))
    assert len({bench.port for bench in benches}) == BENCHES
    for bench in benches[1:]:
        health = httpx.get(f"{bench.home}/health", trust_env=False)
        assert (health.status_code, health.json()["registry"]) == (200, True)
