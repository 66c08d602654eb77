"""Builds the demo: every step by the same functions as the commands, in a registry of its own."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path

from sieve_inspect.errors import UnwritableOutputError
from sieve_registry.audit import queries as audits
from sieve_registry.checks import queries as check_queries
from sieve_registry.demo.actions import SAND, SAND_FILE, STUDY, STUDY_FILE, Moment, Used
from sieve_registry.demo.answers import Answer, answers_of
from sieve_registry.demo.images import images_folder
from sieve_registry.demo.story import STEPS
from sieve_registry.ledger.records import CheckDetail, SieveHistory, SieveState
from sieve_registry.report import audit_page, check_view, render_check_report
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.store import heads
from sieve_registry.store.engine import Registry, open_registry, utc_now
from sieve_registry.store.location import place_of

AUDIT_DAYS_AGO = 200  # a day on which the answers differ from today's
_REGISTRY = "registry.sqlite"
_UNFINISHED = ".unfinished"

Progress = Callable[[str], None]


@dataclass(frozen=True)
class DemoResult:
    """The files of the demo, and the state of its registry on its last day."""

    folder: Path
    today: date
    states: tuple[SieveState, ...]
    histories: dict[str, SieveHistory]
    details: dict[str, CheckDetail]  # by sieve, of its last check
    due: tuple[SieveState, ...]
    audit: audits.Audit
    reports: dict[str, Path]  # by sieve, of its last check
    audit_page: Path
    answers: tuple[Answer, ...]

    @property
    def registry(self) -> Path:
        """The registry's file."""
        return self.folder / _REGISTRY


def run_demo(
    folder: Path, *, progress: Progress, now: Callable[[], datetime] = utc_now
) -> DemoResult:
    """Build the demo's registry, reports and audit page in `folder`, new or empty.

    `progress` gets one line for each step. If the build fails, nothing of it is left. Raises
    `UnwritableOutputError` for a folder that is not empty or cannot be made,
    `UnreadableImageError` when the scans are missing.
    """
    scans = images_folder()
    start = now()
    places = (folder / _UNFINISHED / _REGISTRY, folder / _REGISTRY)
    with _complete_or_removed(folder) as inside:
        _forget(places, start)  # a demo that was killed has left its newest event noted
        # The clock stands still on the day of a step, so that each is recorded as if on that day.
        clock = [start]
        registry = open_registry(inside / _REGISTRY, create=True, now=lambda: clock[0])
        try:
            today = registry.today()
            for number, step in enumerate(STEPS, start=1):
                late = step.action.recorded_late if isinstance(step.action, Used) else 0
                day = today - timedelta(days=step.days_ago)
                morning = time(9, number % 60)  # local time of this computer
                clock[0] = datetime.combine(day + timedelta(days=late), morning).astimezone()
                words = step.action(Moment(registry, day, step.by, scans))
                progress(f"[{number:2}/{len(STEPS)}] {day}  {step.by:<11}{words}")
            clock[0] = start
            _write_tables(inside)
            result = _finish(registry, inside, folder, progress)
        finally:
            registry.close()
            _forget(places, start)  # the demo may be built again
    return result


def _forget(places: Sequence[Path], moment: datetime) -> None:
    for place in places:
        heads.forget(place_of(place), moment)


@contextmanager
def _complete_or_removed(folder: Path) -> Iterator[Path]:
    """A place within `folder` to work in; its content moves up at the end or is removed."""
    new = not folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            raise UnwritableOutputError(
                file=folder,
                reason="the folder is not empty and the demo replaces nothing; choose another "
                "with --out, or empty it yourself",
            )
        inside = folder / _UNFINISHED
        inside.mkdir()
    except OSError as error:
        raise UnwritableOutputError(file=folder, reason=error.strerror or "no access") from error
    try:
        yield inside
        for child in inside.iterdir():
            child.rename(folder / child.name)
        inside.rmdir()
    except BaseException:
        shutil.rmtree(inside, ignore_errors=True)
        if new:
            shutil.rmtree(folder, ignore_errors=True)
        raise


def _write_tables(folder: Path) -> None:
    """The CSV files of the commands that the demo suggests."""
    sand = zip(SAND.sizes, SAND.percents, strict=True)
    study = ((person, value) for person, values in STUDY.items() for value in values)
    for name, head, rows in (
        (SAND_FILE, "size_um,passing_percent", sand),
        (STUDY_FILE, "group,value_um", study),
    ):
        lines = [head, *(f"{first},{second}" for first, second in rows)]
        (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")


def _finish(registry: Registry, inside: Path, folder: Path, progress: Progress) -> DemoResult:
    """Write the reports of the last checks and the audit page; the state on the last day."""
    today = registry.today()
    states = tuple(sieve_queries.states(registry, today))
    (inside / "reports").mkdir()
    details, reports = {}, {}
    for state in states:
        assert state.last_check is not None  # the story leaves no sieve unchecked
        check_id = state.last_check.id
        details[state.sieve.id] = check_queries.get_check(registry, check_id)
        name = Path("reports") / f"{check_id}.html"
        page = render_check_report(check_view(registry, check_id))
        (inside / name).write_text(page, encoding="utf-8")
        reports[state.sieve.id] = folder / name
        progress(f"writes the report of {check_id}")
    audit = audits.audit(registry, today - timedelta(days=AUDIT_DAYS_AGO))
    place = Path(f"audit-{audit.as_of}")
    (inside / place).mkdir()
    for name_, pieces in audit_page.render(audit):
        (inside / place / name_).write_bytes(b"".join(pieces))
    return DemoResult(
        folder=folder,
        today=today,
        states=states,
        histories={history.sieve.id: history for history in sieve_queries.all_histories(registry)},
        details=details,
        due=tuple(sieve_queries.due(registry, today)),
        audit=audit,
        reports=reports,
        audit_page=folder / place / "index.html",
        answers=tuple(answers_of(registry, today, folder)),
    )
