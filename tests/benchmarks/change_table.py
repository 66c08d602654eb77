"""Changes of drawn cloth against their truth: coverage of U under unlike scale, blur and light.

    python tests/benchmarks/change_table.py 100 [FIRST]

draws so many pairs of pictures of one cloth of 75 um, worn by 0 to 0.6 um between them, of about
1,000 common apertures, each picture with its own scale, angle, blur, noise, light and encoding, and
prints how often the truth lies within U, the largest U, and the false changes among all openings.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np

import sieve_inspect as si
from sieve_inspect.illumination.model import Illumination, LightKnown
from sieve_inspect.measurement.comparing import compare
from sieve_inspect.scale.model import exact_scale
from sieve_inspect.synthetic import Cloth, Light, Optics, Sensor, Weave, render

APERTURE_UM, WIRE_UM, SD_UM = 75.0, 50.0, 2.2
SIDE_UM = 4600.0
# Flat bands have no glow, known exactly.
LAMP = Illumination(
    LightKnown.REFERENCE, (0.0, 0.0), (0.0, 0.0), (0.0, 0.0), (0.0, 0.0), source="drawn bands"
)
OPTICS = (
    Optics(size_px=0.8),
    Optics(size_px=1.1),
    Optics(size_px=1.5),
    Optics("disc", 1.4),
    Optics("glare", 6.0, 0.1, 0.9),
)


@dataclass(frozen=True)
class Pair:
    """Error and U of the mean change, um; openings called changed, and those in common."""

    error: tuple[float, float]
    u: tuple[float, float]
    changed: int
    common: int


def pair(number: int) -> Pair:
    """Draw, measure and compare the pair of that number."""
    rng = np.random.default_rng([75, number])
    wear = float(rng.uniform(0, 0.6))
    measured = [_measured(rng, number, worn) for worn in (0.0, wear)]
    result = compare(*measured)
    assert result.same_cloth
    assert result.changes is not None
    x, y = result.changes.directions
    return Pair(
        (x.mean_um - wear, y.mean_um - wear),
        (x.U_um, y.U_um),
        len(result.changed),
        result.match.common,
    )


def _measured(rng: np.random.Generator, seed: int, wear_um: float) -> si.Measurement:
    unit = float(rng.uniform(4.2, 6.4))
    side = int(SIDE_UM / unit)
    cloth = Cloth(
        (APERTURE_UM + wear_um) / unit,
        (WIRE_UM - wear_um) / unit,
        sd_px=SD_UM / unit,
        weave=Weave(0.5 / unit, 10, 0.2 / unit, 0.5 / unit, 30),
        rotation_deg=float(rng.uniform(-8, 8) + 90 * rng.integers(0, 2)),
        offset_px=(float(rng.uniform(-20, 20)), float(rng.uniform(-20, 20))),
        seed=seed,
    )
    linear = bool(rng.integers(0, 2))
    drawn = render(
        cloth,
        OPTICS[rng.integers(len(OPTICS))],
        Sensor(
            noise=float(rng.uniform(0.003, 0.012)),
            bits=16 if linear else 8,
            encoding="linear" if linear else "srgb",
            seed=int(rng.integers(1 << 30)),
        ),
        (side, side),
        light=Light(float(rng.uniform(0.6, 0.85)), 0.05, falloff=float(rng.uniform(0, 0.3))),
    )
    return si.measure_array(
        drawn.image,
        nominal_um=75,
        scale=exact_scale(unit, unit),
        encoding="linear" if linear else "srgb",
        illumination=LAMP,
    )


def main() -> None:
    """Print the table of the pairs."""
    count, first = int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 0
    pairs = []
    for number in range(first, first + count):
        pairs.append(pair(number))
        p = pairs[-1]
        print(number, p.common, *(f"{e:+.3f}/{u:.3f}" for e, u in zip(p.error, p.u, strict=True)),
              p.changed, flush=True)  # fmt: skip
    error, u = np.array([p.error for p in pairs]), np.array([p.u for p in pairs])
    print(f"pairs {count}, common apertures {np.mean([p.common for p in pairs]):.0f}")
    print(f"error: mean {error.mean():+.4f}, standard deviation {error.std():.4f} um")
    print(f"U: {u.min():.3f} to {u.max():.3f}, coverage {100 * (np.abs(error) <= u).mean():.1f} %")
    print(f"changed apertures: {sum(p.changed for p in pairs)} of {sum(p.common for p in pairs)}")


if __name__ == "__main__":
    main()
