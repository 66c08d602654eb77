"""The scan to look at: pieces at every magnification, where the apertures lie, one seen closely."""

from __future__ import annotations

import base64
from typing import Any

import numpy as np
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from sieve_inspect import pixels
from sieve_inspect.closeup import closeup, cut_out, visible
from sieve_inspect.measure import Measurement
from sieve_registry.bench import views
from sieve_registry.bench.app import desk_of, page
from sieve_registry.bench.guard import PRINT_POLICY
from sieve_registry.bench.jobs import Job
from sieve_registry.report.figures import intervals
from sieve_registry.report.words import Lengths

__all__ = ["READS", "job_of", "scan_of"]

_KEPT = {"Cache-Control": "private, max-age=3600"}  # what was measured does not change
_CUT_OUT = 300  # px
_NAMES = 'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'


def job_of(request: Request) -> Job:
    """The job a request names. Raises `HTTPException`."""
    job = desk_of(request).jobs.get(request.path_params["job"])
    if job is None:
        raise HTTPException(
            404,
            "That check is not on the bench any more: it was discarded, or the bench was started "
            "anew. Recorded checks stand on the page of their sieve",
        )
    return job


def scan_of(request: Request) -> tuple[Job, Measurement, int]:
    """A job, what it measured, and which of its scans is meant, from 0. Raises `HTTPException`."""
    job = job_of(request)
    measurement, number = job.measurement, int(request.path_params["scan"])
    if measurement is None or not 0 <= number < len(measurement.pictures):
        raise HTTPException(404, "There is no such scan to look at")
    return job, measurement, number


def _greys(job: Job, measurement: Measurement, scan: int) -> list[Any]:
    """A scan for the eye, then halved and halved again until one piece shows all of it."""
    with job.lock:
        if scan not in job.views:
            grey = visible(measurement.pictures[scan].light)
            halves = [grey]
            for _ in range(views.levels(grey.shape)):
                halves.append(pixels.resize(halves[-1], 0.5))
            job.views[scan] = halves
        return list(job.views[scan])


def piece(request: Request) -> Response:
    """A square of the scan, halved `level` times."""
    job, measurement, scan = scan_of(request)
    level, column, row = (int(request.path_params[one]) for one in ("level", "column", "row"))
    greys = _greys(job, measurement, scan)
    if level >= len(greys):
        raise HTTPException(404, "There is no such piece of the scan")
    side = views.TILE
    part = greys[level][row * side : (row + 1) * side, column * side : (column + 1) * side]
    if not part.size:
        raise HTTPException(404, "There is no such piece of the scan")
    data = pixels.encode_png(np.ascontiguousarray(part))
    return Response(data, media_type="image/png", headers=_KEPT)


def apertures(request: Request) -> Response:
    """Where the apertures of a scan lie and what they are."""
    _, measurement, scan = scan_of(request)
    return JSONResponse(views.apertures_json(measurement, scan), headers=_KEPT)


def aperture(request: Request) -> Response:
    """One aperture seen closely, as a part of the page."""
    job, measurement, scan = scan_of(request)
    picture, scale = measurement.pictures[scan], measurement.scale
    try:
        seen = closeup(picture, scale, int(request.path_params["index"]))
    except IndexError:
        raise HTTPException(404, "There is no such aperture in the scan") from None
    grey = _greys(job, measurement, scan)[0]
    cut = cut_out(picture, grey, seen.index, _CUT_OUT)
    found = views.apertures_json(measurement, scan)["corners"][seen.index]
    frame = " ".join(
        f"{(x + 0.5 - cut.left) * cut.factor:.1f},{(y + 0.5 - cut.top) * cut.factor:.1f}"
        for x, y in zip(found[::2], found[1::2], strict=True)
    )
    return page(
        request,
        "_closeup.html",
        seen=views.closeup_view(seen, measurement),
        cut=cut,
        picture=f"data:image/png;base64,{base64.b64encode(cut.png).decode()}",
        frame=frame,
    )


def chart(request: Request) -> Response:
    """The values with their uncertainties against the limits, as a drawing."""
    job = job_of(request)
    if job.taken is None:
        raise HTTPException(404, "Nothing was measured yet")
    lengths = Lengths(job.taken.history.sieve.nominal_um)
    drawn = intervals(job.taken.found.get("verdict") or {}, lengths)
    if drawn is None:
        raise HTTPException(404, "There are no values to draw")
    alone = str(drawn).replace("<svg", f"<svg {_NAMES}", 1)  # made to stand inside a page
    policy = {"Content-Security-Policy": PRINT_POLICY}
    return Response(alone, media_type="image/svg+xml", headers=_KEPT | policy)


READS = (
    ("/jobs/{job}/chart.svg", chart),
    ("/jobs/{job}/scans/{scan:int}/pieces/{level:int}/{column:int}/{row:int}.png", piece),
    ("/jobs/{job}/scans/{scan:int}/apertures.json", apertures),
    ("/jobs/{job}/scans/{scan:int}/apertures/{index:int}", aperture),
)
