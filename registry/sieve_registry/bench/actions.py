"""The deeds of the bench: each reads a form, calls the service, and has the browser go on."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request
from starlette.responses import Response

from sieve_inspect.errors import UsageError
from sieve_registry.bench.app import Desk, desk_of
from sieve_registry.bench.jobs import Order
from sieve_registry.bench.pages import ENCODINGS, place_of
from sieve_registry.bench.scale_choice import choose
from sieve_registry.bench.scan_view import job_of
from sieve_registry.bench.uploads import MOST_SCANS, keep_scan, plain_file_name, watched
from sieve_registry.checks import commands as check_commands
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry
from sieve_registry.values import clean_text

__all__ = ["DEEDS"]

_MOST_FIELDS = 60


async def begin(request: Request) -> Response:
    """Take in the scans of a sieve and queue them to be measured."""
    async with request.form(max_files=MOST_SCANS + 1, max_fields=_MOST_FIELDS) as form:
        job_id = await run_in_threadpool(_begin, desk_of(request), form)
    return _go(f"/jobs/{job_id}")


def _begin(desk: Desk, form: FormData) -> str:
    told = {name: text for name, text in form.multi_items() if isinstance(text, str)}
    state = sieve_queries.get_state(desk.registry, told.get("sieve", ""))
    if told.get("encoding", "auto") not in ENCODINGS:
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
    return _go(place_of(found.order.sieve_id))


async def sign(request: Request) -> Response:
    """Sign a check off as the second person."""
    found, told = job_of(request), await _told(request)
    name = clean_text("name", told.get("name", ""), needed=True)
    registry = desk_of(request).registry
    check_id = found.check_id or ""
    await run_in_threadpool(check_commands.sign_check, registry, check_id, "", RecordTerms(by=name))
    return _go(f"/jobs/{found.id}")


async def quarantine(request: Request) -> Response:
    """Take a sieve out of use until a check passes."""
    return await _act(request, sieve_commands.quarantine)


async def put_back(request: Request) -> Response:
    """Put a sieve back into service, after a passing check."""
    return await _act(request, sieve_commands.return_to_service)


async def _act(
    request: Request, act: Callable[[Registry, str, str, RecordTerms], object]
) -> Response:
    told, registry = await _told(request), desk_of(request).registry
    name = clean_text("name", told.get("name", ""), needed=True)
    sieve_id, reason = told.get("sieve", ""), told.get("reason", "")
    await run_in_threadpool(act, registry, sieve_id, reason, RecordTerms(by=name))
    return _go(place_of(sieve_id))


def _go(place: str) -> Response:
    """Have the browser go on to a place of this page."""
    return Response(status_code=204, headers={"HX-Redirect": place})


DEEDS = (
    ("/jobs", begin),
    ("/jobs/{job}/confirm", confirm),
    ("/jobs/{job}/discard", discard),
    ("/jobs/{job}/sign", sign),
    ("/quarantine", quarantine),
    ("/return", put_back),
)
