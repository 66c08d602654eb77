"""The tables of rules, and the comparison of widths with their neighbours, on made-up fits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sieve_inspect.apertures.fit_rules import (
    FIT_RULES,
    beside_displaced_wire,
    narrower_than_gap,
    neighbours,
)
from sieve_inspect.apertures.flags import Flag, State
from sieve_inspect.apertures.states import PIXEL_RULES, STATE_RULES
from sieve_inspect.edges.fit import EdgeFit
from sieve_inspect.edges.model import Parameter

COUNT = 7
GAP, WIRE = 10.0, 5.0
INDEX = neighbours(np.zeros(COUNT, np.intp), np.arange(COUNT))
GAPS = np.full((COUNT, 2), GAP)


def test_every_flag_is_set_by_a_rule() -> None:
    assert {flag for flag, _ in (*FIT_RULES, *PIXEL_RULES)} == set(Flag) - {Flag.NONE}


def test_every_state_but_ok_is_set_by_a_rule() -> None:
    assert {state for state, _ in STATE_RULES} == set(State) - {State.OK}


def fits(*changes: tuple[int, float]) -> list[EdgeFit]:
    """A row of openings 10 px wide, changed by so many px in x at some places."""
    blank = EdgeFit.blank(COUNT)
    out = []
    for axis in (0, 1):
        half = np.full(COUNT, 0.5 * GAP)
        for place, px in changes if axis == 0 else ():
            half[place] += 0.5 * px
        parameters = np.zeros_like(blank.parameters)
        parameters[:, Parameter.FIRST_EDGE], parameters[:, Parameter.SECOND_EDGE] = -half, half
        parameters[:, Parameter.EDGE_BEFORE] = -half - WIRE
        parameters[:, Parameter.EDGE_AFTER] = half + WIRE
        seen = np.ones_like(blank.wire_seen)
        out.append(replace(blank, parameters=parameters, wire_seen=seen))
    return out


def test_matter_on_a_wire_narrows_one_opening() -> None:
    narrow = narrower_than_gap(fits((3, -2.0)), GAPS, INDEX)
    assert np.flatnonzero(narrow).tolist() == [3]


def test_a_displaced_wire_takes_from_an_opening_what_the_next_gains() -> None:
    displaced = fits((3, -2.0), (4, 2.0))
    assert not narrower_than_gap(displaced, GAPS, INDEX).any()
    assert beside_displaced_wire(displaced, GAPS, INDEX)[3]


def test_a_narrow_opening_alone_is_not_explained_by_a_displaced_wire() -> None:
    explained = beside_displaced_wire(fits((3, -2.0)), GAPS, INDEX)
    assert np.flatnonzero(~explained).tolist() == [3]
