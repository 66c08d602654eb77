"""Damage rows: faults drawn into the cloth, and how many of them the measurement reports."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from sieve_inspect.arrays import Bool, Index
from sieve_inspect.synthetic import Cloth, Damage, Light, Optics, Ring, Sensor, Truth
from sieve_inspect.validation.accuracy import measured_case
from sieve_inspect.validation.comparison import Compared
from sieve_inspect.validation.drawing import UM_PER_PX, Case
from sieve_inspect.validation.model import Group, Row

_AT_LEAST = {"blocked_found": 0.97, "missing_found": 1.0, "broken_found": 1.0}
_AT_MOST = {
    "blocked_false": 0.001,
    "torn_false": 0.001,
    "max_error_x_px": 0.3,
    "max_error_y_px": 0.3,
    "invented": 0.0,
}
_NO_DAMAGE = Damage()
_EVERYTHING = Damage(
    blocked=40,
    dust=20,
    fibres=1,
    missing=3,
    missing_length=2,
    broken=3,
    displaced=3,
    displaced_px=2.5,
)


def _case(name: str, tried: str, aperture: float, damage: Damage, seed: int, **more: Any) -> Case:
    """A case with `more` of its fields set."""
    cloth = Cloth(
        aperture + 0.137,
        0.65 * aperture,
        sd_px=0.03 * aperture,
        rotation_deg=4,
        damage=damage,
        seed=seed,
    )
    given = {"sensor": Sensor(noise=0.01, seed=seed), "shape": (760, 1000), **more}
    return Case(name, tried, cloth, **given)


def damage_cases() -> list[Case]:
    """Blocked, torn and displaced, from small apertures to coarse apertures and on poor scans."""
    every = "all kinds of damage"
    fewer = replace(_EVERYTHING, blocked=20, dust=12, missing=2, broken=2, displaced=2)
    blocked = Damage(blocked=60, blocked_share=(0.3, 1.0))
    tears = Damage(missing=6, missing_length=3, broken=6)
    pushed = Damage(displaced=4, displaced_px=4.0, dust=30)
    noisy, out_of_focus = Sensor(noise=0.04, seed=8), Optics("disc", 1.5)
    return [
        _case("damage-8", f"{every}, aperture 8 px", 8, _EVERYTHING, 801, shape=(420, 560)),
        _case("damage-14", f"{every}, aperture 14 px", 14, _EVERYTHING, 802),
        _case("damage-28", f"{every}, aperture 28 px", 28, fewer, 803),
        _case("blocked-14", "60 blocked, three tenths of an aperture to all", 14, blocked, 804),
        _case("torn-14", "6 wires missing over 3 apertures, 6 broken", 14, tears, 805),
        _case("displaced-14", "4 wires 4 px aside, dust", 14, pushed, 806),
        _case(
            "damage-noise", f"{every}, noise 4 %", 14, _EVERYTHING, 807, sensor=noisy, quick=True
        ),
        _case(
            "damage-disc",
            f"{every}, disc blur, falloff",
            14,
            _EVERYTHING,
            808,
            optics=out_of_focus,
            light=Light(falloff=0.3),
        ),
        _case(
            "damage-reversed", f"{every}, light from above", 14, tears, 809, light=Light.reversed()
        ),
    ]


def sieve_case(
    openings: float,
    ring: tuple[float, float, float],
    surround: float,
    *,
    wire: float,
    damage: Damage = _NO_DAMAGE,
    side: int = 500,
    aside: tuple[float, float] = (4.3, -3.1),
) -> Case:
    """A sieve in its ring, `openings` pitches across, in a square picture of `side` px.

    `ring` is the cloth's radius and the ring's width as shares of half the side, and its level;
    `surround` the level around it; `wire` the wire as a share of the pitch, `aside` px how far
    the ring's middle lies off the picture's.
    """
    radius, width, level = ring[0] * side / 2, ring[1] * side / 2, ring[2]
    pitch = 2 * radius / openings
    middle = (side - 1) / 2
    around = Ring(radius, width, level, surround, (middle + aside[0], middle + aside[1]))
    cloth = Cloth(
        (1 - wire) * pitch,
        wire * pitch,
        sd_px=0.012 * pitch,
        rotation_deg=3.0 + openings % 7,
        offset_px=(0.21 * pitch, -0.33 * pitch),
        damage=damage,
        ring=around,
        seed=int(900 + openings),
    )
    tried = (
        f"{openings:g} openings across in a ring of {width / pitch:.2f} pitches, ring {level:g}, "
        f"surround {surround:g} of full light, openings 0.8"
    )
    sensor = Sensor(noise=0.006, seed=int(openings))
    return Case(f"ring-{openings:g}", tried, cloth, sensor=sensor, shape=(side, side))


def ring_cases() -> list[Case]:
    """Coarse sieves in their ring, from 63 mm to 1 mm, with damage where there is room for it."""
    some, more = Damage(blocked=2, missing=1, broken=1), Damage(blocked=6, missing=3, broken=3)
    return [
        sieve_case(4, (0.95, 0.03, 0.10), 0.80, wire=0.08),
        sieve_case(5, (0.90, 0.05, 0.80), 0.30, wire=0.10),
        sieve_case(8, (0.93, 0.04, 0.30), 0.95, wire=0.12, damage=some),
        sieve_case(12, (0.92, 0.08, 0.80), 0.80, wire=0.12, damage=some),
        sieve_case(21, (0.94, 0.05, 0.03), 0.60, wire=0.20, damage=more),
        sieve_case(25, (0.95, 0.06, 0.40), 0.20, wire=0.22, damage=more, aside=(90.0, -70.0)),
        sieve_case(40, (0.91, 0.03, 0.15), 0.75, wire=0.26, damage=more, side=640),
        sieve_case(70, (0.93, 0.07, 0.50), 0.02, wire=0.33, damage=more, side=900),
    ]


def damage_row(case: Case, folder: Path) -> Row:
    """Draw, measure, and count. Raises what `measure` raises."""
    drawn, measurement, compared = measured_case(case, folder)
    truth = compared.truth
    blocked = truth.complete & (truth.state == "blocked")
    missing, broken = (
        [_called_torn(compared, wire) for wire in wires]
        for wires in _torn_wires(truth, case.cloth.damage)
    )
    maxima = [d.max_um / UM_PER_PX for d in measurement.directions]
    # The widest opening counts even with a grain of dust in its corner, if it was measured.
    widest = truth.sound | (compared.measured & truth.complete & (truth.state == "ok"))
    largest = [float(compared.width[widest, axis].max()) for axis in (0, 1)]
    error = np.abs(compared.error[compared.measured & truth.complete])
    figures = {
        "blocked_found": _share(compared.state == "blocked", blocked),
        "blocked_false": _share(compared.state == "blocked", truth.sound),
        "torn_false": _share(compared.state == "torn", truth.sound),
        "torn_found": _share(compared.state == "torn", truth.complete & (truth.state == "torn")),
        "max_error_x_px": maxima[0] - largest[0],
        "max_error_y_px": maxima[1] - largest[1],
        "missing_found": float(np.mean(missing)) if missing else None,
        "broken_found": float(np.mean(broken)) if broken else None,
        "coverage": compared.coverage,
        "worst_px": float(error.max()),
        "false": float(compared.false_count),
    }
    if case.cloth.ring is not None:
        figures["invented"] = float(compared.invented_count)
    return Row(
        group=Group.DAMAGE,
        name=case.name,
        tried=case.tried,
        truth=(
            f"{int(blocked.sum())} blocked, {len(missing)} wires missing, {len(broken)} "
            f"broken, "
            f"{int(truth.displaced.sum())} beside a displaced wire, "
            f"largest {largest[0]:.2f}, {largest[1]:.2f} px, of {int(truth.complete.sum())}"
        ),
        result=(
            f"blocked found {_percent(figures['blocked_found'])}, "
            f"falsely {_percent(figures['blocked_false'])}; "
            f"missing wires found {sum(missing)} of {len(missing)}, broken {sum(broken)} of "
            f"{len(broken)}, torn falsely {_percent(figures['torn_false'])}; {_invented(figures)}"
            f"largest {maxima[0]:.2f}, {maxima[1]:.2f} px"
        ),
        limit="blocked found ≥ 97 %, falsely ≤ 0.1 %; every missing and broken wire found, torn "
        "falsely ≤ 0.1 %, none invented along a ring; largest within 0.3 px",
        holds=_holds(figures),
        figures=figures,
        pixels_sha256=(drawn.sha256,),
    )


def _holds(figures: Mapping[str, float | None]) -> bool:
    """Whether a damage row keeps its limits; None is a kind of damage that was not drawn."""
    shares = {name: figures[name] for name in _AT_LEAST}
    enough = all(v is None or v >= _AT_LEAST[name] for name, v in shares.items())
    return enough and all(abs(figures.get(n) or 0.0) <= limit for n, limit in _AT_MOST.items())


def _invented(figures: Mapping[str, float | None]) -> str:
    count = figures.get("invented")
    return "" if count is None else f"{count:.0f} invented along the ring; "


def _share(what: Bool, among: Bool) -> float | None:
    return float(what[among].mean()) if among.any() else None


def _percent(share: float | None) -> str:
    return "–" if share is None else f"{100 * share:.1f} %"


def _called_torn(compared: Compared, wire: Index) -> bool:
    return bool((compared.state[wire] == "torn").any())


def _torn_wires(truth: Truth, damage: Damage) -> tuple[list[Index], list[Index]]:
    """The torn apertures of each missing piece of wire, and of each broken wire.

    Apertures of one fault touch each other on the lattice: two for a broken wire, more for a
    missing piece. With only one kind drawn, all are of that kind. Of a piece cut by the border
    fewer apertures are whole, and it counts by their number.
    """
    from scipy.sparse.csgraph import connected_components

    torn = np.flatnonzero(truth.complete & (truth.state == "torn"))
    if not len(torn):
        return [], []
    row, col = truth.row[torn], truth.col[torn]
    apart = np.maximum(np.abs(row[:, None] - row), np.abs(col[:, None] - col))
    count, label = connected_components(apart <= 1, directed=False)
    groups = [torn[label == k] for k in range(count)]
    if not damage.broken:
        return groups, []
    if not damage.missing:
        return [], groups
    return [g for g in groups if len(g) > 2], [g for g in groups if len(g) <= 2]
