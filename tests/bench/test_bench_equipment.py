"""Certificates and equipment on the bench: what the pages record, list and refuse."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from httpx import Client, Response

from bench_lab import TECHNICIAN, Lab
from sieve_registry.audit.findings import findings
from sieve_registry.quality import queries, references
from sieve_registry.quality.reference_rules import master
from sieve_registry.scales import environment, equipment
from sieve_registry.sieves.recording import RecordTerms

Send = Callable[..., Response]
PAPER = {"document": ("paper.pdf", b"%PDF-1.7 made for a test")}


@pytest.fixture
def send(lab: Lab, client: Client) -> Send:
    def post(address: str, files: dict[str, Any] | None = None, **fields: str) -> Response:
        data = {"name": TECHNICIAN} | fields
        return client.post(address, data=data, files=files or {}, headers=lab.headers)

    return post


def opened(client: Client, answer: Response) -> str:
    """The text of the page that a recorded act opens."""
    assert answer.status_code == 204, answer.text
    return client.get(answer.headers["HX-Redirect"]).text


CERTIFICATE = {
    "sieve": "S-0075", "number": "EX-7", "laboratory": "Example Metrology",
    "accreditation": "EX-0001", "measured": "2026-02-20", "mean_x": "75.3 um", "u_x": "0.4 um",
    "mean_y": "75.1 um", "outcome": "pass", "next_due": "2027-02-20",
}  # fmt: skip


def test_a_certificate_is_recorded_with_its_document_and_shown(
    lab: Lab, client: Client, send: Send
) -> None:
    page = opened(client, send("/sieve/certificate", PAPER, **CERTIFICATE))
    assert "EX-7 of Example Metrology: x 75.3 ± 0.4 um" in page.replace("µm", "um")
    assert "2027-02-20" in page
    assert "no own check of this cloth with its U within 30 days" in page
    (fact,) = queries.certificates(lab.registry)
    assert fact.payload.evidence[0].name == "paper.pdf"
    assert fact.payload.y.expanded_um is None
    again = send("/sieve/certificate", PAPER, **CERTIFICATE)
    assert again.status_code == 422
    assert "recorded already" in again.text
    assert client.get("/sieve/certificates.svg?id=S-0075").status_code == 404


def test_what_a_certificate_lacks_is_named(send: Send) -> None:
    for missing, words in (("mean_y", "Mean in y missing"), ("measured", "Day of the certificate")):
        answer = send("/sieve/certificate", **{**CERTIFICATE, missing: ""})
        assert answer.status_code == 422
        assert words in answer.text


def test_equipment_is_added_logged_edited_and_undone(lab: Lab, client: Client, send: Send) -> None:
    assert "None yet" in client.get("/equipment").text
    page = opened(
        client,
        send("/equipment/add", PAPER, id="BAL-1", kind="balance", maker="Example Scales",
             next_due="2026-02-01"),
    )  # fmt: skip
    assert "its check was due on 2026-02-01" in page
    page = opened(
        client,
        send("/equipment/log", equipment="BAL-1", act="check", outcome="pass", note="reads right",
             next_due="2027-02-01"),
    )  # fmt: skip
    assert "reads right" in page
    assert "2027-02-01" in client.get("/equipment").text
    same = {"maker": "Example Scales"}
    assert "Nothing differs" in send("/equipment/edit", equipment="BAL-1", **same).text
    page = opened(client, send("/equipment/edit", equipment="BAL-1", place="room 3", **same))
    assert "room 3" in page
    piece = equipment.equipment_named(lab.registry, "BAL-1")
    assert [file.name for file in piece.evidence] == ["paper.pdf"]
    withdrawn = send("/correct", event=str(piece.seq), what="void", why="another's balance")
    assert "None yet" in opened(client, withdrawn)
    assert client.get("/equipment/piece?id=BAL-1").status_code == 422


def test_an_event_that_its_state_does_not_allow_is_refused(send: Send) -> None:
    send("/equipment/add", id="BAL-2", kind="balance")
    answer = send("/equipment/log", equipment="BAL-2", act="return", note="back")
    assert answer.status_code == 422
    assert "not in quarantine" in answer.text


def test_the_limits_of_the_environment_are_set_for_all_methods_and_for_one(
    lab: Lab, client: Client, send: Send
) -> None:
    assert "None set" in client.get("/equipment").text
    given = {"temperature_lowest": "18", "temperature_highest": "25,5", "method": ""}
    page = opened(client, send("/equipment/limits", **given))
    assert "18 to 25.5" in page
    send("/equipment/limits", humidity_lowest="30", humidity_highest="60", method="reference")
    everything, reference = environment.all_limits(lab.registry, lab.registry.today())
    assert (everything.temperature_c, everything.humidity_percent) == ((18.0, 25.5), None)
    assert (reference.temperature_c, reference.humidity_percent) == (None, (30.0, 60.0))
    half = send("/equipment/limits", temperature_lowest="18")
    assert half.status_code == 422
    assert "Give both limits of the temperature" in half.text
    assert "not plausible" in send(
        "/equipment/limits", temperature_lowest="25", temperature_highest="18"
    ).text  # fmt: skip


def test_an_open_point_is_shown_and_raised_with_its_text(
    lab: Lab, client: Client, send: Send
) -> None:
    # E_n by hand: 3.0 / √(1.0² + 1.0²) = +2.12.
    terms = RecordTerms(by=TECHNICIAN)
    result = master([(13.0, 10.0)], (1.0, 1.0))
    event = references.record(lab.registry, "S-0075", result, "M-1", terms)
    assert f"/findings#P-{event.seq}" in client.get("/").text
    assert "is unsatisfactory: E_n +2.12" in client.get("/findings").text
    page = opened(client, send("/findings", event=str(event.seq), text="Master compared badly"))
    (finding,) = findings(lab.registry)
    assert (finding.raised.payload.text, finding.raised.payload.cause) == (
        "Master compared badly",
        event.seq,
    )
    assert f"{TECHNICIAN}, from event {event.seq}" in page
    assert "Open point" not in page


def test_equipment_in_question_is_listed_on_its_page(lab: Lab, client: Client, send: Send) -> None:
    send("/equipment/add", id="BAL-1", kind="balance")
    compared = {"sieve": "S-0075", "pairs": "10.1 10.0", "expanded": "1 1", "material": "M-1"}
    assert send("/reference/master", equipment="bal-1", **compared).status_code == 204
    assert "no piece of equipment" in send("/reference/master", equipment="B-2", **compared).text
    failed = {"equipment": "BAL-1", "act": "check", "outcome": "fail", "note": "0.3 g off"}
    page = opened(client, send("/equipment/log", **failed))
    assert "In question: BAL-1 failed its check" in page
    assert "master check of S-0075" in page
    assert "is in question: BAL-1 failed" in client.get("/lookback?id=S-0075").text
