"""The writes of the bench: each reads a form, calls a room's command, and redirects the browser."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request
from starlette.responses import Response

from sieve_inspect.errors import UsageError
from sieve_registry.bench.desk import Desk, desk_of, job_of
from sieve_registry.bench.jobs import Order
from sieve_registry.bench.pages import ENCODINGS, place_of
from sieve_registry.bench.scale_choice import choose
from sieve_registry.bench.uploads import MOST_SCANS, keep_scan, plain_file_name, watched_scans
from sieve_registry.checks import commands as check_commands
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry
from sieve_registry.values import clean_text

_MOST_FIELDS = 60


async def begin(request: Request) -> Response:
    """Receive the scans of a sieve and queue them for measuring."""
    async with request.form(max_files=MOST_SCANS + 1, max_fields=_MOST_FIELDS) as form:
        job_id = await run_in_threadpool(_begin, desk_of(request), form)
    return _redirect(f"/jobs/{job_id}")


def _begin(desk: Desk, form: FormData) -> str:
    fields = _texts(form)
    state = sieve_queries.get_state(desk.registry, fields.get("sieve", ""))
    encoding = fields.get("encoding", "auto")
    if encoding not in ENCODINGS:
        raise UsageError(message=f"Choose the stored pixel values: {', '.join(ENCODINGS)}.")
    folder = desk.jobs.new_folder()
    try:
        images = _scans(desk, form, folder)
        scale = choose(desk.registry, desk.given, fields, _scale_file(form, folder))
        picked = tuple(str(key) for key in form.getlist("pick"))
        return desk.jobs.start(Order(state.sieve.id, images, scale, encoding, folder, picked)).id
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise


def _scans(desk: Desk, form: FormData, folder: Path) -> tuple[Path, ...]:
    """Copies of the scans that were sent or ticked, in that order."""
    sent = [file for file in form.getlist("scans") if isinstance(file, UploadFile)]
    sent = [file for file in sent if file.filename]
    listed = {scan.key: scan for scan in watched_scans(desk.watch)}
    keys = [str(key) for key in form.getlist("pick")]
    if any(key not in listed for key in keys):
        raise UsageError(
            message="A ticked scan is not in the scan folder any more, or has changed: see the "
            "list again."
        )
    if not 1 <= len(sent) + len(keys) <= MOST_SCANS:
        raise UsageError(message=f"Choose 1 to {MOST_SCANS} scans of this sieve.")
    kept = [
        keep_scan(file.filename or "", file.file, folder / str(number))
        for number, file in enumerate(sent, start=1)
    ]
    for number, key in enumerate(keys, start=len(sent) + 1):
        with listed[key].path.open("rb") as content:
            kept.append(keep_scan(listed[key].name, content, folder / str(number)))
    return tuple(kept)


def _scale_file(form: FormData, folder: Path) -> Path | None:
    """A copy of the scale file that was sent, if any."""
    sent = form.get("scale_file")
    if not isinstance(sent, UploadFile) or not sent.filename:
        return None
    kept = folder / "scale" / plain_file_name(sent.filename)
    kept.parent.mkdir()
    with kept.open("xb") as target:
        shutil.copyfileobj(sent.file, target)
    return kept


def _texts(form: FormData) -> Mapping[str, str]:
    return {name: text for name, text in form.multi_items() if isinstance(text, str)}


async def _fields(request: Request) -> Mapping[str, str]:
    async with request.form(max_files=0, max_fields=_MOST_FIELDS) as form:
        return _texts(form)


def _name(fields: Mapping[str, str]) -> str:
    return clean_text("name", fields.get("name", ""), needed=True)


async def confirm(request: Request) -> Response:
    """Record a measured check under a name."""
    job, fields = job_of(request), await _fields(request)
    name, visual = _name(fields), fields.get("fault", "") or fields.get("visual", "")
    known = int(fields["known"]) if fields.get("known", "").isdecimal() else -1
    confirmed = await run_in_threadpool(desk_of(request).jobs.confirm, job, name, known, visual)
    if confirmed.check_id is None:
        return _redirect(f"/jobs/{job.id}?newer={confirmed.newer}")
    first = "" if confirmed.person == name else "?first=yes"
    return _redirect(f"/jobs/{job.id}{first}")


async def discard(request: Request) -> Response:
    """Discard a job."""
    job = job_of(request)
    await run_in_threadpool(desk_of(request).jobs.discard, job)
    return _redirect(place_of(job.order.sieve_id))


async def sign(request: Request) -> Response:
    """Sign a check off as the second person."""
    job, terms = job_of(request), RecordTerms(by=_name(await _fields(request)))
    registry = desk_of(request).registry
    await run_in_threadpool(check_commands.sign_check, registry, job.check_id or "", "", terms)
    return _redirect(f"/jobs/{job.id}")


async def quarantine(request: Request) -> Response:
    """Take a sieve out of use until a check passes."""
    return await _change_status(request, sieve_commands.quarantine)


async def put_back(request: Request) -> Response:
    """Return a sieve to service, after a passing check."""
    return await _change_status(request, sieve_commands.return_to_service)


async def _change_status(
    request: Request, command: Callable[[Registry, str, str, RecordTerms], object]
) -> Response:
    fields, registry = await _fields(request), desk_of(request).registry
    sieve_id, reason = fields.get("sieve", ""), fields.get("reason", "")
    await run_in_threadpool(command, registry, sieve_id, reason, RecordTerms(by=_name(fields)))
    return _redirect(place_of(sieve_id))


def _redirect(place: str) -> Response:
    """Have the browser open a page of the bench."""
    return Response(status_code=204, headers={"HX-Redirect": place})


WRITES = (
    ("/jobs", begin),
    ("/jobs/{job}/confirm", confirm),
    ("/jobs/{job}/discard", discard),
    ("/jobs/{job}/sign", sign),
    ("/quarantine", quarantine),
    ("/return", put_back),
)
