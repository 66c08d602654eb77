"""What shifts all widths of a scan alike, and what of it two scans of one cloth share.

An edge bias b (px on each edge) widens every opening by 2 b s, s um per px; a lamp by a share of
the wire beside it. Uniform wear does the same, so only what two scans share comes off:

    one device           one b, whatever the scales say    u = 2 u(b) |s₁ − s₂|
    two devices          two unknown b                     u = 2 √((u(b₁) s₁)² + (u(b₂) s₂)²)
    one device and lamp  one light, but for turn and blur  u = |g₁ − g₂| / √3   g: its correction
    two stated lamps     L₁, L₂ by the surface of the      u = √((L₁ − L₂)² + r₁² + r₂²)
                         wires, which is one; the rest r
    a reference cloth    scanned unworn on both devices: its change is what they differ by

Where one device was calibrated twice, by a line of certified width or a reference cloth, and both
results agree within their uncertainty, it is one bias and one lamp: the corrections are made alike.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sieve_inspect.identity.cloth_map import Known
from sieve_inspect.scale.parts import EDGE_BIAS, U_EDGE_BIAS_PX
from sieve_inspect.summary.uncertainty import BudgetSource, Contribution

Pair = tuple[float, float]

REMEDY = (
    "scan both on one device, laid alike, under one lamp, and state `same_device`; or scan an "
    "unworn cloth on both devices and give it as `reference`"
)
NOT_SHARED = ("edge bias", "light on the wires")  # lines of a budget
_ONE_SETTING = 0.02  # relative; scales of one setting differ less, a step in resolution is more


@dataclass(frozen=True)
class Offset:
    """What two devices differ by, by a reference cloth scanned on both: widths in x and y, um.

    `u_um` are standard uncertainties, `wire_um` the reference cloth's wires; `swaps` tells that x
    of one scan is y of the other, `scales` names the scales of both.
    """

    value_um: Pair
    u_um: Pair
    wire_um: Pair
    swaps: bool
    scales: tuple[str, str]


@dataclass(frozen=True)
class UnsharedErrors:
    """What two scans do not share in one direction: standard uncertainties, um.

    `bias` and `light` are those of the change, `before` and `after` what each scale contributes to
    both together; `correction` is added to the change, `basis` tells why an assumed bias is so
    large.
    """

    bias: float = 0.0
    light: float = 0.0
    before: float = 0.0
    after: float = 0.0
    correction: float = 0.0
    basis: str = ""

    def lines(self, direction: str) -> list[Contribution]:
        """The lines of a budget for a direction, "x" or "y"."""
        of_bias, of_light = NOT_SHARED
        remedy = REMEDY if self.basis else ""
        scale, light = BudgetSource.SCALE, BudgetSource.LIGHT
        lines = [
            Contribution(
                of_bias, direction, self.bias, source=scale, basis=self.basis, remedy=remedy
            ),
            Contribution(of_light, direction, self.light, source=light),
        ]
        return [line for line in lines if line.value_um > 0]


@dataclass(frozen=True)
class _Side:
    """One of two scans in a direction; its widths times `factor` are at the pitch before."""

    known: Known
    axis: int
    factor: float

    def of(self, figure: str) -> float:
        """A figure of the scan, um at the pitch before."""
        return float(getattr(self.known, figure)[self.axis]) * self.factor

    @property
    def view(self) -> int:
        """The axis of the picture."""
        return self.known.picture_axis(self.axis)

    @property
    def step(self) -> float:
        """The scale, um per px at the pitch before."""
        return self.known.um_per_px[self.view] * self.factor

    @property
    def bias_px(self) -> float:
        """Standard uncertainty of the edge bias, px on each edge."""
        return self.of("bias") / (2 * self.step)


def not_shared(before: Known, after: Known, axes: tuple[int, int], ratio: float) -> UnsharedErrors:
    """What two scans do not share in the direction that is these axes of them.

    `ratio` brings widths after to the pitch before.
    """
    first, second = _Side(before, axes[0], 1.0), _Side(after, axes[1], ratio)
    one_view = first.view == second.view
    if one_view and before.plain_scale == after.plain_scale:
        return UnsharedErrors(light=_of_one_lamp(first, second))
    one_device = one_view and bool(before.device) and before.device == after.device
    bias, of_bias, one_bias = _bias(first, second, one_device)
    light, of_light, one_light = _light(first, second, one_device)
    own = [((0.0, 0.0) if one else u) for u, one in ((bias, one_bias), (light, one_light))]
    assumed = any(math.isclose(s.bias_px, U_EDGE_BIAS_PX, rel_tol=1e-6) for s in (first, second))
    return UnsharedErrors(
        math.hypot(*bias),
        math.hypot(*light),
        math.hypot(own[0][0], own[1][0]),
        math.hypot(own[0][1], own[1][1]),
        of_bias + of_light,
        EDGE_BIAS.basis if assumed else "",
    )


def _bias(first: _Side, second: _Side, one_device: bool) -> tuple[Pair, float, bool]:
    """What each scan adds by its edge bias, the correction of the change, and whether b is one."""
    two = first.of("bias"), second.of("bias")
    u, apart = (first.bias_px, second.bias_px), second.step - first.step
    one: Pair = (0.0, 2 * min(u) * abs(apart))
    if not one_device:
        return two, 0.0, False
    if abs(apart) > _ONE_SETTING * first.step:
        # The bias of another resolution lies between the same in px and the same in um.
        certified = min(u) < (1 - 1e-6) * U_EDGE_BIAS_PX
        return (two, 0.0, False) if certified else (one, 0.0, True)
    taken = [side.of("bias_taken") / (2 * side.step) for side in (first, second)]  # px
    if abs(taken[0] - taken[1]) > 2 * math.hypot(*u):
        return two, 0.0, False  # the optics changed
    best = taken[0] if u[0] <= u[1] else taken[1]
    return one, 2 * (taken[1] - best) * second.step - 2 * (taken[0] - best) * first.step, True


def _light(first: _Side, second: _Side, one_device: bool) -> tuple[Pair, float, bool]:
    """What each scan adds by its light, um, the correction of the change, and whether it is one.

    What a lamp leaves to the surface of the wires counts with the second scan.
    """
    two = first.of("light"), second.of("light")
    if one_device and first.known.lamp == second.known.lamp:
        return (0.0, _of_one_lamp(first, second)), 0.0, True
    if one_device and first.known.by_cloth and second.known.by_cloth:
        apart = second.of("glow_taken") - first.of("glow_taken")
        one = abs(apart) <= 2 * math.hypot(*two)
        return ((0.0, 0.0), apart, True) if one else (two, 0.0, False)
    surface = first.of("surface"), second.of("surface")
    if not all(surface):
        return two, 0.0, False
    rest = [math.sqrt(max(0.0, u**2 - s**2)) for u, s in zip(two, surface, strict=True)]
    return (rest[0], math.hypot(rest[1], surface[1] - surface[0])), 0.0, False


def _of_one_lamp(first: _Side, second: _Side) -> float:
    """What one lamp leaves unknown by the turn and the blur of two scans, um.

    The correction takes the middle between none and all of what they may change.
    """
    taken = first.of("glow_taken"), second.of("glow_taken")
    return abs(taken[1] - taken[0]) / math.sqrt(3) if all(taken) else 0.0
