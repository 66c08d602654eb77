"""The pages and the deeds of the bench: each reads a form, calls the service, shows the answer."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from sieve_inspect.errors import UsageError
from sieve_inspect.units import format_length
from sieve_registry import acts, labels, service
from sieve_registry.bench import views
from sieve_registry.bench.app import Desk, desk_of, page
from sieve_registry.bench.guard import PRINT_POLICY
from sieve_registry.bench.jobs import Order, Phase
from sieve_registry.bench.offers import BROUGHT, BY_HAND, choose, offers
from sieve_registry.bench.scans import job_of
from sieve_registry.bench.uploads import (
    KINDS,
    MOST_BYTES,
    MOST_SCANS,
    keep_scan,
    plain_file_name,
    watched,
)
from sieve_registry.deed import Told
from sieve_registry.errors import BadTextError, UnknownSieveError
from sieve_registry.records import SieveState
from sieve_registry.rules.state import QUARANTINED, due_list
from sieve_registry.rules.text import clean_text

__all__ = ["DEEDS", "READS"]

_ENCODINGS = ("auto", "srgb", "linear")
_MOST_FIELDS = 60


# --- asking ------------------------------------------------------------------------------------


def home(request: Request) -> Response:
    """What waits, what is due, what is in quarantine, and where to scan a label in."""
    states = service.states(desk_of(request).registry)
    return page(
        request,
        "home.html",
        due=[_row(state) for state in due_list(states)],
        overdue=sum(state.overdue for state in states),
        quarantine=[_row(state) for state in states if state.status == QUARANTINED],
        sieves=len(states),
        **_now(request),
    )


def now(request: Request) -> Response:
    """The checks that wait, for the first page to look again."""
    return page(request, "_waiting.html", **_now(request))


def _now(request: Request) -> dict[str, Any]:
    jobs = desk_of(request).jobs.waiting()
    rows = [
        {"id": job.id, "sieve": job.order.sieve_id, "words": views.job_words(job)} for job in jobs
    ]
    return {"waiting": rows}


def _row(state: SieveState) -> dict[str, Any]:
    last = state.last_check
    return {
        "id": state.sieve.id,
        "nominal": format_length(state.sieve.nominal_um),
        "last": None if last is None else last.on_date.isoformat(),
        "outcome": "never checked" if last is None else last.outcome,
        "due": views.due_words(state),
        "overdue": state.overdue,
        "location": state.location,
        "remarks": [remark.message for remark in state.remarks],
    }


def sieve(request: Request) -> Response:
    """One sieve, found by what was scanned in, with the form for its next check."""
    desk = desk_of(request)
    typed = request.query_params.get("id", "").strip()
    if not typed:
        return RedirectResponse("/", 303)
    try:
        state = service.get_state(desk.registry, typed)
    except (UnknownSieveError, BadTextError):
        return _not_found(request, typed)
    history = service.get_history(desk.registry, state.sieve.id)
    last = state.last_check
    found = offers(desk.registry, desk.given)
    same = [one.key for one in found if last is not None and one.source == last.scale_source]
    usual = same[:1] or ([found[0].key] if len(found) == 1 else [])
    return page(
        request,
        "sieve.html",
        sieve=state.sieve,
        nominal=format_length(state.sieve.nominal_um),
        state=state,
        row=_row(state),
        offers=found,
        chosen=usual[0] if usual else "",
        brought=BROUGHT,
        by_hand=BY_HAND,
        encodings=_ENCODINGS,
        kinds=",".join(KINDS),
        most_scans=MOST_SCANS,
        most_bytes=MOST_BYTES,
        checks=sorted(history.checks, key=lambda c: (c.on_date, c.seq), reverse=True),
        **_folder(desk, []),
    )


def _not_found(request: Request, typed: str) -> Response:
    """One sieve that differs only in capitals is meant; else the nearest are offered."""
    import difflib

    ids = [state.sieve.id for state in service.states(desk_of(request).registry)]
    alike = [one for one in ids if one.casefold() == typed.casefold()]
    if len(alike) == 1:
        return RedirectResponse(_place_of(alike[0]), 303)
    folded = {one.casefold(): one for one in ids}
    near = difflib.get_close_matches(typed.casefold(), folded, n=5)
    return page(
        request,
        "unknown.html",
        404,
        typed=typed[:64],
        near=alike or [folded[one] for one in near],
        any_sieve=bool(ids),
    )


def folder(request: Request) -> Response:
    """The newest scans in the watched folder, what was ticked still ticked."""
    ticked = request.query_params.getlist("pick")
    found = _folder(desk_of(request), ticked)
    if request.query_params.get("seen") == found["seen"]:
        return Response(status_code=204)
    return page(request, "_folder.html", **found)


def _folder(desk: Desk, ticked: list[str]) -> dict[str, Any]:
    files = watched(desk.watch)
    rows = [
        {
            "key": one.key,
            "name": one.name,
            "size": f"{one.size / 1e6:.1f} MB",
            "written": f"{one.written:%Y-%m-%d %H:%M}",
            "taken_for": desk.jobs.taken_up.get(one.key, ""),
            "settled": one.settled,
            "ticked": one.key in ticked,
        }
        for one in files
    ]
    told = [(row["key"], row["settled"], row["taken_for"]) for row in rows]
    seen = hashlib.sha256(repr(told).encode()).hexdigest()[:16]
    return {"files": rows, "seen": seen, "watch": None if desk.watch is None else desk.watch.name}


def job(request: Request) -> Response:
    """One check: how far it is, or what was found and the place for a name."""
    found, desk = job_of(request), desk_of(request)
    state = service.get_state(desk.registry, found.order.sieve_id)
    common: dict[str, Any] = {"job": found, "sieve": state.sieve, "state": state}
    common["nominal"] = format_length(state.sieve.nominal_um)
    if found.phase == Phase.FAILED and found.error is not None:
        from sieve_registry.bench.words import told

        return page(request, "failed.html", trouble=told(found.error), **common)
    if found.taken is None or found.measurement is None:
        return page(request, "measuring.html", **_progress(request), **common)
    scan = _number(request.query_params.get("scan", "1"), len(found.order.images)) - 1
    height, width = found.measurement.pictures[scan].light.shape
    signed = None if found.check_id is None else state.signed
    return page(
        request,
        "result.html",
        result=views.result_view(found.taken),
        scan=scan,
        size=(width, height),
        levels=views.levels((height, width)),
        tile=views.TILE,
        groups=views.noteworthy(found.measurement, scan),
        people=_people(desk),
        newer=request.query_params.get("newer", ""),
        first=request.query_params.get("first", ""),
        signed=signed,
        **common,
    )


def _number(text: str, most: int) -> int:
    return min(max(int(text), 1), most) if text.isdecimal() and len(text) < 6 else 1


def _people(desk: Desk) -> list[str]:
    """Who checked sieves before: names to be offered while one is typed."""
    last = [state.last_check for state in service.states(desk.registry)]
    return sorted({check.person for check in last if check is not None})


def progress(request: Request) -> Response:
    """How far a job is, as a part of the page; over, it has the page loaded anew."""
    found = job_of(request)
    if found.phase not in (Phase.QUEUED, Phase.MEASURING):
        return Response(status_code=204, headers={"HX-Refresh": "true"})
    return page(request, "_progress.html", job=found, **_progress(request))


def _progress(request: Request) -> dict[str, Any]:
    now = desk_of(request).jobs.progress(job_of(request))
    share = now.share
    percent = None if share is None else round(100 * share)
    return {"words": views.progress_words(now), "percent": percent}


def report(request: Request) -> Response:
    """A check's report, made from the records like that of the command."""
    from sieve_registry.report import check_view, render_check_report

    view = check_view(desk_of(request).registry, request.query_params.get("check", ""))
    return _printed(render_check_report(view))


