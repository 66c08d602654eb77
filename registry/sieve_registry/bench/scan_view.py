"""The scan to look at: pieces at every magnification, where the apertures lie, one seen closely."""

from __future__ import annotations

import base64

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from sieve_inspect.measurement.closeup import closeup, cut_out
from sieve_inspect.measurement.pipeline import Measurement
from sieve_registry.bench import views
from sieve_registry.bench.app import desk_of, page
from sieve_registry.bench.guard import PRINT_POLICY
from sieve_registry.bench.jobs import Job
from sieve_registry.bench.pyramid import Looks
from sieve_registry.report.figures import intervals
from sieve_registry.report.formatting import Lengths

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


def _looks(job: Job, measurement: Measurement, scan: int) -> Looks:
    """What is shown of a scan; made once, for others ask at the same moment."""
    with job.lock:
        if scan not in job.looks:
            job.looks[scan] = Looks(measurement.pictures[scan])
        return job.looks[scan]


def _asked(request: Request, *names: str) -> list[int]:
    return [int(request.path_params[one]) for one in names]


def piece(request: Request) -> Response:
    """A square of the scan."""
    looks = _looks(*scan_of(request))
    data = looks.piece(*_asked(request, "level", "column", "row"))
    if data is None:
        raise HTTPException(404, "There is no such piece of the scan")
    return Response(data, media_type="image/png", headers=_KEPT)


def marks(request: Request) -> Response:
    """Where the apertures in a square of the scan lie and what they are."""
    looks = _looks(*scan_of(request))
    return JSONResponse(looks.marks_in(*_asked(request, "column", "row")), headers=_KEPT)


def marks_everywhere(request: Request) -> Response:
    """The apertures to be seen from afar."""
    return JSONResponse(_looks(*scan_of(request)).marks_everywhere(), headers=_KEPT)


def aperture(request: Request) -> Response:
    """One aperture seen closely, as a part of the page."""
    return _seen(request, int(request.path_params["index"]))


def nearest(request: Request) -> Response:
    """The aperture at a place of the scan, or nothing where there is none."""
    try:
        x, y = (float(request.query_params[one]) for one in ("x", "y"))
    except (KeyError, ValueError):
        raise HTTPException(404, "That is no place in the scan") from None
    return _seen(request, _looks(*scan_of(request)).nearest(x, y))


def beside(request: Request) -> Response:
    """The neighbour of an aperture, or nothing where the cloth ends."""
    index = int(request.path_params["index"])
    steps = (request.query_params.get(one, "0") for one in ("rows", "columns"))
    rows, columns = (int(one) if one in ("-1", "1") else 0 for one in steps)
    return _seen(request, _looks(*scan_of(request)).beside(index, rows, columns))


def _seen(request: Request, index: int | None) -> Response:
    job, measurement, scan = scan_of(request)
    if index is None:
        return Response(status_code=204)
    picture, looks = measurement.pictures[scan], _looks(job, measurement, scan)
    try:
        seen = closeup(picture, measurement.scale, index)
    except IndexError:
        raise HTTPException(404, "There is no such aperture in the scan") from None
    cut = cut_out(picture, looks.tone, index, _CUT_OUT)
    found = looks.corners_of(index)
    frame = " ".join(
        f"{(x + 0.5 - cut.left) * cut.factor:.1f},{(y + 0.5 - cut.top) * cut.factor:.1f}"
        for x, y in zip(found[::2], found[1::2], strict=True)
    )
    return page(
        request,
        "_closeup.html",
        seen=views.closeup_view(seen, measurement),
        corners=" ".join(map(str, found)),
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


_SCAN = "/jobs/{job}/scans/{scan:int}"
READS = (
    ("/jobs/{job}/chart.svg", chart),
    (f"{_SCAN}/pieces/{{level:int}}/{{column:int}}/{{row:int}}.png", piece),
    (f"{_SCAN}/marks.json", marks_everywhere),
    (f"{_SCAN}/marks/{{column:int}}/{{row:int}}.json", marks),
    (f"{_SCAN}/apertures/nearest", nearest),
    (f"{_SCAN}/apertures/{{index:int}}", aperture),
    (f"{_SCAN}/apertures/{{index:int}}/beside", beside),
)
