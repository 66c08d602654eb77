"""Tells the story to a registry of its own: every step by the service the commands use."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from pathlib import Path

from sieve_inspect.errors import UnwritableOutputError
from sieve_inspect.scale import load_scale
from sieve_registry.audit import queries as audits
from sieve_registry.checks import commands as check_commands
from sieve_registry.checks import queries as check_queries
from sieve_registry.demo.actions import ARTEFACT, DEVICES, Done
from sieve_registry.demo.answers import Answer, answers_of
from sieve_registry.demo.images import images_folder, scale_name
from sieve_registry.demo.story import STEPS, Checked, Edited, Retired, SieveAdded, Step, Used
from sieve_registry.records import CheckDetail, SieveHistory, SieveState
from sieve_registry.report import audit_page, check_view, render_check_report
from sieve_registry.scales.calibrations import kept_scale
from sieve_registry.scales.check_scale import CheckScale
from sieve_registry.scales.in_scan import traced_in_scan
from sieve_registry.scales.traceability import Circumstances, traced
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry, open_registry, utc_now

__all__ = ["AUDIT_DAYS_AGO", "DemoResult", "run_demo"]

AUDIT_DAYS_AGO = 200  # a day on which the answers differ from today's
_REGISTRY = "registry.sqlite"
_UNFINISHED = ".unfinished"

Tell = Callable[[str], None]


@dataclass(frozen=True)
class DemoResult:
    """What the demo left in its folder, and what is true there on its last day."""

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


class _Clock:
    """Stands still on the day of a step: each is recorded as if the program had run that day."""

    def __init__(self, first: datetime) -> None:
        self._now = first

    def __call__(self) -> datetime:
        return self._now

    def set(self, day: date, minute: int) -> None:
        """Nine o'clock and some minutes, where this computer stands."""
        self._now = datetime.combine(day, time(9, minute % 60)).astimezone()

    def set_now(self, now: datetime) -> None:
        """The time it really is."""
        self._now = now


def run_demo(folder: Path, *, tell: Tell, now: Callable[[], datetime] = utc_now) -> DemoResult:
    """Build the demo's registry, reports and audit page in `folder`, new or empty.

    `tell` gets one line for each step. The folder appears whole or not at all. Raises
    `UnwritableOutputError` for a folder that holds something or cannot be made,
    `UnreadableImageError` when the scans are not there.
    """
    scans = images_folder()
    start = now()
    with _whole_or_nothing(folder) as inside:
        clock = _Clock(start)
        registry = open_registry(inside / _REGISTRY, create=True, now=clock)
        try:
            today = registry.today()
            for number, step in enumerate(STEPS, start=1):
                late = step.deed.recorded_late if isinstance(step.deed, Used) else 0
                day = today - timedelta(days=step.days_ago)
                clock.set(day + timedelta(days=late), number)
                told = _do(registry, step, day, scans)
                tell(f"[{number:2}/{len(STEPS)}] {day}  {step.by:<11}{told}")
            clock.set_now(start)
            result = _finish(registry, inside, folder, tell)
        finally:
            registry.close()
    return result


@contextmanager
def _whole_or_nothing(folder: Path) -> Iterator[Path]:
    """A place within `folder` to work in; its content moves up at the end, or all of it goes."""
    new = not folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            raise UnwritableOutputError(
                file=folder,
                reason="the folder holds something already and the demo replaces nothing; "
                "choose another with --out, or remove it yourself",
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


def _do(registry: Registry, step: Step, day: date, scans: Path) -> str:
    """Carry out one step; what to tell of it."""
    deed, by = step.deed, step.by
    if isinstance(deed, SieveAdded):
        sieve_commands.add_sieve(registry, replace(deed.sieve, in_service=day), by=by)
        return f"adds {deed.sieve.id}"
    if isinstance(deed, Done):
        deed.act(registry, RecordTerms(day, by), scans)
        return deed.words
    if isinstance(deed, Checked):
        found = _check(registry, deed, day, by, scans)
        return f"checks {deed.sieve_id}: {found.check.id} {found.check.outcome}"
    if isinstance(deed, Used):
        why = "entered from the paper log" if deed.recorded_late else ""
        sieve_commands.log_use(
            registry, deed.sieve_id, deed.count, on_date=day, by=by, note=deed.note, late_reason=why
        )
        late = f", recorded {deed.recorded_late} days later" if deed.recorded_late else ""
        return f"logs {deed.count} uses of {deed.sieve_id}{late}"
    if isinstance(deed, Edited):
        months = deed.interval_months
        sieve_commands.edit_sieve(
            registry, deed.sieve_id, interval_months=months, on_date=day, by=by
        )
        return f"has {deed.sieve_id} checked every {months} months"
    return _retire(registry, deed, day, by)


def _check(registry: Registry, deed: Checked, day: date, by: str, scans: Path) -> CheckDetail:
    """A check by a recorded scale, by the artefact in the scan, or by a scale file."""
    images = [scans / name for name in deed.scans]
    from_file = load_scale(scans / scale_name(deed.dpi))
    told = Circumstances(day, by=by)
    kept = kept_scale(registry, DEVICES[deed.dpi], day) if deed.dpi in DEVICES else None
    scale = CheckScale(from_file)
    if deed.in_scan:
        scale = traced_in_scan(registry, ARTEFACT, images, from_file, told)
    elif kept is not None:
        scale = traced(registry, kept, told)
    return check_commands.check(
        registry,
        deed.sieve_id,
        images,
        scale=scale,
        on_date=day,
        by=by,
    )


def _retire(registry: Registry, deed: Retired, day: date, by: str) -> str:
    sieve_commands.retire(registry, deed.sieve_id, deed.reason, on_date=day, by=by)
    return f"retires {deed.sieve_id}"


def _finish(registry: Registry, inside: Path, folder: Path, tell: Tell) -> DemoResult:
    """Write the reports of the last checks and the audit page; what is true on the last day."""
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
        tell(f"writes the report of {check_id}")
    audit = audits.audit(registry, today - timedelta(days=AUDIT_DAYS_AGO))
    place = Path(f"audit-{audit.as_of}")
    (inside / place).mkdir()
    for name_, data in audit_page.render(audit).items():
        (inside / place / name_).write_bytes(data)
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
        answers=tuple(answers_of(registry, today)),
    )
