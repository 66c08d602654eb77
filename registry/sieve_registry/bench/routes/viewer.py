"""The scan viewer: tiles of the scan, marks of the apertures, and the close-up of an aperture."""

from __future__ import annotations

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from sieve_inspect.measurement.closeup import closeup, cut_out
from sieve_inspect.measurement.model import Measurement
from sieve_registry.bench import views
from sieve_registry.bench.desk import desk_of, job_of, page
from sieve_registry.bench.guard import PRINT_POLICY
from sieve_registry.bench.jobs import Job
from sieve_registry.bench.pyramid import ScanPyramid
from sieve_registry.report.before_after import ShownScan, beside_earlier
from sieve_registry.report.charts import standalone
from sieve_registry.report.figures import intervals
from sieve_registry.report.formatting import Lengths

_KEPT = {"Cache-Control": "private, max-age=3600"}  # a measurement does not change
_CUT_OUT = 300  # px


def scan_of(request: Request) -> tuple[Job, Measurement, int]:
    """A job, its measurement, and the number of a scan from 0. Raises `HTTPException`."""
    job = job_of(request)
    measurement, number = job.measurement, int(request.path_params["scan"])
    if measurement is None or not 0 <= number < len(measurement.pictures):
        raise HTTPException(404, "This scan does not exist")
    return job, measurement, number


def _pyramid(job: Job, measurement: Measurement, scan: int) -> ScanPyramid:
    """The pyramid of a scan, made once: requests come in parallel."""
    with job.lock:
        if scan not in job.pyramids:
            job.pyramids[scan] = ScanPyramid(measurement.pictures[scan])
        return job.pyramids[scan]


def _numbers(request: Request, *names: str) -> list[int]:
    return [int(request.path_params[name]) for name in names]


def tile(request: Request) -> Response:
    """A square of the scan as PNG."""
    pyramid = _pyramid(*scan_of(request))
    data = pyramid.tile(*_numbers(request, "level", "column", "row"))
    if data is None:
        raise HTTPException(404, "This part of the scan does not exist")
    return Response(data, media_type="image/png", headers=_KEPT)


def marks(request: Request) -> Response:
    """State and corners of the apertures in a square of the scan."""
    pyramid = _pyramid(*scan_of(request))
    return JSONResponse(pyramid.marks_in(*_numbers(request, "column", "row")), headers=_KEPT)


def overview_marks(request: Request) -> Response:
    """The apertures marked at every magnification."""
    return JSONResponse(_pyramid(*scan_of(request)).overview_marks(), headers=_KEPT)


def aperture(request: Request) -> Response:
    """The close-up of an aperture, as a part of the page."""
    return _closeup(request, int(request.path_params["index"]))


def nearest(request: Request) -> Response:
    """The close-up of the aperture nearest to a point; empty where there is none."""
    try:
        x, y = (float(request.query_params[name]) for name in ("x", "y"))
    except (KeyError, ValueError):
        raise HTTPException(404, "x and y of a point in the scan are missing") from None
    return _closeup(request, _pyramid(*scan_of(request)).nearest(x, y))


def neighbour(request: Request) -> Response:
    """The close-up of an aperture's neighbour; empty where there is none."""
    index = int(request.path_params["index"])
    steps = (request.query_params.get(name, "0") for name in ("rows", "columns"))
    rows, columns = (int(step) if step in ("-1", "1") else 0 for step in steps)
    return _closeup(request, _pyramid(*scan_of(request)).neighbour(index, rows, columns))


def _closeup(request: Request, index: int | None) -> Response:
    job, measurement, scan = scan_of(request)
    if index is None:
        return Response(status_code=204)
    picture, pyramid = measurement.as_scanned[scan], _pyramid(job, measurement, scan)
    names = "yx" if measurement.exchanged[scan] else "xy"
    try:
        close = closeup(picture, measurement.scale, index, names)
    except IndexError:
        raise HTTPException(404, "This aperture does not exist") from None
    cut = cut_out(picture, pyramid.tone, index, _CUT_OUT)
    corners = pyramid.corners_of(index)
    frame = " ".join(
        f"{(x + 0.5 - cut.left) * cut.factor:.1f},{(y + 0.5 - cut.top) * cut.factor:.1f}"
        for x, y in zip(corners[::2], corners[1::2], strict=True)
    )
    return page(
        request,
        "_closeup.html",
        close=close,
        closeup=views.closeup_view(close, measurement),
        corners=" ".join(map(str, corners)),
        cut=cut,
        frame=frame,
    )


def chart(request: Request) -> Response:
    """The chart of the values with their uncertainties against the limits, as SVG."""
    job = job_of(request)
    if job.taken is None:
        raise HTTPException(404, "This check is not measured yet")
    lengths = Lengths(job.taken.history.sieve.nominal_um)
    drawn = intervals(job.taken.document.get("verdict") or {}, lengths)
    if drawn is None:
        raise HTTPException(404, "This check has no values with limits")
    policy = {"Content-Security-Policy": PRINT_POLICY}
    return Response(standalone(drawn), media_type="image/svg+xml", headers=_KEPT | policy)


def before_after(request: Request) -> Response:
    """The earlier check of the same cloth beside this one, as a part of the page."""
    job = job_of(request)
    if job.taken is None:
        raise HTTPException(404, "This check is not measured yet")
    taken = job.taken
    after = [
        ShownScan.of_file(image, cloth)
        for image, cloth in zip(taken.images, taken.measurement.cloth_maps(), strict=False)
    ]
    registry, nominal = desk_of(request).registry, taken.history.sieve.nominal_um
    pair = beside_earlier(registry, taken.cloth.link, after, nominal)
    answer = page(request, "_before_after.html", pair=pair)
    answer.headers.update(_KEPT)
    return answer


_SCAN = "/jobs/{job}/scans/{scan:int}"
READS = (
    ("/jobs/{job}/chart.svg", chart),
    ("/jobs/{job}/before-after", before_after),
    (f"{_SCAN}/tiles/{{level:int}}/{{column:int}}/{{row:int}}.png", tile),
    (f"{_SCAN}/marks.json", overview_marks),
    (f"{_SCAN}/marks/{{column:int}}/{{row:int}}.json", marks),
    (f"{_SCAN}/apertures/nearest", nearest),
    (f"{_SCAN}/apertures/{{index:int}}", aperture),
    (f"{_SCAN}/apertures/{{index:int}}/neighbour", neighbour),
)
