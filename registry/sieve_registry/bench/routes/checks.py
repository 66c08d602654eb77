"""Checks on the bench: scans received, measured, shown, confirmed, alone or as a batch."""

from __future__ import annotations

import secrets
import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from sieve_inspect.errors import SievewardError, UsageError
from sieve_inspect.files import open_regular
from sieve_registry.bench import views
from sieve_registry.bench.desk import Desk, desk_of, job_of, page
from sieve_registry.bench.forms import (
    Form,
    act,
    act_with_files,
    keep_file,
    place_of,
    redirect,
    sent_files,
)
from sieve_registry.bench.jobs import Batch, Order, Phase
from sieve_registry.bench.naming import by_name
from sieve_registry.bench.pyramid import TILE, ScanPyramid
from sieve_registry.bench.scale_choice import choose
from sieve_registry.bench.uploads import (
    MOST_OF_BATCH,
    MOST_SCANS,
    keep_scan,
    plain_file_name,
    watched_scans,
)
from sieve_registry.checks import commands as check_commands
from sieve_registry.checks.positions import least_distance_mm, read_positions
from sieve_registry.exchange.position_table import positions_of_table
from sieve_registry.report.fields_map import fields_svg
from sieve_registry.scales.environment import Environment, read_number
from sieve_registry.scales.equipment_use import used_equipment
from sieve_registry.sieves import queries as sieve_queries

ENCODINGS = ("auto", "srgb", "linear")


def _begin(desk: Desk, form: Form, folder: Path, data: FormData) -> str:
    """Queue the scans of one sieve, or with no sieve named those of many, by file name."""
    if form.text("encoding") not in ("", *ENCODINGS):
        raise UsageError(message=f"Choose the stored pixel values: {', '.join(ENCODINGS)}.")
    if not form.text("sieve"):
        return _begin_batch(desk, form, folder, data)
    state = sieve_queries.get_state(desk.registry, form.text("sieve"))
    images = _scans(desk, form, data, folder, MOST_SCANS)
    scale_file = keep_file(data, "scale_file", folder)
    table = keep_file(data, "positions_file", folder)
    if table is None:
        positions = read_positions(form.text("positions"), images)
    else:
        positions = positions_of_table(table, images)
    order = _order(desk, form, state.sieve.id, images, folder, scale_file)
    job = desk.jobs.start(replace(order, positions=positions))
    return f"/jobs/{job.id}"


def _order(
    desk: Desk,
    form: Form,
    sieve_id: str,
    images: Sequence[Path],
    folder: Path,
    scale_file: Path | None,
    batch: str = "",
) -> Order:
    scale = choose(desk.registry, desk.given, form, scale_file, images)
    picked = () if batch else tuple(form.texts("pick"))
    encoding = form.text("encoding") or "auto"
    air = [
        read_number(what, unit, form.text(what))
        for what, unit in (("temperature", "°C"), ("humidity", "%"))
    ]
    order = Order(
        sieve_id, tuple(images), scale, encoding, folder, picked, batch, Environment(*air)
    )
    used = used_equipment(desk.registry, form.names("equipment"), desk.registry.today()).ids
    informing = form.text("for_information") == "yes"
    return replace(order, for_information=informing, equipment=used)


def _scans(desk: Desk, form: Form, data: FormData, folder: Path, most: int) -> list[Path]:
    """Copies of the scans that were sent or ticked, in that order."""
    sent = sent_files(data, "scans")
    listed = {scan.key: scan for scan in watched_scans(desk.watch)}
    keys = list(form.fields.get("pick", ()))
    if any(key not in listed for key in keys):
        raise UsageError(
            message="A ticked scan is not in the scan folder any more, or has changed: see the "
            "list again."
        )
    if not 1 <= len(sent) + len(keys) <= most:
        raise UsageError(message=f"Choose 1 to {most} scans.")
    kept = [
        keep_scan(file.filename or "", file.file, folder / str(number))
        for number, file in enumerate(sent, start=1)
    ]
    for number, key in enumerate(keys, start=len(sent) + 1):
        with open_regular(listed[key].path) as content:
            kept.append(keep_scan(listed[key].name, content, folder / str(number)))
    return kept


