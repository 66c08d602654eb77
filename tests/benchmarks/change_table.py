"""Changes of drawn cloth against their truth: coverage of U under unlike scale, blur and light.

    python tests/benchmarks/change_table.py scans|device|devices 100 [FIRST]

draws so many pairs of pictures of one cloth of 75 um, worn by 0 to 0.6 um between them, of about
1,000 common apertures, each picture with its own angle, blur, noise, light and encoding, and prints
how often the truth lies within U, the largest U, and the false changes among all openings.

* `scans`: each picture with its own resolution; edge bias and lamp are known exactly.
* `device`: one device and lamp, whose edge bias (up to 0.05 px an edge) and glow (up to 1 % of a
  wire) nobody knows; its scale was made anew between the pictures, either up to 0.3 % wrong.
* `devices`: two of them, unlike in resolution, edge bias, glow and scale, and a reference cloth.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace

import numpy as np

import sieve_inspect as si
from sieve_inspect.illumination.model import NOT_STATED, Illumination, LightKnown
from sieve_inspect.measurement.comparing import compare_measurements
from sieve_inspect.scale.model import exact_scale, scale_from_text
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


@dataclass(frozen=True)
class Device:
    """How a device draws: true and typed um per px, edge bias in px, glow as a share of a wire."""

    um_per_px: float
    typed: float
    bias_px: float = 0.0
    glow: float = 0.0
    exact: bool = False

    @classmethod
    def unknown(cls, rng: np.random.Generator) -> Device:
        """A device of which only a wrong scale is known."""
        unit = float(rng.uniform(4.2, 6.4))
        bias, glow = float(rng.uniform(-0.05, 0.05)), float(rng.uniform(0, 0.01))
        return cls(unit, unit * float(rng.uniform(0.997, 1.003)), bias, glow)

    def again(self, rng: np.random.Generator) -> Device:
        """The same with its scale made anew."""
        return replace(self, typed=self.um_per_px * float(rng.uniform(0.997, 1.003)))


def devices(case: str, rng: np.random.Generator) -> tuple[Device, Device]:
    """The devices before and after."""
    if case == "scans":
        units = (float(rng.uniform(4.2, 6.4)) for _ in range(2))
        first, second = (Device(unit, unit, exact=True) for unit in units)
        return first, second
    first = Device.unknown(rng)
    return first, first.again(rng) if case == "device" else Device.unknown(rng)


def pair(case: str, number: int) -> Pair:
    """Draw, measure and compare the pair of that number."""
    rng = np.random.default_rng([75, number])
    wear, made = float(rng.uniform(0, 0.6)), devices(case, rng)
    quarters = int(rng.integers(0, 2))
    before, after = (
        _measured(rng, number, worn, device, quarters if case != "scans" else None)
        for worn, device in zip((0.0, wear), made, strict=True)
    )
    reference = None
    if case == "devices":
        unworn = [_measured(rng, 10_000 + number, 0.0, device, quarters) for device in made]
        reference = (unworn[0], unworn[1])
    result = compare_measurements(before, after, same_device=case == "device", reference=reference)
    assert result.same_cloth
    assert result.changes is not None
    x, y = result.changes.directions
    return Pair(
        (x.mean_um - wear, y.mean_um - wear),
        (x.U_um, y.U_um),
        len(result.changed),
        result.match.common,
    )


def _measured(
    rng: np.random.Generator, seed: int, wear_um: float, device: Device, quarters: int | None
) -> si.Measurement:
    unit, side = device.um_per_px, int(SIDE_UM / device.um_per_px)
    wire = WIRE_UM - wear_um
    shown = 2 * device.bias_px * unit + device.glow * wire
    quarters = int(rng.integers(0, 2)) if quarters is None else quarters
    cloth = Cloth(
        (APERTURE_UM + wear_um + shown) / unit,
        (wire - shown) / unit,
        sd_px=SD_UM / unit,
        weave=Weave(0.5 / unit, 10, 0.2 / unit, 0.5 / unit, 30),
        rotation_deg=float(rng.uniform(-8, 8) + 90 * quarters),
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
    known = exact_scale(unit, unit) if device.exact else scale_from_text(f"{device.typed}")
    return si.measure_array(
        drawn.image,
        nominal_um=75,
        scale=known,
        encoding="linear" if linear else "srgb",
        illumination=LAMP if device.exact else NOT_STATED,
    )


def main() -> None:
    """Print the table of the pairs."""
    case, count = sys.argv[1], int(sys.argv[2])
    first = int(sys.argv[3]) if len(sys.argv) > 3 else 0
    pairs = []
    for number in range(first, first + count):
        pairs.append(pair(case, number))
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
