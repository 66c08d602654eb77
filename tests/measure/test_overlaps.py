"""Fields that overlap: each aperture counts once, in the mean and in its uncertainty."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image

import sieve_inspect as si
from sieve_inspect.synthetic import Cloth, Sensor, Weave, render

UNIT = 10.0  # um per px, cloth of 150 um
CLOTH = Cloth(
    15.0, 10.0, aperture_y_px=15.4, sd_px=0.4, weave=Weave(0.1, 10, 0.03), rotation_deg=1, seed=61
)


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> dict[str, si.Measurement]:
    """A field alone, and with another that shows half of it, turned by a quarter."""
    folder = tmp_path_factory.mktemp("overlaps")
    image = np.asarray(render(CLOTH, sensor=Sensor(noise=0.004, seed=1), shape=(520, 400)).image)
    fields = {"first": image[:420], "second": np.rot90(image[100:])}
    paths = []
    for name, pixels in fields.items():
        paths.append(folder / f"{name}.png")
        Image.fromarray(pixels).save(paths[-1])
    options = {"nominal_um": 150, "um_per_px": UNIT, "encoding": "srgb"}
    return {
        "one": si.measure(paths[0], **options),  # type: ignore[arg-type]
        "both": si.measure(paths, **options),  # type: ignore[arg-type]
    }


def test_common_apertures_count_in_the_first_field(
    measured: dict[str, si.Measurement],
) -> None:
    both = measured["both"]
    first, second = both.to_dict()["images"]
    assert (first["overlap"], first["shared"]) == (0, [])
    # 320 px of height are in both, 12 rows of 25 px with 15 columns; the border cuts some.
    assert 150 < second["overlap"] <= 13 * 15
    (shared,) = second["shared"]
    assert (shared["image"], shared["apertures"]) == (1, second["overlap"])
    assert shared["p_false_match"] < 1e-6
    for direction in both.directions:
        assert direction.count == both.count("ok") - second["overlap"]


def test_a_field_turned_by_a_quarter_has_its_directions_as_the_first(
    measured: dict[str, si.Measurement],
) -> None:
    assert measured["both"].exchanged == (False, True)
    # A fifth of the rows is in the second field alone. Their columns go on, and with them x; as x
    # and y of the picture it would move by a fifth of the 4 um between both.
    one, both = (measured[name].directions[0].mean_um for name in ("one", "both"))
    assert both == pytest.approx(one, abs=0.3)


def test_what_is_shown_again_is_said_and_is_no_further_field(
    measured: dict[str, si.Measurement],
) -> None:
    both = measured["both"]
    repeated = both.to_dict()["images"][1]["overlap"]
    (sentence,) = both.repeated
    assert sentence.startswith(f"{repeated} of ")
    assert "apertures of second.png are those of an earlier scan" in sentence
    verdict = both.judge("iso3310-1:2016")
    assert sentence in verdict.reasons
    # Most of the second field is in the first.
    assert any("fields 1 of " in reason for reason in verdict.reasons)


def test_one_field_has_no_overlap(measured: dict[str, si.Measurement]) -> None:
    (entry,) = measured["one"].to_dict()["images"]
    assert entry["overlap"] == 0
    assert measured["one"].directions[0].count == measured["one"].count("ok")