def _begin_batch(desk: Desk, form: Form, folder: Path, data: FormData) -> str:
    """One check for each sieve that the names of the scans begin with."""
    refused: list[tuple[str, str]] = []
    images = _batch_scans(desk, form, data, folder, refused)
    ids = [state.sieve.id for state in desk.overview.states()]
    named = by_name([image.name for image in images], ids)
    refused += named.unclear.items()
    scale_file = keep_file(data, "scale_file", folder)
    batch = Batch(secrets.token_urlsafe(9), tuple(refused))
    for sieve_id, names in named.by_sieve.items():
        own = [image for image in images if image.name in names]
        try:
            desk.jobs.start(_job_of_batch(desk, form, sieve_id, own, scale_file, batch.id))
        except SievewardError as error:
            refused += [(image.name, views.reason_of(error)) for image in own]
    desk.jobs.picked |= dict.fromkeys(form.texts("pick"), "a batch")
    desk.jobs.batches[batch.id] = Batch(batch.id, tuple(refused))
    shutil.rmtree(folder, ignore_errors=True)  # every check has its own copies
    return f"/batch/{batch.id}"


def _batch_scans(
    desk: Desk, form: Form, data: FormData, folder: Path, refused: list[tuple[str, str]]
) -> list[Path]:
    """Copies of the scans of a batch; a file that cannot be a scan is refused, the others stay."""
    watched = {scan.key: scan for scan in watched_scans(desk.watch)}
    picked = [watched[key] for key in form.texts("pick") if key in watched]
    sent = sent_files(data, "scans")
    if not 1 <= len(sent) + len(picked) <= MOST_OF_BATCH:
        raise UsageError(message=f"Choose 1 to {MOST_OF_BATCH} scans, named by their sieves.")
    images = []
    for number, file in enumerate(sent):
        try:
            images.append(keep_scan(file.filename or "", file.file, folder / str(number)))
        except SievewardError as error:
            refused.append((plain_file_name(file.filename or ""), views.reason_of(error)))
    for number, scan in enumerate(picked, start=len(sent)):
        try:
            with open_regular(scan.path) as content:
                images.append(keep_scan(scan.name, content, folder / str(number)))
        except (SievewardError, OSError) as error:
            refused.append((scan.name, views.reason_of(error)))
    return images


def _job_of_batch(
    desk: Desk,
    form: Form,
    sieve_id: str,
    images: Sequence[Path],
    scale_file: Path | None,
    batch: str,
) -> Order:
    """The order for one sieve of a batch, its scans moved to a folder of its own."""
    folder = desk.jobs.new_folder()
    try:
        moved = []
        for number, image in enumerate(images, start=1):
            (folder / str(number)).mkdir()
            moved.append(image.rename(folder / str(number) / image.name))
        return _order(desk, form, sieve_id, moved, folder, scale_file, batch)
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise


def batch(request: Request) -> Response:
    """The verdicts of a batch, and the form to confirm them."""
    return page(request, "batch.html", **_batch_values(request))


def batch_rows(request: Request) -> Response:
    """The rows of a batch, for its page to refresh while something is measured."""
    values = _batch_values(request)
    if not values["busy"]:
        return Response(status_code=204, headers={"HX-Refresh": "true"})
    return page(request, "_batch.html", **values)


def _batch_values(request: Request) -> dict[str, Any]:
    desk, batch_id = desk_of(request), request.path_params["batch"]
    known = desk.jobs.batches.get(batch_id)
    if known is None:
        raise HTTPException(404, "This batch is no longer on the bench: it was restarted")
    jobs = desk.jobs.of_batch(batch_id)
    busy = [job for job in jobs if job.phase in (Phase.QUEUED, Phase.MEASURING)]
    return {
        "batch": known,
        "rows": [views.batch_row(job) for job in jobs],
        "busy": len(busy),
        "done": len(jobs) - len(busy),
        "ready": sum(job.phase == Phase.READY for job in jobs),
        "left": views.batch_left(desk.jobs, jobs),
    }


