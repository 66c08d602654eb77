"""The sampling plan of a sieve on the bench, and the interval accepted there."""

from __future__ import annotations

from pathlib import Path

from httpx import Client

from bench_lab import TECHNICIAN, Lab
from registry_made import SCALE, Measuring
from sieve_registry.checks import commands as check_commands
from sieve_registry.outlook.queries import interval_view
from sieve_registry.sieves.recording import RecordTerms


def test_the_plan_is_that_of_the_standard(client: Client) -> None:
    page = client.get("/sieve/plan?id=S-0075").text
    assert "200 mm, assumed" in page
    assert "No check yet to compare" in page
    assert "Accept the interval" not in page  # nothing to propose from
    assert client.get("/sieve/plan?id=S-0075&field=wide").status_code == 422
    assert "Where the fields lie" in client.get("/sieve/plan?id=S-0075&field=2mm").text
    assert 'href="/sieve/plan?id=S-0075"' in client.get("/sieve?id=S-0075").text


def test_a_proposed_interval_is_accepted_with_its_reason(
    lab: Lab, client: Client, tmp_path: Path
) -> None:
    sent = {"sieve": "S-0075", "method": "staircase", "reason": "stable", "name": TECHNICIAN}
    refused = client.post("/sieve/interval", data=sent, headers=lab.headers)
    assert "There is no proposal by staircase" in refused.text
    unknown = client.post("/sieve/interval", data=sent | {"method": "dice"}, headers=lab.headers)
    assert "Choose the proposal" in unknown.text
    for day in ("2026-03-02", "2027-03-01", "2028-02-28"):
        lab.clock.set(day)
        scan = tmp_path / f"{day}.tif"
        scan.write_bytes(day.encode())
        terms = RecordTerms(by=TECHNICIAN)
        check_commands.check(
            lab.registry, "S-0075", [scan], scale=SCALE, terms=terms, visual="ok",
            measure=Measuring(),
        )  # fmt: skip
    view = interval_view(lab.registry, "S-0075")
    (proposal,) = [made for made in view.proposals if made.method == "staircase"]
    shown = client.get("/sieve/plan?id=S-0075").text
    assert "Accept the interval" in shown
    assert "Wires in x: 50.00 µm, within the limits" in shown  # the made measurement's wires
    answer = client.post("/sieve/interval", data=sent, headers=lab.headers)
    assert answer.status_code == 204, answer.text
    now = interval_view(lab.registry, "S-0075")
    assert now.state.interval_months == proposal.months
    assert [fact.payload.reason for fact in now.decided] == ["stable"]
    assert "Accepted on 2028-02-28" in client.get("/sieve/plan?id=S-0075").text
