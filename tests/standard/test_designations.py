"""Nominals as people write them. Designations: ASTM E11 as in the open library fluids."""

from __future__ import annotations

import pytest
from fluids.particle_size_distribution import ASTM_E11_sieves, Sieve
from hypothesis import given
from hypothesis import strategies as st

from sieve_inspect.errors import BadLengthError
from sieve_inspect.standard import (
    AmbiguousDesignationError,
    UnknownDesignationError,
    is_listed,
    resolve_nominal,
)


@pytest.mark.parametrize("sieve", ASTM_E11_sieves.values(), ids=lambda s: s.old_designation)
def test_every_published_designation(sieve: Sieve) -> None:
    expected = round(sieve.opening * 1e6, 6)
    assert sieve.old_designation is not None
    assert resolve_nominal(sieve.old_designation) == expected
    assert resolve_nominal(sieve.designation + " mm") == expected


@pytest.mark.parametrize(
    ("text", "um"),
    [
        ("75um", 75),
        ("75 µm", 75),
        ("0.075mm", 75),
        ("0,075 mm", 75),
        ("No. 200", 75),
        ("No 200", 75),
        ("no.200", 75),
        ("NO.200", 75),
        ("#200", 75),
        ("# 200", 75),
        ("No. 3 1/2", 5600),
        ("No. 3.5", 5600),
        ("3 1/2 in.", 90_000),
        ("3-1/2 in", 90_000),
        ("3½ in.", 90_000),
        ("3.5in", 90_000),
        ('3/8"', 9500),
        ("3/8 inch", 9500),
        ("0.375 in", 9500),
        ("1/4 in", 6300),  # a quarter of an inch is 6.35 mm; the sieve of that name has 6.3 mm
        (".530 in.", 13_200),
        ("1.00 in.", 25_000),
    ],
)
def test_ways_of_writing(text: str, um: float) -> None:
    assert resolve_nominal(text) == um


def test_a_published_inch_designation_is_the_sieve_not_the_length() -> None:
    assert resolve_nominal("3 in.") == 75_000  # 3 inches are 76.2 mm
    assert resolve_nominal("2.5 in") == resolve_nominal("2 1/2 in.") == 63_000  # 63.5 mm


def test_other_inch_sizes_and_metric_lengths_are_lengths() -> None:
    assert resolve_nominal("0.6 in") == 15_240
    assert resolve_nominal("3/10 in") == 7620
    assert resolve_nominal("76.2 mm") == 76_200


@pytest.mark.parametrize(
    ("text", "advice"),
    [
        ("No. 210", "No. 200 and No. 230"),
        ("No. 0", "No. 3 1/2 and No. 4"),
        ("#1000", "No. 500 and No. 635"),
        ("No. 3/0", "nearest"),
        ("200 mesh", "'No. 200'"),
        ("mesh 200", "wires per inch"),
    ],
)
def test_unpublished_numbers_are_refused_with_advice(text: str, advice: str) -> None:
    with pytest.raises(UnknownDesignationError, match=advice) as caught:
        resolve_nominal(text)
    assert caught.value.exit_code == 2


@pytest.mark.parametrize(
    "text",
    ["", "200", "0.075", "75", "in.", "-75um", "-3 in", "0 in", "3/0 in", "75 ум", "٧٥um", "1e3um"],
)
def test_what_is_no_length_is_refused(text: str) -> None:
    with pytest.raises(BadLengthError):
        resolve_nominal(text)


@pytest.mark.parametrize(
    ("text", "readings"),
    [
        ("200", "200 um or No. 200 (75 um)"),
        ("75", "75 um or 75 mm"),
        ("3", "3 mm or 3 in. (75 mm)"),
        ("3 1/2", "3 1/2 mm, No. 3 1/2 (5.6 mm) or 3 1/2 in. (90 mm)"),
        ("4", "4 mm, No. 4 (4.75 mm) or 4 in. (100 mm)"),
    ],
)
def test_a_bare_number_that_could_be_several_sieves_asks(text: str, readings: str) -> None:
    with pytest.raises(AmbiguousDesignationError) as caught:
        resolve_nominal(text)
    assert f"could mean {readings}. Write it with its unit" in str(caught.value)
    assert caught.value.exit_code == 2


@given(st.text(max_size=60))
def test_any_text_gives_a_positive_length_or_the_error(text: str) -> None:
    message = ""
    try:
        assert resolve_nominal(text) > 0
    except BadLengthError as error:
        message = str(error)
    assert len(message) < 400


@pytest.mark.parametrize(
    ("um", "listed"), [(75, True), (53, True), (77, False), (20, True), (125_000, True)]
)
def test_sizes_some_table_lists(um: float, listed: bool) -> None:
    """53 um is a size of ASTM E11 alone (ISO 565 R40/3), 77 um of none."""
    assert is_listed(um) is listed
