"""The pages of the bench: each asks the registry and shows the answer."""

from __future__ import annotations

import hashlib
from typing import Any
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from sieve_inspect.units import format_length
from sieve_registry.bench import views
from sieve_registry.bench.app import Desk, desk_of, page
from sieve_registry.bench.guard import PRINT_POLICY
from sieve_registry.bench.jobs import Phase
from sieve_registry.bench.pyramid import TILE, Looks
from sieve_registry.bench.scale_choice import BROUGHT, BY_HAND, offers
from sieve_registry.bench.scan_view import job_of
from sieve_registry.bench.uploads import (
    KINDS,
    MOST_BYTES,
    MOST_SCANS,
    watched,
)
from sieve_registry.errors import BadTextError, UnknownSieveError
from sieve_registry.records import SieveState
from sieve_registry.report import labels
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.state import QUARANTINED, due_list

__all__ = ["ENCODINGS", "READS", "place_of"]

ENCODINGS = ("auto", "srgb", "linear")


def home(request: Request) -> Response:
    """What waits, what is due, what is in quarantine, and where to scan a label in."""
    states = sieve_queries.states(desk_of(request).registry)
    due = [_row(state) for state in due_list(states)]
    return page(
        request,
        "home.html",
        due=due,
        doubtful=[row for row in due if row["doubtful"]],
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
        "doubtful": last is not None and bool(state.remarks),
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
        state = sieve_queries.get_state(desk.registry, typed)
    except (UnknownSieveError, BadTextError):
        return _not_found(request, typed)
    history = sieve_queries.get_history(desk.registry, state.sieve.id)
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
        encodings=ENCODINGS,
        kinds=",".join(KINDS),
        most_scans=MOST_SCANS,
        most_bytes=MOST_BYTES,
        doubtful=state.last_check is not None and bool(state.remarks),
        people=_people(desk),
        checks=sorted(history.checks, key=lambda c: (c.on_date, c.seq), reverse=True),
        **_folder(desk, []),
    )


def _not_found(request: Request, typed: str) -> Response:
    """One sieve that differs only in capitals is meant; else the nearest are offered."""
    import difflib

    ids = [state.sieve.id for state in sieve_queries.states(desk_of(request).registry)]
    alike = [one for one in ids if one.casefold() == typed.casefold()]
    if len(alike) == 1:
        return RedirectResponse(place_of(alike[0]), 303)
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
    state = sieve_queries.get_state(desk.registry, found.order.sieve_id)
    common: dict[str, Any] = {"job": found, "sieve": state.sieve, "state": state}
    common["nominal"] = format_length(state.sieve.nominal_um)
    if found.phase == Phase.FAILED and found.error is not None:
        from sieve_registry.bench.messages import told

        return page(request, "failed.html", trouble=told(found.error), **common)
    if found.taken is None or found.measurement is None:
        return page(request, "measuring.html", **_progress(request), **common)
    scan = _number(request.query_params.get("scan", "1"), len(found.order.images)) - 1
    looks = Looks(found.measurement.pictures[scan])
    signed = None if found.check_id is None else state.signed
    return page(
        request,
        "result.html",
        result=views.result_view(found.taken),
        scan=scan,
        looks=looks,
        tile=TILE,
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
    last = [state.last_check for state in sieve_queries.states(desk.registry)]
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
    state = sieve_queries.get_state(desk_of(request).registry, request.query_params.get("id", ""))
    return _printed(labels.page([labels.label_of(state)]))


def _printed(text: str) -> Response:
    return HTMLResponse(text, headers={"Content-Security-Policy": PRINT_POLICY})


def place_of(sieve_id: str) -> str:
    """The page of a sieve."""
    return f"/sieve?{urlencode({'id': sieve_id})}"


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
