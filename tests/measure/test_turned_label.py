"""Directions go by the label of the sieve, whichever way it lay on the glass."""

from __future__ import annotations

import pytest

from sieve_inspect.measurement.model import Measurement
from sieve_inspect.measurement.options import Judging, Prior, quarter_turned
from sieve_inspect.measurement.pipeline import measure_array
from sieve_inspect.summary.fields import FieldScatter
from sieve_inspect.summary.uncertainty import Contribution
from sieve_inspect.synthetic import Cloth, Sensor, render

# Openings of 14.2 px along the picture's horizontal and 14.8 px along its vertical.
PICTURE = render(
    Cloth(14.2, 9.5, aperture_y_px=14.8, sd_px=0.2, rotation_deg=3, seed=4),
    sensor=Sensor(noise=0.01, seed=4),
    shape=(300, 320),
)


@pytest.mark.parametrize(
    ("degrees", "quarter"),
    [(0, False), (44, False), (46, True), (90, True), (134, True), (136, False), (180, False),
     (-90, True), (270, True), (-30, False), (360, False)],
)  # fmt: skip
def test_a_turn_beyond_45_degrees_swaps_the_directions(degrees: float, quarter: bool) -> None:
    assert quarter_turned(degrees) is quarter


def _measured(turned_deg: float) -> Measurement:
    scatter = FieldScatter(0.3, 9), FieldScatter(0.6, 9)
    study = [Contribution("reproducibility", "y", 0.5)]
    return measure_array(
        PICTURE.image,
        nominal_um=145,
        um_per_px=10.0,
        encoding="srgb",
        judging=Judging("iso3310-1:2016"),
        prior=Prior(study, scatter=scatter, turned_deg=turned_deg),
    )


def test_a_sieve_turned_by_a_quarter_keeps_its_directions() -> None:
    plain, turned = _measured(2.0), _measured(-88.0)
    (x, y), (along, up) = plain.directions, turned.directions
    assert y.mean_um - x.mean_um == pytest.approx(6.0, abs=0.6)
    assert (along.mean_um, up.mean_um) == (y.mean_um, x.mean_um)
    rows = plain.apertures()["width_y_um"].dropna()
    assert turned.apertures()["width_x_um"].dropna().tolist() == rows.tolist()
    # What is known of the sieve before goes by the label too.
    for measurement in (plain, turned):
        lines = {(line.name, line.direction): line.value_um for line in measurement.budget}
        assert lines["between fields (earlier checks)", "x"] == pytest.approx(0.3)
        assert lines["between fields (earlier checks)", "y"] == pytest.approx(0.6)
        assert ("reproducibility", "y") in lines
        assert ("reproducibility", "x") not in lines
    verdict = turned.verdict
    assert verdict is not None
    means = {row.direction: row.value_um for row in verdict.margins if row.name == "mean"}
    assert means == {"x": along.mean_um, "y": up.mean_um}
    assert turned.to_dict()["turned_deg"] == -88.0
