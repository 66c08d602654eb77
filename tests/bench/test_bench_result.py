"""What the page shows of a scan that is measured and not recorded."""

from __future__ import annotations

import io
from collections.abc import Iterator

import numpy as np
import pytest
from httpx import Client
from PIL import Image

from bench_lab import SCAN, Lab, asking, begin, close, confirm, new_lab, serving, wait_for
from sieve_registry.bench.jobs import Job


@pytest.fixture(scope="module")
def ready(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Lab, Client, Job]]:
    """A laboratory whose bench has measured one scan that nobody confirmed; read only."""
    lab = new_lab(tmp_path_factory.mktemp("ready"))
    with serving(lab), asking(lab) as client:
        job = begin(lab, client)
        wait_for(job)
        assert job.error is None
        yield lab, client, job
    close(lab)


def test_measuring_records_nothing(ready: tuple[Lab, Client, Job]) -> None:
    lab, client, job = ready
    assert lab.checks() == ()
    text = client.get(f"/jobs/{job.id}").text
    assert "Nothing is recorded yet" in text
    assert "awaiting confirmation" in client.get("/now").text


def test_the_result_is_that_of_the_measurement(ready: tuple[Lab, Client, Job]) -> None:
    """Every figure shown is one of the measurement's, rounded by its U."""
    _, client, job = ready
    text = client.get(f"/jobs/{job.id}").text
    figures = job.taken.figures
    assert f"Proposed: {figures['action']}." in text
    for row in figures["margins"]:
        shown = f"{float(row['value_um']):.1f}"
        assert shown in text or f"{float(row['value_um']):.2f}" in text
    counts = job.taken.document["apertures"]
    assert f"{counts['measured']} measured" in text


def test_an_aperture_seen_closely_has_the_width_of_the_table(
    ready: tuple[Lab, Client, Job],
) -> None:
    """The page and `measure --apertures` tell one and the same width."""
    _, client, job = ready
    row = job.measurement.apertures_csv().splitlines()[1:]
    index = next(i for i, line in enumerate(row) if ",ok," in line)
    width = float(row[index].split(",")[5])
    text = client.get(f"/jobs/{job.id}/scans/0/apertures/{index}").text
    assert f"{width:.1f} ± " in text  # U by a typed scale is over 1 um
    assert text.count('class="edge"') == 4
    assert 'class="fit"' in text


def test_tiles_make_up_the_scan(ready: tuple[Lab, Client, Job]) -> None:
    """At full resolution every pixel of the scan is in the tiles, in its place."""
    _, client, job = ready
    with Image.open(SCAN) as scan:
        width, height = scan.size
        stored = np.asarray(scan.convert("L"), float)
    mosaic = np.zeros((height, width))
    for column in range(-(-width // 512)):
        for row in range(-(-height // 512)):
            answer = client.get(f"/jobs/{job.id}/scans/0/tiles/0/{column}/{row}.png")
            part = np.asarray(Image.open(io.BytesIO(answer.content)))
            h, w = part.shape
            mosaic[row * 512 : row * 512 + h, column * 512 : column * 512 + w] = part
    # Shown in greys of their own, the order of light and dark is the scan's.
    assert np.corrcoef(mosaic.ravel(), stored.ravel())[0, 1] > 0.99
    assert client.get(f"/jobs/{job.id}/scans/0/tiles/0/9/0.png").status_code == 404
    assert client.get(f"/jobs/{job.id}/scans/0/tiles/30/0/0.png").status_code == 404


def test_every_aperture_is_marked_once(ready: tuple[Lab, Client, Job]) -> None:
    _, client, job = ready
    scan = f"/jobs/{job.id}/scans/0"
    field = job.measurement.pictures[0].field
    tiles = [
        client.get(f"{scan}/marks/{column}/{row}.json").json()
        for column in range(3)
        for row in range(3)
    ]
    states = "".join(tile["state"] for tile in tiles)
    assert len(states) == sum(len(tile["corners"]) for tile in tiles) == len(field.row)
    assert states.count("o") == int(field.ok.sum())
    assert len(client.get(f"{scan}/marks.json").json()["widest"]) == 2
    assert client.get(f"/jobs/{job.id}/scans/1/marks.json").status_code == 404


def test_an_aperture_is_found_by_number_place_and_neighbour(ready: tuple[Lab, Client, Job]) -> None:
    _, client, job = ready
    place = f"/jobs/{job.id}/scans/0/apertures"
    field = job.measurement.pictures[0].field
    index = int(np.flatnonzero(field.ok)[150])
    x, y = field.centre[index]
    for text in (
        client.get(f"{place}/{index}").text,
        client.get(f"{place}/nearest", params={"x": x + 3, "y": y - 3}).text,
        client.get(f"{place}/{index + 1}/neighbour?rows=0&columns=-1").text,
    ):
        assert f'data-index="{index}"' in text
    assert client.get(f"{place}/nearest?x=-900&y=-900").status_code == 204
    assert client.get(f"{place}/{index}/neighbour?rows=99&columns=x").text.count("data-index") == 1
    assert client.get(f"{place}/0/neighbour?rows=-1&columns=0").status_code == 204
    for wrong in ("999999", "nearest?x=1", "nearest?x=nan1&y=2"):
        assert client.get(f"{place}/{wrong}").status_code == 404


def test_the_values_are_drawn(ready: tuple[Lab, Client, Job]) -> None:
    from xml.dom import minidom

    _, client, job = ready
    answer = client.get(f"/jobs/{job.id}/chart.svg")
    assert answer.headers["Content-Type"] == "image/svg+xml"
    assert minidom.parseString(answer.content).documentElement.tagName == "svg"


def test_a_name_is_needed(ready: tuple[Lab, Client, Job]) -> None:
    lab, client, job = ready
    for name in ("", "  ", "a\u202eb"):
        answer = confirm(lab, client, job, name)
        assert answer.status_code == 422
        assert "cannot be kept" in answer.text
    assert lab.checks() == ()