def _confirm_batch(desk: Desk, form: Form) -> str:
    """Record the ticked checks of a batch under one name; each with its visual examination."""
    name, refused = form.person(), []
    wanted = set(form.texts("job"))
    ready = [
        job
        for job in desk.jobs.of_batch(form.text("batch"))
        if job.id in wanted and job.phase == Phase.READY
    ]
    if not ready:
        raise UsageError(message="No measured check is ticked: tick those to record.")
    for job in ready:
        known = form.count(f"known-{job.id}", "Number of checks")
        visual = form.text(f"fault-{job.id}") or form.text(f"visual-{job.id}")
        try:
            confirmed = desk.jobs.confirm(
                job,
                name,
                -1 if known is None else known,
                visual,
                form.text("why_late"),
                accept_cloth=form.text(f"cloth-{job.id}"),
                accept_scan=form.text(f"scan-{job.id}"),
            )
        except SievewardError as error:
            refused.append((job.order.sieve_id, views.reason_of(error)))
            continue
        if confirmed.check_id is None:
            reason = f"{confirmed.newer} was recorded meanwhile: review it, then confirm again"
            refused.append((job.order.sieve_id, reason))
    batch_id = form.text("batch")
    desk.jobs.batches[batch_id] = replace(desk.jobs.batches[batch_id], not_recorded=tuple(refused))
    return f"/batch/{batch_id}"


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
        recorded_scale=((job.order.scale.trace or {}).get("scale") or {}).get("name", ""),
        document=job.taken.document,
        least_distance=least_distance_mm(job.taken.fields),
        field_map=fields_svg(job.taken.fields, state.sieve.frame_nm),
        scan=scan,
        pyramid=ScanPyramid(job.measurement.pictures[scan]),
        tile=TILE,
        groups=views.noteworthy(job.measurement, scan),
        newer=request.query_params.get("newer", ""),
        first=request.query_params.get("first", ""),
        signed=signed,
        **common,
    )


def _number(text: str, most: int) -> int:
    return min(max(int(text), 1), most) if text.isdecimal() and len(text) < 6 else 1


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


async def confirm(request: Request) -> Response:
    """Record a measured check under a name."""
    job, form = job_of(request), await _form(request)
    name, visual = form.person(), form.text("fault") or form.text("visual")
    known = form.count("known", "Number of checks")
    confirmed = await run_in_threadpool(
        desk_of(request).jobs.confirm,
        job,
        name,
        -1 if known is None else known,
        visual,
        form.text("why_late"),
        form.text("accept_cloth"),
        form.text("accept_scan"),
    )
    if confirmed.check_id is None:
        return redirect(f"/jobs/{job.id}?newer={confirmed.newer}")
    first = "" if confirmed.person == name else "?first=yes"
    return redirect(f"/jobs/{job.id}{first}")


async def discard(request: Request) -> Response:
    """Discard a job that is not recorded; the place to go on is in the form."""
    job, form = job_of(request), await _form(request)
    await run_in_threadpool(desk_of(request).jobs.discard, job)
    batch_page = f"/batch/{job.order.batch}" if job.order.batch else "/"
    places = {"home": "/", "list": batch_page}
    return redirect(places.get(form.text("then"), place_of(job.order.sieve_id)))


async def sign(request: Request) -> Response:
    """Sign a check off as the second person."""
    job, form = job_of(request), await _form(request)
    registry, terms = desk_of(request).registry, form.terms()
    await run_in_threadpool(check_commands.sign_check, registry, job.check_id or "", "", terms)
    return redirect(f"/jobs/{job.id}")


async def _form(request: Request) -> Form:
    async with request.form(max_files=0, max_fields=60) as data:
        return Form.of(data)


READS = (
    ("/batch/{batch}", batch),
    ("/batch/{batch}/rows", batch_rows),
    ("/jobs/{job}", check),
    ("/jobs/{job}/progress", progress),
)
WRITES = (
    ("/jobs", act_with_files(_begin)),
    ("/batch", act(_confirm_batch)),
    ("/jobs/{job}/confirm", confirm),
    ("/jobs/{job}/discard", discard),
    ("/jobs/{job}/sign", sign),
)