def label(request: Request) -> Response:
    """The status label of a sieve."""
    state = service.get_state(desk_of(request).registry, request.query_params.get("id", ""))
    return _printed(labels.page([labels.label_of(state)]))


def _printed(text: str) -> Response:
    return HTMLResponse(text, headers={"Content-Security-Policy": PRINT_POLICY})


# --- doing -------------------------------------------------------------------------------------


async def begin(request: Request) -> Response:
    """Take in the scans of a sieve and queue them to be measured."""
    async with request.form(max_files=MOST_SCANS + 1, max_fields=_MOST_FIELDS) as form:
        job_id = await run_in_threadpool(_begin, desk_of(request), form)
    return _go(f"/jobs/{job_id}")


def _begin(desk: Desk, form: FormData) -> str:
    told = {name: text for name, text in form.multi_items() if isinstance(text, str)}
    state = service.get_state(desk.registry, told.get("sieve", ""))
    if told.get("encoding", "auto") not in _ENCODINGS:
        raise UsageError(message="How the pixels are to be read was not understood.")
    place = desk.jobs.new_folder()
    try:
        images = _scans(desk, form, place)
        brought = _brought(form, place)
        chosen = choose(desk.registry, desk.given, told, brought)
        picked = tuple(str(key) for key in form.getlist("pick"))
        order = Order(state.sieve.id, images, chosen, told.get("encoding", "auto"), place, picked)
        return desk.jobs.start(order).id
    except BaseException:
        shutil.rmtree(place, ignore_errors=True)
        raise


