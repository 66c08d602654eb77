"""A report issued on the bench: the form, the number, the kept files."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from httpx import Client, Response

from bench_lab import TECHNICIAN, Lab, record_made_check
from present import present
from sieve_registry.audit import issued
from sieve_registry.bench import printing
from sieve_registry.report import issuing
from sieve_registry.settings import change_settings


@pytest.fixture
def here(monkeypatch: pytest.MonkeyPatch, lab: Lab, tmp_path: Path) -> None:
    """The printer works in this process, with the registry of the test."""

    def file(kind: str, subject: str, _folder: Path, advance: Callable[[float], None]) -> str:
        assert kind == printing.ISSUE
        return printing._issued(lab.registry, json.loads(subject), advance)

    monkeypatch.setattr(lab.desk.printer, "file", file)
    monkeypatch.setattr(issuing, "can_write_pdf", lambda: False)
    monkeypatch.setenv("SIEVEWARD_SETTINGS", str(tmp_path / "settings.json"))


def ended(lab: Lab, answer: Response) -> str:
    """The page a task opens when it is done."""
    task = present(lab.desk.tasks.get(answer.headers["HX-Redirect"].rpartition("/")[2]))
    pause = threading.Event()
    for _ in range(600):
        if task.over:
            break
        pause.wait(0.05)
    assert task.error is None
    return task.place


def test_a_report_is_issued_and_then_replaced(
    lab: Lab, client: Client, here: None, tmp_path: Path
) -> None:
    record_made_check(lab, tmp_path)
    assert 'href="/issue?check=C-0001"' in client.get("/sieve?id=S-0075").text
    sent = {"check": "C-0001", "name": TECHNICIAN, "customer": "Example Mills"}
    refused = client.post("/issue", data=sent, headers=lab.headers)
    assert "Laboratory missing" in refused.text
    change_settings({"laboratory": "Example Laboratory"})
    answer = client.post("/issue", data=sent, headers=lab.headers)
    assert ended(lab, answer) == "/issue?check=C-0001"
    form = client.get("/issue?check=C-0001").text
    assert "Issue a report that replaces R-2026-0001" in form
    assert 'name="customer" type="text" value="Example Mills"' in form
    kept = client.get("/issued?number=R-2026-0001&kind=html")
    assert "Report R-2026-0001" in kept.text
    assert client.get("/issued?number=R-2026-0001&kind=pdf").status_code == 422
    again = sent | {"amends": "R-2026-0001", "reason": "another customer"}
    ended(lab, client.post("/issue", data=again, headers=lab.headers))
    states = [report.state for report in issued.issued_reports(lab.registry)]
    assert states == ["amended", "issued"]
