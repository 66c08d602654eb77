"""Certificates and equipment on the bench: what the pages record, list and refuse."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from httpx import Client, Response

from bench_lab import TECHNICIAN, Lab
from sieve_registry.quality import queries
from sieve_registry.scales import equipment

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
