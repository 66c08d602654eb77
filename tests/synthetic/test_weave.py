"""Cloth that varies along its wires, the same in pictures of any size."""

from __future__ import annotations

import numpy as np
import pytest

from sieve_inspect.errors import UsageError
from sieve_inspect.synthetic import Cloth, Weave
from sieve_inspect.synthetic.frame import frame_of
from sieve_inspect.synthetic.wires import Family, weave

CLOTH = Cloth(14.0, 9.0, sd_px=0.4, wire_sd_px=0.1, weave=Weave(0.3, 10, 0.1, 0.5, 40), seed=3)


def family(cloth: Cloth, shape: tuple[int, int]) -> Family:
    return weave(cloth, frame_of(cloth, shape), shape)[0]


def test_the_middle_is_the_same_in_a_larger_picture() -> None:
    small, large = family(CLOTH, (300, 300)), family(CLOTH, (900, 700))
    for name in ("centres", "widths"):
        few, many = (getattr(f, name)[len(f.centres) // 2 - 5 :][:10] for f in (small, large))
        np.testing.assert_allclose(few, many, atol=1e-9)
    few, many = (
        f.wander[len(f.centres) // 2 :, len(f.stations) // 2 :][:5, :5] for f in (small, large)
    )
    np.testing.assert_allclose(few, many, atol=1e-9)


def test_spread_and_memory_along_the_wire_are_as_stated() -> None:
    wander = family(CLOTH, (3000, 3000)).wander
    # Half the variance of a gap lies in each of its two wires.
    assert wander.std() == pytest.approx(np.hypot(0.3, 0.1) / np.sqrt(2), rel=0.05)
    slow = np.mean(wander[:, 1:] * wander[:, :-1])
    assert slow == pytest.approx(0.3**2 / 2, rel=0.1)  # knuckles have no memory
    far = np.mean(wander[:, 30:] * wander[:, :-30])
    assert abs(far) < 0.1 * slow


def test_the_season_is_in_the_gaps() -> None:
    plain = family(
        Cloth(14.0, 9.0, weave=Weave(season_px=0.5, season_length=40), seed=3), (900, 900)
    )
    gaps = np.diff(plain.centres) - 9.0
    assert gaps.max() - gaps.min() == pytest.approx(1.0, rel=0.01)
    np.testing.assert_allclose(gaps[40:], gaps[:-40], atol=1e-9)


def test_a_weave_that_cannot_be_drawn_is_refused() -> None:
    with pytest.raises(UsageError, match="drift_px cannot be negative"):
        Weave(drift_px=-1.0)
    with pytest.raises(UsageError, match="at least two wires"):
        Weave(season_length=1.0)
