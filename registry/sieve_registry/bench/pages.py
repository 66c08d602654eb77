"""The reads of the bench: each page shows what a room's queries answer."""

from __future__ import annotations

import hashlib
from typing import Any
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from sieve_inspect.errors import UnreadableImageError
from sieve_registry.bench import views
from sieve_registry.bench.desk import Desk, desk_of, job_of, page
from sieve_registry.bench.guard import PRINT_POLICY
from sieve_registry.bench.jobs import Phase
from sieve_registry.bench.pyramid import TILE, ScanPyramid
from sieve_registry.bench.scale_choice import BY_HAND, SCALE_FILE, offers
from sieve_registry.bench.uploads import KINDS, MOST_BYTES, MOST_SCANS, watched_scans
from sieve_registry.errors import BadTextError, UnknownSieveError
from sieve_registry.records import SieveState
from sieve_registry.report import labels
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.state import QUARANTINED, due_list

ENCODINGS = ("auto", "srgb", "linear")


def home(request: Request) -> Response:
    """Open jobs, checks due, sieves in quarantine, and a field for a scanned label."""
    desk = desk_of(request)
    states = sieve_queries.states(desk.registry)
    due = due_list(states)
    return page(
        request,
        "home.html",
        due=due,
        doubtful=[state for state in due if _doubtful(state)],
        overdue=sum(state.overdue for state in states),
        quarantine=[state for state in states if state.status == QUARANTINED],
        sieves=len(states),
        waiting=desk.jobs.waiting(),
    )


def light(request: Request) -> Response:
    """How to light a sieve, and how to test one's lamp."""
    return page(request, "light.html")


def waiting(request: Request) -> Response:
    """The open jobs, for the first page to refresh."""
    return page(request, "_waiting.html", waiting=desk_of(request).jobs.waiting())


def _doubtful(state: SieveState) -> bool:
    return state.last_check is not None and bool(state.remarks)


def sieve(request: Request) -> Response:
    """One sieve, by its scanned or typed label, with the form for its next check."""
    desk = desk_of(request)
    typed = request.query_params.get("id", "").strip()
    if not typed:
        return RedirectResponse("/", 303)
    try:
        state = sieve_queries.get_state(desk.registry, typed)
    except (UnknownSieveError, BadTextError):
        return _not_found(request, typed)
    history = sieve_queries.get_history(desk.registry, state.sieve.id)
    last = state.last_check
    offered = offers(desk.registry, desk.given)
    same = [o.key for o in offered if last is not None and o.source == last.scale_source]
    usual = same[:1] or ([offered[0].key] if len(offered) == 1 else [])
    return page(
        request,
        "sieve.html",
        sieve=state.sieve,
        state=state,
        offers=offered,
        chosen=usual[0] if usual else "",
        scale_file=SCALE_FILE,
        by_hand=BY_HAND,
        encodings=ENCODINGS,
        kinds=",".join(KINDS),
        most_scans=MOST_SCANS,
        most_bytes=MOST_BYTES,
        doubtful=_doubtful(state),
        people=_people(desk),
        checks=sorted(history.checks, key=lambda c: (c.on_date, c.seq), reverse=True),
        **_folder(desk, []),
    )


def _not_found(request: Request, typed: str) -> Response:
    """The sieve that differs only in capitals, else a page that offers the nearest names."""
    import difflib

    ids = [state.sieve.id for state in sieve_queries.states(desk_of(request).registry)]
    same = [name for name in ids if name.casefold() == typed.casefold()]
    if len(same) == 1:
        return RedirectResponse(place_of(same[0]), 303)
    folded = {name.casefold(): name for name in ids}
    near = difflib.get_close_matches(typed.casefold(), folded, n=5)
    return page(
        request,
        "unknown.html",
        404,
        typed=typed[:64],
        near=same or [folded[name] for name in near],
        any_sieve=bool(ids),
    )


def folder(request: Request) -> Response:
    """The newest scans in the watched folder; ticked scans stay ticked."""
    ticked = request.query_params.getlist("pick")
    listed = _folder(desk_of(request), ticked)
    if request.query_params.get("seen") == listed["seen"]:
        return Response(status_code=204)
    return page(request, "_folder.html", **listed)


