"""PDF files and audits made beside the page: their progress, their download, their removal."""

from __future__ import annotations

import io
import threading
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from httpx import Client

from bench_lab import Lab, record_made_check
from present import present
from sieve_inspect.errors import UsageError
from sieve_registry.bench import printing
from sieve_registry.bench.tasks import Task, Tasks
from sieve_registry.bench.views import task_text
from sieve_registry.report import pages


def until_over(task: Task) -> Task:
    pause = threading.Event()
    for _ in range(600):
        if task.over:
            return task
        pause.wait(0.05)
    raise AssertionError("still at work")


def test_the_time_left_follows_the_share_that_was_done(monkeypatch: pytest.MonkeyPatch) -> None:
    now = [100.0]
    monkeypatch.setattr("time.monotonic", lambda: now[0])
    task = Task("PDF of C-0001", "/", Path(), began=100.0)
    assert (task.share, task.left_s) == (None, None)
    now[0] = 103.0
    task.advance(0.25)  # 3 s for a quarter: 12 s in all
    task.advance(0.2)  # reported late
    assert (task.share, task.left_s) == (0.25, 9.0)
    assert task_text(task) == "PDF of C-0001: 3 s so far, about 9 s to go."
    now[0] = 109.0  # nothing reported since: by the clock
    assert (task.share, task.left_s) == (0.75, 3.0)
    now[0] = 130.0
    assert (task.share, task.left_s) == (0.99, 0.0)
    assert task_text(task).endswith("nearly done.")


def test_the_time_left_is_at_first_that_of_the_last_of_its_kind(tmp_path: Path) -> None:
    tasks, go_on = Tasks(), threading.Event()

    def quick(_task: Task) -> str:
        return "/made"

    def slow(_task: Task) -> str:
        go_on.wait(30)
        return "/made"

    first = until_over(tasks.start("check", "PDF", "/", tmp_path / "1", quick))
    assert first.expected_s is None
    again = tasks.start("check", "PDF", "/", tmp_path / "2", slow)
    other = tasks.start("audit", "Audit", "/", tmp_path / "3", slow)
    assert present(again.expected_s) <= first.spent_s
    assert (present(again.left_s) >= 0, other.left_s) == (True, None)
    go_on.set()
    tasks.close()


def test_only_the_newest_files_are_kept(tmp_path: Path) -> None:
    tasks, kept = Tasks(), list[Task]()
    for number in range(7):
        folder = tmp_path / str(number)
        folder.mkdir()

        def work(_task: Task, made: Path = folder / "one.pdf") -> Path:
            made.write_bytes(b"%PDF")
            return made

        kept.append(until_over(tasks.start("check", "PDF", "/", folder, work)))
    tasks.close()
    there = [present(task.made).exists() for task in kept]
    assert there == [False, False, True, True, True, True, True]
    assert tasks.get(kept[0].id) is None


def test_a_task_that_fails_says_why_and_leaves_no_file(tmp_path: Path) -> None:
    folder = tmp_path / "made"
    folder.mkdir()

    def work(_task: Task) -> Path:
        raise UsageError(message="No.")

    tasks = Tasks()
    task = until_over(tasks.start("check", "PDF", "/", folder, work))
    tasks.close()
    assert str(task.error) == "No."
    assert not folder.exists()


@pytest.fixture
def here(monkeypatch: pytest.MonkeyPatch, lab: Lab) -> None:
    """The printer works in this process, and a PDF is the page it would show."""

    def file(kind: str, subject: str, folder: Path, advance: Callable[[float], None]) -> str:
        make = printing._audit_files if kind == printing.AUDIT else None
        if make is None:
            return printing._pdf(lab.registry, kind, subject, folder, advance)
        return make(lab.registry, subject, folder, advance)

    def pdf(page: str, progress: Callable[[float], None]) -> bytes:
        progress(0.5)
        return page.encode()

    monkeypatch.setattr(lab.desk.printer, "file", file)
    monkeypatch.setattr("sieve_registry.report.pdf_bytes", pdf)


def test_an_audit_with_its_files_and_a_pdf_are_made_and_downloaded(
    lab: Lab, client: Client, here: None, tmp_path: Path
) -> None:
    record_made_check(lab, tmp_path)

    def download(place: str, **sent: str) -> tuple[str, bytes]:
        answer = client.post(place, data=sent, headers=lab.headers)
        shown = answer.headers["HX-Redirect"]
        task = until_over(present(lab.desk.tasks.get(shown.rpartition("/")[2])))
        assert task.error is None
        assert client.get(f"{shown}/progress").headers["HX-Refresh"] == "true"
        assert f"{shown}/file" in client.get(shown).text
        made = client.get(f"{shown}/file")
        return made.headers["content-disposition"], made.content

    name, data = download("/paper/audit", as_of="2026-03-02")
    assert 'filename="audit-2026-03-02.zip"' in name
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        files = {name.partition("/")[2]: name for name in archive.namelist()}
        assert {"index.html", "checks.csv", "reports/C-0001.html"} <= set(files)
        evidence = [name for name in files if name.startswith("evidence/")]
        assert b"a scan of some cloth" in [archive.read(files[name]) for name in evidence]
    name, data = download("/paper/pdf", check="C-0001")
    assert 'filename="C-0001.pdf"' in name
    assert b"C-0001" in data
    assert 'filename="S-0075.pdf"' in download("/paper/pdf", id="S-0075")[0]
    assert client.post("/paper/pdf", data={"id": "none"}, headers=lab.headers).status_code == 404


def test_the_other_process_reports_the_share_it_has_done(lab: Lab, tmp_path: Path) -> None:
    if not pages.can_write_pdf():
        pytest.skip("weasyprint is not installed")
    shares: list[float] = []
    name = lab.desk.printer.file(printing.HISTORY, "S-0075", tmp_path, shares.append)
    assert (tmp_path / name).read_bytes().startswith(b"%PDF")
    assert float((tmp_path / "share").read_text()) > 0.85  # the last step was heard of
    assert shares == sorted(shares)


def test_an_audit_under_way_ends_with_the_bench(lab: Lab, tmp_path: Path) -> None:
    (tmp_path / "stop").touch()  # as closing the printer leaves it
    with pytest.raises(UsageError, match="stopped before this was made"):
        printing._made_file(
            str(lab.registry.path), lab.registry.now(), printing.AUDIT, "2026-03-02", tmp_path
        )
