"""One case per outcome and action, as a metrologist would work them on paper.

The sieve is 75 um by ISO 3310-1:2016: mean within 71.3 to 78.7 um, no aperture above 101 um,
s at most 9.1 um. U = 2u (k = 2). Outcomes and bands: ILAC-G8:09/2019.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from sieve_inspect.errors import UsageError
from sieve_inspect.illumination.model import Illumination
from sieve_inspect.measurement.options import Judging
from sieve_inspect.measurement.pipeline import measure
from sieve_inspect.scale.model import load_scale
from sieve_inspect.standard import Limits, limits
from sieve_inspect.summary.uncertainty import BudgetSource, Contribution, Quantity, combine
from sieve_inspect.verdict import ClothState, Outcome, Verdict, judge, worst
from sound_direction import SOUND

ISO_75 = limits(75, "iso3310-1:2016")


def verdict(
    *, by: Limits = ISO_75, fit: str = "ok", also: dict[str, Any] | None = None, **y: float
) -> Verdict:
    """Direction x is sound; direction y differs by the keywords."""
    changes: dict[str, Any] = {**y}
    return judge(SOUND, replace(SOUND, **changes), by, fit=fit, **(also or {}))


def test_a_sound_sieve_passes_and_is_kept() -> None:
    result = verdict()
    assert (result.outcome, result.action) == ("pass", "keep")
    assert result.reasons == (
        "both means are within ±3.7 um of 75 um, no aperture measured is above 101 um, "
        "both standard deviations are at most 9.1 um, each by at least its uncertainty.",
    )


@pytest.mark.parametrize(
    ("mean", "outcome"),
    [
        (78.3, "pass"),  # at the acceptance limit 78.7 − 0.4
        (78.31, "conditional pass"),
        (78.7, "conditional pass"),  # at the tolerance limit
        (78.71, "conditional fail"),
        (79.1, "conditional fail"),  # 78.7 + 0.4
        (79.11, "fail"),
        (71.7, "pass"),  # 71.3 + 0.4
        (71.69, "conditional pass"),
        (71.3, "conditional pass"),
        (71.29, "conditional fail"),
        (70.9, "conditional fail"),
        (70.89, "fail"),
    ],
)
def test_the_bands_of_the_mean(mean: float, outcome: str) -> None:
    assert verdict(mean_um=mean).outcome == outcome


@pytest.mark.parametrize(
    ("largest", "outcome"),
    [
        (99.0, "pass"),
        (99.1, "conditional pass"),
        (101.0, "conditional pass"),
        (101.1, "conditional fail"),
        (103.0, "conditional fail"),
        (103.1, "fail"),
    ],
)
def test_the_bands_of_the_largest_aperture(largest: float, outcome: str) -> None:
    assert verdict(max_um=largest).outcome == outcome


@pytest.mark.parametrize(
    ("s", "outcome"),
    [
        (0.0, "pass"),  # one-sided: nothing is too even
        (8.5, "pass"),
        (8.6, "conditional pass"),
        (9.1, "conditional pass"),
        (9.2, "conditional fail"),
        (9.7, "conditional fail"),
        (9.8, "fail"),
    ],
)
def test_the_bands_of_the_standard_deviation(s: float, outcome: str) -> None:
    assert verdict(sd_um=s).outcome == outcome


def test_either_direction_can_fail_the_sieve() -> None:
    bad = replace(SOUND, mean_um=80.0)
    assert judge(bad, SOUND, ISO_75, fit="ok").outcome == "fail"
    assert judge(SOUND, bad, ISO_75, fit="ok").outcome == "fail"
    # Not the mean of both: 70 and 80 average to nominal.
    low = replace(SOUND, mean_um=70.0)
    assert judge(low, bad, ISO_75, fit="ok").outcome == "fail"


def test_a_fail_proposes_retiring_and_leaves_the_decision() -> None:
    result = verdict(mean_um=78.9, u_mean_um=0.05)
    assert (result.outcome, result.action) == ("fail", "retire")
    assert result.reasons == ("mean in y is 78.90 um, 3.90 um over nominal; allowed is ±3.7 um.",)
    assert result.action_reason == (
        "Proposed: take it out of use, it is outside its limits. You decide."
    )


def test_another_size_of_the_table_is_named_before_retiring() -> None:
    ninety = limits(90, "iso3310-1:2016")  # ±4.2 um; 80 um has ±3.9 um
    cloth = replace(SOUND, mean_um=79.7)
    result = judge(cloth, replace(cloth, mean_um=80.4), ninety, fit="ok")
    assert (result.outcome, result.action) == ("fail", "retire")
    assert result.reasons[-1] == (
        "the apertures are those of a sieve of 80 um: both means are within ±3.9 um of that."
    )
    assert result.action_reason == (
        "Proposed: read the label first, the apertures are those of 80 um. If the label reads "
        "80 um, check the sieve as 80 um; if 90 um, take it out of use. You decide."
    )


@pytest.mark.parametrize(
    ("x", "y"),
    [
        (79.7, 79.7),  # of 75 um: worn, and only 1.3 times as far off as is allowed
        (66.0, 84.0),  # one wider, one narrower: no size at all
        (86.0, 99.0),  # over 90 um ± 4.2 um in y
    ],
)
def test_wear_and_uneven_cloth_are_no_other_size(x: float, y: float) -> None:
    result = judge(replace(SOUND, mean_um=x), replace(SOUND, mean_um=y), ISO_75, fit="ok")
    assert result.outcome == "fail"
    assert "label" not in result.action_reason


def test_a_conditional_outcome_names_what_would_help_and_how_much() -> None:
    result = verdict(mean_um=78.5)
    assert (result.outcome, result.action) == ("conditional pass", "measure better")
    assert result.reasons == (
        "mean in y is 78.5 um, 3.5 um over nominal; allowed is ±3.7 um; "
        "that is inside, but by less than the uncertainty of ±0.4 um.",
    )
    assert "certified scale artefact" in result.action_reason
    assert "below ±0.20 um" in result.action_reason
    # And so it does.
    assert verdict(mean_um=78.5, u_mean_um=0.1).outcome == "pass"


def test_help_fits_what_is_undecided() -> None:
    assert "more apertures" in verdict(sd_um=9.0).action_reason
    assert "higher magnification" in verdict(max_um=100.0).action_reason


def _helped(fields: int = 1, name: str = "mean", **lines: float) -> str:
    """The advice for 78.3 um in y, 0.4 um inside its limit, with these lines in its budget."""
    sources = {
        "sampling": BudgetSource.SAMPLING,
        "of_s": BudgetSource.SAMPLING,
        "scale": BudgetSource.SCALE,
        "bias": BudgetSource.SCALE,
        "reproducibility": BudgetSource.REPRODUCIBILITY,
    }
    of = Quantity.MEAN if name == "mean" else Quantity.DEVIATION
    budget = [
        Contribution(n, "y", u, of=of, source=sources.get(n, BudgetSource.IMAGING))
        for n, u in lines.items()
    ]
    u = combine(budget)
    also = {"budget": budget, "fields": fields}
    if name == "mean":
        result = verdict(mean_um=78.3, u_mean_um=u, also=also)
    else:
        result = verdict(sd_um=9.0, u_sd_um=u, also=also)
    assert result.outcome == "conditional pass"
    return result.action_reason


def test_more_fields_are_advised_where_sampling_is_most_of_it() -> None:
    # u may be 0.2 um: of 0.4² there are 0.15² by the rest, so (0.4² − 0.15²) / (0.2² − 0.15²)
    # is 7.9 times the fields.
    sampling = math.sqrt(0.4**2 - 0.15**2)
    assert "more fields (about 8 in all) or the whole cloth, until" in _helped(
        sampling=sampling, scale=0.15
    )
    assert "about 16 in all" in _helped(2, sampling=sampling, scale=0.15)
    assert "artefact" not in _helped(sampling=0.3, scale=0.01)
    assert "y, the whole cloth in one scan, until" in _helped(5, sampling=0.6, scale=0.1)
    # s: 0.1 um inside, so u has to come from 0.1 to 0.05 um: four times the fields.
    assert "more fields (about 4 in all)" in _helped(name="s", of_s=0.1)


def test_scale_picture_or_both_are_advised_where_they_are_most_of_it() -> None:
    assert "y, a scale from a certified artefact measured at the height" in _helped(
        scale=0.3, sampling=0.05
    )
    assert "y, sharper focus and a finer scan, until" in _helped(response=0.3, bias=0.1)
    both = _helped(sampling=0.4, bias=0.3)
    assert "y, more fields or the whole cloth, and a scale from a certified" in both
    alone = verdict(
        max_um=100.0, also={"budget": [Contribution("scale", "y", 1.0, source=BudgetSource.SCALE)]}
    )
    assert "certified artefact" in alone.action_reason  # an aperture has no sampling


def test_a_real_measurement_brings_its_budget_along() -> None:
    """One small field of a coarse cloth: nearly all of its U is sampling."""
    folder = Path(__file__).parents[2] / "demo_images"
    result = measure(
        [folder / "s0500-4a.png"],
        nominal_um=500.0,
        scale=load_scale(folder / "scanner-1200dpi.json"),
        judging=Judging("iso3310-1:2016"),
        illumination=Illumination.stated(4, 0),
    ).verdict
    assert result is not None
    assert result.outcome == "conditional pass"
    assert "for the mean in x, more fields or the whole cloth, and a scale" in result.action_reason
    assert "for the mean in y, more fields (about 3 in all) or the" in result.action_reason


def test_blocked_apertures_are_cleaned_before_anything_better() -> None:
    # Over 1 % of the open area: common practice, no source.
    for mean in (SOUND.mean_um, 78.5):
        result = verdict(also={"cloth": ClothState(0.023)}, mean_um=mean)
        assert result.action == "clean and recheck"
        assert "2.3 % of the open area is blocked" in result.action_reason
    assert verdict(also={"cloth": ClothState(0.01)}).action == "keep"


def test_a_fail_stays_a_fail_when_blocked_but_cleaning_is_named_first() -> None:
    result = verdict(mean_um=70.0, also={"cloth": ClothState(0.05)})
    assert (result.outcome, result.action) == ("fail", "retire")
    assert "clean it and measure again" in result.action_reason


def test_a_torn_aperture_retires_an_otherwise_sound_sieve() -> None:
    result = verdict(also={"cloth": ClothState(0.2, torn=1)})
    assert (result.outcome, result.action) == ("fail", "retire")
    assert result.reasons == ("1 aperture is torn.",)
    assert verdict(also={"cloth": ClothState(torn=1)}, fit="indicative").action == "retire"


@pytest.mark.parametrize(
    ("mean", "outcome"),
    [(75.0, "conditional pass"), (78.5, "conditional pass"), (90.0, "conditional fail")],
)
@pytest.mark.parametrize("rule", ["guard-band", "simple"])
def test_an_indicative_picture_decides_nothing(mean: float, outcome: str, rule: str) -> None:
    also = {"fit_reasons": ["4.8 px per aperture"], "rule": rule}
    result = verdict(mean_um=mean, fit="indicative", also=also)
    assert result.outcome == outcome
    assert result.action == "measure better"
    assert "the picture is only indicative: 4.8 px per aperture." in result.reasons
    assert "a better picture" in result.action_reason


def test_a_refused_picture_is_not_judged() -> None:
    with pytest.raises(UsageError, match="not judged"):
        verdict(fit="refused")


def test_the_simple_rule_knows_no_band() -> None:
    also = {"rule": "simple"}
    assert verdict(mean_um=78.7, also=also).outcome == "pass"
    assert verdict(mean_um=78.71, also=also).outcome == "fail"
    assert "uncertainty" not in verdict(also=also).reasons[0]


@pytest.mark.parametrize(
    "field", ["mean_um", "sd_um", "max_um", "u_mean_um", "u_sd_um", "u_max_um"]
)
@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("rule", ["guard-band", "simple"])
def test_what_is_not_known_never_passes(field: str, value: float, rule: str) -> None:
    unknown: dict[str, Any] = {field: value}
    result = verdict(also={"rule": rule}, **unknown)
    assert result.outcome == "conditional fail"
    assert result.action == "measure better"
    assert any("cannot be judged" in reason for reason in result.reasons)
    json.dumps(result.to_dict(), allow_nan=False)


def test_a_negative_uncertainty_is_no_uncertainty() -> None:
    assert verdict(u_mean_um=-0.1).outcome == "conditional fail"


def test_one_aperture_gives_no_standard_deviation() -> None:
    result = verdict(count=1, sd_um=0.0, u_sd_um=0.0)
    assert result.outcome == "conditional fail"
    assert "standard deviation in y cannot be judged: it needs at least 2" in result.reasons[0]
    assert "at least 2 apertures in y" in result.action_reason


def test_no_aperture_gives_nothing() -> None:
    assert verdict(count=0).outcome == "conditional fail"
    assert len(verdict(count=0).reasons) == 3


def test_blocking_that_is_not_known_is_not_taken_for_none() -> None:
    result = verdict(also={"cloth": ClothState(math.nan)})
    assert (result.outcome, result.action) == ("conditional fail", "measure better")


# 1990 edition, 2 mm: y 70, x 230, z 150 um, at most 6 % above 2.15 mm (Ph. Eur. 2.1.4, seen).
PHARMACOPOEIA = limits(2000, "iso3310-1:1990")
TWO_MM = replace(SOUND, mean_um=2000.0, sd_um=50.0, max_um=2200.0, u_mean_um=5.0, u_max_um=5.0)


@pytest.mark.parametrize(
    ("share", "outcome"), [(0.0, "pass"), (0.06, "pass"), (0.0601, "fail"), (1.0, "fail")]
)
def test_the_share_of_large_apertures(share: float, outcome: str) -> None:
    result = judge(
        TWO_MM, TWO_MM, PHARMACOPOEIA, fit="ok", cloth=ClothState(share_above_z=(0.0, share))
    )
    assert result.outcome == outcome
    assert result.shares[1].outcome == outcome


def test_the_sentence_on_the_share_keeps_the_side_of_its_limit() -> None:
    result = judge(
        TWO_MM, TWO_MM, PHARMACOPOEIA, fit="ok", cloth=ClothState(share_above_z=(0.0, 0.0601))
    )
    assert result.reasons == (
        "6.01 % of the apertures in y are above 2.15 mm; allowed is at most 6 %.",
    )


@pytest.mark.parametrize("above", [None, (0.0, math.nan)])
def test_a_share_not_given_never_passes(above: tuple[float, float] | None) -> None:
    result = judge(TWO_MM, TWO_MM, PHARMACOPOEIA, fit="ok", cloth=ClothState(share_above_z=above))
    assert (result.outcome, result.action) == ("conditional fail", "measure better")
    assert "was not given" in result.reasons[-1]
    json.dumps(result.to_dict(), allow_nan=False)


def test_a_share_does_not_matter_where_the_edition_has_no_z() -> None:
    result = verdict(also={"cloth": ClothState(share_above_z=(0.5, 0.5))})
    assert (result.outcome, result.shares) == ("pass", ())


def test_lengths_from_1_mm_are_written_in_mm() -> None:
    result = judge(
        TWO_MM,
        replace(TWO_MM, mean_um=2090.0),
        PHARMACOPOEIA,
        fit="ok",
        cloth=ClothState(share_above_z=(0.0, 0.0)),
    )
    assert result.reasons == ("mean in y is 2.090 mm, 0.090 mm over nominal; allowed is ±0.07 mm.",)


def test_no_sentence_rounds_a_value_across_its_limit() -> None:
    # With U = 0.4 one decimal would do, but 78.7 "outside ±3.7" would read as a mistake.
    assert "78.72 um, 3.72 um over" in verdict(mean_um=78.72).reasons[0]
    assert "101.04 um" in verdict(max_um=101.04).reasons[0]


def test_a_limit_met_exactly_in_decimals_is_met() -> None:
    # In binary 20 + 2.1 − 0.4 is a hair below 21.7 or above; on paper it is 21.7.
    result = judge(
        replace(SOUND, mean_um=21.7, max_um=29.0, sd_um=3.0),
        replace(SOUND, mean_um=18.3, max_um=29.0, sd_um=3.0),
        limits(20),
        fit="ok",
    )
    assert result.outcome == "pass"


def test_missing_counts_and_limits_are_named() -> None:
    inspection = limits(75, "astm-e11:2009", grade="inspection")
    result = verdict(by=inspection, count=40)
    assert result.outcome == "pass"
    assert any("40 apertures were measured in y" in reason for reason in result.reasons)
    coarse = limits(40_000)
    mm40 = replace(SOUND, mean_um=40_000.0, max_um=40_500.0)
    result = judge(mm40, mm40, coarse, fit="ok")
    assert result.outcome == "pass"
    assert any("standard deviation is not judged" in reason for reason in result.reasons)


def test_the_dictionary_carries_each_value_with_its_uncertainty_and_limits() -> None:
    data = verdict().to_dict()
    assert list(data) == [
        "standard", "grade", "rule", "outcome", "reasons", "action", "action_reason", "margins",
    ]  # fmt: skip
    assert data["margins"][3] == {
        "name": "mean",
        "direction": "y",
        "value_um": 75.2,
        "U_um": 0.4,
        "k": 2.0,
        "dof": None,
        "limit_low_um": 71.3,
        "limit_high_um": 78.7,
        "outcome": "pass",
        "p_conform": 1.0,
    }
    assert len(data["margins"]) == 6


@pytest.mark.parametrize(
    "wrong",
    [
        {"fit": "good"},
        {"also": {"rule": "generous"}},
        {"also": {"cloth": ClothState(torn=-1)}},
        {"also": {"cloth": ClothState(1.2)}},
        {"also": {"cloth": ClothState(-0.1)}},
        {"also": {"cloth": ClothState(share_above_z=(0.0, 6.0))}},
    ],
)
def test_misuse_is_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(UsageError) as caught:
        verdict(**wrong)
    assert caught.value.exit_code == 2


def test_the_order_of_outcomes() -> None:
    order = [Outcome(name) for name in ("pass", "conditional pass", "conditional fail", "fail")]
    for i, better in enumerate(order):
        for worse in order[i:]:
            assert worst([worse, better]) == worst([better, worse]) == worse
    assert worst([]) == "pass"