def _folder(desk: Desk, ticked: list[str]) -> dict[str, Any]:
    """The rows of the watched folder, and a hash `seen` of what they show."""
    problem = ""
    try:
        scans = watched_scans(desk.watch)
    except UnreadableImageError as error:
        scans, problem = [], str(error)
    used_for = {scan.key: desk.jobs.picked.get(scan.key, "") for scan in scans}
    shown = [problem, *((scan.key, scan.settled, used_for[scan.key]) for scan in scans)]
    seen = hashlib.sha256(repr(shown).encode()).hexdigest()[:16]
    watch = None if desk.watch is None else desk.watch.name
    return {
        "files": scans,
        "used_for": used_for,
        "ticked": ticked,
        "seen": seen,
        "watch": watch,
        "problem": problem,
    }


def check(request: Request) -> Response:
    """One check: its progress, or its result with the form to confirm it."""
    job, desk = job_of(request), desk_of(request)
    state = sieve_queries.get_state(desk.registry, job.order.sieve_id)
    common: dict[str, Any] = {"job": job, "sieve": state.sieve, "state": state}
    if job.phase == Phase.FAILED and job.error is not None:
        return page(request, "failed.html", trouble=views.explained(job.error), **common)
    if job.taken is None or job.measurement is None:
        return page(request, "measuring.html", **_progress(request), **common)
    scan = _number(request.query_params.get("scan", "1"), len(job.order.images)) - 1
    signed = None if job.check_id is None else state.signed
    return page(
        request,
        "result.html",
        result=views.result_view(job.taken),
        document=job.taken.document,
        scan=scan,
        pyramid=ScanPyramid(job.measurement.pictures[scan]),
        tile=TILE,
        groups=views.noteworthy(job.measurement, scan),
        people=_people(desk),
        newer=request.query_params.get("newer", ""),
        first=request.query_params.get("first", ""),
        signed=signed,
        **common,
    )


def _number(text: str, most: int) -> int:
    return min(max(int(text), 1), most) if text.isdecimal() and len(text) < 6 else 1


def _people(desk: Desk) -> list[str]:
    """Persons of the last checks, offered as names while typing."""
    last = [state.last_check for state in sieve_queries.states(desk.registry)]
    return sorted({check.person for check in last if check is not None})


def progress(request: Request) -> Response:
    """The progress of a job as a part of the page; a finished job reloads the page."""
    job = job_of(request)
    if job.phase not in (Phase.QUEUED, Phase.MEASURING):
        return Response(status_code=204, headers={"HX-Refresh": "true"})
    return page(request, "_progress.html", job=job, **_progress(request))


def _progress(request: Request) -> dict[str, Any]:
    progress = desk_of(request).jobs.progress(job_of(request))
    percent = None if progress.share is None else round(100 * progress.share)
    return {"text": views.progress_text(progress), "percent": percent}


def report(request: Request) -> Response:
    """The report of a check, as `sieveward report` writes it."""
    from sieve_registry.report import check_view, render_check_report

    view = check_view(desk_of(request).registry, request.query_params.get("check", ""))
    return _printed(render_check_report(view))


def label(request: Request) -> Response:
    """The status label of a sieve."""
    state = sieve_queries.get_state(desk_of(request).registry, request.query_params.get("id", ""))
    return _printed(labels.page([labels.label_of(state)]))


def _printed(text: str) -> Response:
    return HTMLResponse(text, headers={"Content-Security-Policy": PRINT_POLICY})


def place_of(sieve_id: str) -> str:
    """The address of a sieve's page."""
    return f"/sieve?{urlencode({'id': sieve_id})}"


READS = (
    ("/", home),
    ("/now", waiting),
    ("/light", light),
    ("/sieve", sieve),
    ("/folder", folder),
    ("/jobs/{job}", check),
    ("/jobs/{job}/progress", progress),
    ("/report", report),
    ("/label", label),
)
