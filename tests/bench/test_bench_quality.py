"""Work that may not conform, on the bench: look-backs and findings, recorded as by command."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from httpx import Client, Response

from bench_lab import TECHNICIAN, Lab
from sieve_registry.audit.findings import FindingState, finding_named, findings
from sieve_registry.ledger.choices import ResultState
from sieve_registry.quality.queries import open_lookbacks

Send = Callable[..., Response]


@pytest.fixture
def send(lab: Lab, client: Client) -> Send:
    def post(address: str, **fields: str | list[str]) -> Response:
        data = {"name": TECHNICIAN} | fields
        return client.post(address, data=data, headers=lab.headers)

    return post


def opened(client: Client, answer: Response) -> str:
    """The text of the page that a recorded act opens."""
    assert answer.status_code == 204, answer.text
    return client.get(answer.headers["HX-Redirect"]).text


@pytest.fixture
def questioned(lab: Lab, send: Send) -> list[int]:
    """Three uses of a sieve found damaged after them: their event numbers."""
    for count, material in (("4", "sand"), ("6", "lime"), ("1", "sand")):
        send("/use", sieve="S-0075", count=count, material=material)
    send("/quarantine", sieve="S-0075", reason="torn at the rim", damage="yes")
    (review,) = open_lookbacks(lab.registry)
    return [use.seq for use in review.entries]


def decide(send: Send, uses: list[int], result: str, reason: str = "batch retained") -> Response:
    ticked = [str(use) for use in uses]
    return send("/lookback", sieve="S-0075", use=ticked, result=result, reason=reason)


def test_an_open_look_back_is_listed_until_its_last_result_is_decided(
    lab: Lab, client: Client, send: Send, questioned: list[int]
) -> None:
    for place in ("/", "/sieve?id=S-0075"):
        assert "torn at the rim; 3 of 3 results to decide" in client.get(place).text
    page = opened(client, decide(send, questioned[:2], "not affected"))
    assert page.count("not affected: batch retained") == 2
    assert "1 of 3 results open" in page
    assert "1 of 3 results to decide" in client.get("/").text
    opened(client, decide(send, questioned[2:], "affected", "fines 2 % too high"))
    assert "1 of 3 results to decide" in client.get("/").text  # the customer is not told yet
    page = opened(client, decide(send, questioned[2:], "affected, customer told", "by letter"))
    assert "All results are decided" in page
    assert open_lookbacks(lab.registry) == []
    for place in ("/", "/sieve?id=S-0075"):
        assert "Results in question" not in client.get(place).text


def test_a_decision_is_corrected_from_the_page(
    lab: Lab, client: Client, send: Send, questioned: list[int]
) -> None:
    opened(client, decide(send, questioned, "not affected"))
    assert open_lookbacks(lab.registry) == []
    last = questioned[-1] + 4  # after it: the damage and a decision for each of three uses
    assert f"/correct?event={last}" in client.get("/lookback?id=S-0075").text
    send("/correct", event=str(last), what="void", why="the wrong use")
    (review,) = open_lookbacks(lab.registry)
    assert [use.seq for use in review.undecided] == questioned[-1:]


def test_a_decision_without_use_result_or_reason_is_refused(
    lab: Lab, send: Send, questioned: list[int]
) -> None:
    assert "No use is ticked" in decide(send, [], "not affected").text
    assert "Choose what became" in decide(send, questioned, "fine").text
    assert "reason" in decide(send, questioned, "not affected", " ").text
    stranger = decide(send, [questioned[0], 1], str(ResultState.NOT_AFFECTED))
    assert "Event 1 is no use of S-0075 under review" in stranger.text
    (review,) = open_lookbacks(lab.registry)
    assert len(review.undecided) == 3  # nothing was recorded, for the known use either


def test_a_sieve_without_a_cause_has_nothing_to_review(client: Client) -> None:
    assert "nothing to review" in client.get("/lookback?id=S-0125").text
    assert "/lookback" not in client.get("/sieve?id=S-0125").text
    assert client.get("/lookback?id=S-9").status_code == 404


def test_a_finding_is_raised_answered_and_closed(lab: Lab, client: Client, send: Send) -> None:
    lost = {"text": "label lost", "about": "S-0075", "clause": "7.4.2", "answer_by": "2026-03-09"}
    assert "finding F-0001 is open" in opened(client, send("/findings", **lost))
    lab.clock.set("2026-03-10")
    assert "its answer was due on 2026-03-09: label lost" in client.get("/").text
    assert "2026-03-09, overdue" in client.get("/findings").text
    assert "has no answer yet" in send("/findings/close", number="F-0001", reason="seen").text
    answer = {"number": "F-0001", "cause": "worn", "action": "engraved"}
    assert "finding F-0001 is answered" in opened(client, send("/findings/answer", **answer))
    page = opened(client, send("/findings/close", number="F-0001", reason="still legible"))
    assert "No finding is open" in page
    assert "Closed: 1" in page
    finding = finding_named(lab.registry, "F-0001")
    assert finding.state == FindingState.CLOSED
    assert (finding.raised.payload.clause, finding.raised.person) == ("7.4.2", TECHNICIAN)
    assert "F-0001" not in client.get("/").text
    assert "closed on 2026-03-10" in send("/findings/answer", **answer).text


def test_an_incomplete_finding_is_refused(lab: Lab, send: Send) -> None:
    assert send("/findings", text=" ").status_code == 422
    assert "Write the clause as 7.8" in send("/findings", text="gap", clause="seven").text
    assert send("/findings", text="gap", answer_by="soon").status_code == 422
    assert "does not exist" in send("/findings/answer", number="F-0009", cause="a", action="b").text
    assert findings(lab.registry) == []
