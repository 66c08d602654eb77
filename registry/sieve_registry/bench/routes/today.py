"""The first page: what waits today, new scans, and how to set up the light."""

from __future__ import annotations

import hashlib
from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from sieve_inspect.errors import UnreadableImageError
from sieve_registry.audit.attention import attention
from sieve_registry.bench.desk import Desk, desk_of, page
from sieve_registry.bench.scale_choice import BY_DPI, BY_HAND, SCALE_FILE, Offer, offers
from sieve_registry.bench.uploads import KINDS, MOST_BYTES, MOST_OF_BATCH, watched_scans
from sieve_registry.ledger.records import SieveState
from sieve_registry.sieves.state import QUARANTINED, due_list

_SHOWN = 40  # rows of a list on the first page


def home(request: Request) -> Response:
    """Open jobs, new scans, checks due, and sieves that need a decision."""
    desk = desk_of(request)
    states = desk.overview.states()
    if not states:
        return RedirectResponse("/first-day", 303)
    due = due_list(states)
    return page(
        request,
        "home.html",
        due=due[:_SHOWN],
        in_service=len(due),
        doubtful=[state for state in due if _doubtful(state)][:_SHOWN],
        overdue=sum(state.overdue for state in states),
        noted=attention(desk.registry),
        lookbacks=desk.overview.lookbacks(),
        quarantine=[state for state in states if state.status == QUARANTINED][:_SHOWN],
        waiting=desk.jobs.waiting(),
        kinds=",".join(KINDS),
        most_scans=MOST_OF_BATCH,
        most_bytes=MOST_BYTES,
        **scale_values(offers(desk.registry, desk.given), None),
        **folder_values(desk, []),
    )


def _usual_scale(offered: list[Offer], last_source: str | None) -> str:
    """The key of the scale to choose beforehand: as last time, by dpi, or the only one."""
    same = [o.key for o in offered if last_source is not None and o.source == last_source]
    if same:
        return same[0]
    if any(offer.key.startswith("kept:") for offer in offered):
        return BY_DPI
    return offered[0].key if len(offered) == 1 else ""


def scale_values(offered: list[Offer], last_source: str | None) -> dict[str, Any]:
    """The values of the field for the scale; `last_source` is that of the last check."""
    return {
        "offers": offered,
        "recorded": any(offer.key.startswith("kept:") for offer in offered),
        "chosen": _usual_scale(offered, last_source),
        "scale_file": SCALE_FILE,
        "by_hand": BY_HAND,
        "by_dpi": BY_DPI,
    }


def light(request: Request) -> Response:
    """How to light a sieve, and how to test one's lamp."""
    return page(request, "light.html")


def waiting(request: Request) -> Response:
    """The open jobs, for the first page to refresh."""
    return page(request, "_waiting.html", waiting=desk_of(request).jobs.waiting())


def _doubtful(state: SieveState) -> bool:
    return not state.unchecked and bool(state.remarks)


def folder(request: Request) -> Response:
    """The newest scans in the watched folder; ticked scans stay ticked."""
    ticked = request.query_params.getlist("pick")
    listed = folder_values(desk_of(request), ticked)
    if request.query_params.get("seen") == listed["seen"]:
        return Response(status_code=204)
    return page(request, "_folder.html", **listed)


def folder_values(desk: Desk, ticked: list[str]) -> dict[str, Any]:
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


def alive(_request: Request) -> Response:
    """An empty answer, for a page that lost the bench and looks for it."""
    return Response(status_code=204)


READS = (
    ("/", home),
    ("/alive", alive),
    ("/now", waiting),
    ("/light", light),
    ("/folder", folder),
)