def _scans(desk: Desk, form: FormData, place: Path) -> tuple[Path, ...]:
    """Our copies of the scans that were sent or ticked, in that order."""
    sent = [one for one in form.getlist("scans") if isinstance(one, UploadFile) and one.filename]
    there = {one.key: one for one in watched(desk.watch)}
    ticked = [there.get(str(key)) for key in form.getlist("pick")]
    if None in ticked:
        raise UsageError(
            message="A scan that was ticked is not in the scan folder any more, or has changed: "
            "look at the list again."
        )
    if not 1 <= len(sent) + len(ticked) <= MOST_SCANS:
        raise UsageError(message=f"Choose 1 to {MOST_SCANS} scans of this sieve.")
    kept = [
        keep_scan(one.filename or "", one.file, place / str(number))
        for number, one in enumerate(sent, start=1)
    ]
    for number, found in enumerate(ticked, start=len(sent) + 1):
        assert found is not None
        with found.path.open("rb") as content:
            kept.append(keep_scan(found.name, content, place / str(number)))
    return tuple(kept)


def _brought(form: FormData, place: Path) -> Path | None:
    """Our copy of a scale file that was sent along."""
    sent = form.get("scale_file")
    if not isinstance(sent, UploadFile) or not sent.filename:
        return None
    kept = place / "scale" / plain_file_name(sent.filename)
    kept.parent.mkdir()
    with kept.open("xb") as target:
        shutil.copyfileobj(sent.file, target)
    return kept


async def _told(request: Request) -> Mapping[str, str]:
    async with request.form(max_files=0, max_fields=_MOST_FIELDS) as form:
        return {name: text for name, text in form.multi_items() if isinstance(text, str)}


async def confirm(request: Request) -> Response:
    """Record what was measured, under a name."""
    found, told = job_of(request), await _told(request)
    name = clean_text("name", told.get("name", ""), needed=True)
    known = int(told["known"]) if told.get("known", "").isdecimal() else -1
    jobs = desk_of(request).jobs
    came_to = await run_in_threadpool(jobs.confirm, found, name, known)
    if came_to.check_id is None:
        return _go(f"/jobs/{found.id}?newer={came_to.newer}")
    first = "" if came_to.person == name else "?first=yes"
    return _go(f"/jobs/{found.id}{first}")


async def discard(request: Request) -> Response:
    """Forget what was measured."""
    found = job_of(request)
    await run_in_threadpool(desk_of(request).jobs.discard, found)
    return _go(_place_of(found.order.sieve_id))


async def sign(request: Request) -> Response:
    """Sign a check off as the second person."""
    found, told = job_of(request), await _told(request)
    name = clean_text("name", told.get("name", ""), needed=True)
    registry = desk_of(request).registry
    check_id = found.check_id or ""
    await run_in_threadpool(acts.sign_check, registry, check_id, "", Told(by=name))
    return _go(f"/jobs/{found.id}")


async def quarantine(request: Request) -> Response:
    """Take a sieve out of use until a check passes."""
    told, registry = await _told(request), desk_of(request).registry
    name = clean_text("name", told.get("name", ""), needed=True)
    sieve_id, reason = told.get("sieve", ""), told.get("reason", "")
    await run_in_threadpool(acts.quarantine, registry, sieve_id, reason, Told(by=name))
    return _go(_place_of(sieve_id))


def _place_of(sieve_id: str) -> str:
    return f"/sieve?{urlencode({'id': sieve_id})}"


def _go(place: str) -> Response:
    """Have the browser go on to a place of this page."""
    return Response(status_code=204, headers={"HX-Redirect": place})


READS = (
    ("/", home),
    ("/now", now),
    ("/sieve", sieve),
    ("/folder", folder),
    ("/jobs/{job}", job),
    ("/jobs/{job}/progress", progress),
    ("/report", report),
    ("/label", label),
)
DEEDS = (
    ("/jobs", begin),
    ("/jobs/{job}/confirm", confirm),
    ("/jobs/{job}/discard", discard),
    ("/jobs/{job}/sign", sign),
    ("/quarantine", quarantine),
)
