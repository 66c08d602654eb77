"""Directions go by the label of the sieve, whichever way it lay on the glass."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from sieve_inspect.errors import UsageError
from sieve_inspect.identity.cloth_map import ClothMap
from sieve_inspect.identity.comparison import compare_maps
from sieve_inspect.measurement.label import exchanged_by_label
from sieve_inspect.measurement.model import Measurement
from sieve_inspect.measurement.options import Judging, Prior
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


@pytest.mark.parametrize("cloth", [-40, -10, 0, 10, 40])
@pytest.mark.parametrize("turned", [0, 20, 44, 46, 50, 90, 135, 180, 270, -30, -90, 360])
def test_directions_stay_however_the_sieve_is_turned(cloth: int, turned: int) -> None:
    # Cloth at an angle to the label shows at cloth + turned, measured within 45° of horizontal;
    # each quarter turn on the way back makes the picture's x the cloth's y.
    shown = cloth + turned
    seen = (shown + 45) % 90 - 45
    quarters = (shown - seen) // 90
    assert exchanged_by_label([seen], turned, [False]) == (bool(quarters % 2),)


def test_fields_on_both_sides_of_45_degrees_keep_the_directions_of_the_first() -> None:
    alone = [False, None, None]
    assert exchanged_by_label([44.0, -44.5, 43.0], 0, alone) == (False, True, False)
    assert exchanged_by_label([-44.5, 44.0], 44, alone[:2]) == (True, False)
    # What an overlap shows goes before.
    assert exchanged_by_label([3.0, 4.0], 0, [False, True]) == (False, True)


def test_a_turn_is_a_number() -> None:
    with pytest.raises(UsageError, match="an angle in degrees"):
        Prior(turned_deg=float("nan"))


def test_cloth_askew_to_its_label_keeps_its_directions_at_40_degrees() -> None:
    # The cloth lies 10° to the label, the label 40° in the picture: the lattice at 50° is read as
    # -40°, along the cloth's y, although the label is turned by less than 45°.
    picture = render(
        Cloth(14.2, 9.5, aperture_y_px=14.8, sd_px=0.2, rotation_deg=50, seed=4),
        sensor=Sensor(noise=0.01, seed=4),
        shape=(240, 260),
    )
    m = measure_array(
        picture.image, nominal_um=145, um_per_px=10, encoding="srgb", prior=Prior(turned_deg=40)
    )
    assert m.to_dict()["angle_deg"] == pytest.approx(-40, abs=0.1)
    assert m.exchanged == (True,)
    x, y = m.directions
    assert y.mean_um - x.mean_um == pytest.approx(6.0, abs=0.6)


def _measured(
    turned_deg: float,
    image: NDArray[np.generic] = PICTURE.image,
    by_cloth: Callable[[Sequence[ClothMap]], Sequence[bool | None]] | None = None,
) -> Measurement:
    scatter = FieldScatter(0.3, 9), FieldScatter(0.6, 9)
    study = [Contribution("reproducibility", "y", 0.5)]
    return measure_array(
        image,
        nominal_um=145,
        um_per_px=10.0,
        encoding="srgb",
        judging=Judging("iso3310-1:2016"),
        prior=Prior(study, scatter=scatter, turned_deg=turned_deg, by_cloth=by_cloth),
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


def test_a_quarter_turned_scan_has_the_figures_of_the_unturned_by_its_cloth() -> None:
    """The same pixels, rotated by a quarter and no turn stated: the cloth gives x and y back."""
    cloth = Cloth(14.2, 9.5, aperture_y_px=14.8, sd_px=0.3, rotation_deg=3, seed=5)
    image = render(cloth, sensor=Sensor(noise=0.01, seed=5), shape=(440, 450)).image
    first = _measured(0.0, image)
    assert first.directions[1].mean_um > first.directions[0].mean_um + 5

    def by_cloth(maps: Sequence[ClothMap]) -> list[bool | None]:
        match = compare_maps(first.cloth_maps()[0], maps[0])
        assert match.aligned is not None
        return [match.aligned.overlap.place.turn.swaps]

    again = _measured(0.0, np.rot90(image), by_cloth)
    for own, before in zip(again.directions, first.directions, strict=True):
        assert own.mean_um == pytest.approx(before.mean_um, abs=0.02)
        assert own.sd_um == pytest.approx(before.sd_um, abs=0.02)
        assert own.U_mean_um == pytest.approx(before.U_mean_um, rel=0.01)
    assert (first.against_label, again.against_label) == ((False,), (True,))
    assert again.to_dict()["images"][0]["turned_by_cloth"] is True
    lines = {(line.name, line.direction): line.value_um for line in again.budget}
    assert lines["between fields (earlier checks)", "y"] == pytest.approx(0.6)
    # The map that is kept shows the cloth as the first one does.
    match = compare_maps(first.cloth_maps()[0], again.cloth_maps()[0])
    assert match.aligned is not None
    assert not match.aligned.overlap.place.turn.swaps
