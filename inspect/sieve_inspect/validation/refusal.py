"""Refusal rows: pictures that must not be measured, and the error each must raise."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from sieve_inspect.arrays import Float
from sieve_inspect.errors import (
    InputError,
    NoLatticeError,
    NominalMismatchError,
    RefusedImageError,
    UnderResolvedError,
)
from sieve_inspect.measurement.pipeline import measure
from sieve_inspect.synthetic import Cloth, Light, Optics, Sensor, render_light
from sieve_inspect.synthetic.sensor import expose
from sieve_inspect.validation import patterns
from sieve_inspect.validation.drawing import UM_PER_PX, Case, pixel_hash
from sieve_inspect.validation.model import Group, Row

# Either error is right for a pattern that is no woven square mesh.
_NO_MESH = (NoLatticeError, RefusedImageError)


@dataclass(frozen=True)
class Refusal:
    """A picture that must be refused with one of `errors`; `light` draws it, (h, w) in 0..1."""

    name: str
    tried: str
    light: Callable[[], Float]
    errors: tuple[type[InputError], ...] = _NO_MESH
    nominal_um: float = 14 * UM_PER_PX
    noise: float = 0.01
    quick: bool = False


def _cloth(aperture: float, wire: float, blur: float = 0.7) -> Callable[[], Float]:
    cloth = Cloth(aperture, wire, sd_px=0.03 * aperture, rotation_deg=5, seed=9)
    return lambda: render_light(cloth, Optics("gaussian", blur), (300, 400), light=Light())[0]


def refusals() -> list[Refusal]:
    """All pictures that must be refused."""
    return [
        Refusal("round-holes", "perforated plate, round holes", patterns.round_holes, quick=True),
        Refusal("triangular-net", "three families of wires", patterns.triangular_net),
        Refusal("expanded-metal", "rhombs of expanded metal", patterns.expanded_metal),
        Refusal("knitted", "knitted threads", patterns.knitted),
        Refusal("bunched", "threads at random distances", patterns.bunched_threads),
        Refusal("noise", "noise alone", patterns.white_noise, quick=True),
        Refusal("one-colour", "one level all over", patterns.plain, noise=0.0),
        Refusal("one-colour-noise", "one level and noise", patterns.plain),
        Refusal("text", "lines of print", patterns.text_like),
        Refusal("two-meshes", "two cloths side by side", patterns.two_meshes, (RefusedImageError,)),
        Refusal(
            "torn-scan",
            "the lower half of the scan stands 5 px aside",
            patterns.stepped,
            (RefusedImageError,),
            quick=True,
        ),
        Refusal(
            "torn-scan-small",
            "the lower half of the scan stands 2 px aside",
            lambda: patterns.stepped(2),
            (RefusedImageError,),
        ),
        Refusal(
            "under-4-px",
            "aperture 3.4 px, true nominal",
            _cloth(3.4, 2.6),
            (UnderResolvedError,),
            34.0,
        ),
        Refusal(
            "too-blurred",
            "aperture 10 px under a blur of 3.5 px",
            _cloth(10, 7, 3.5),
            (UnderResolvedError, NoLatticeError),
            100.0,
        ),
        Refusal(
            "nominal-too-small",
            "nominal 20 % below what is there",
            _cloth(14, 9),
            (NominalMismatchError,),
            112.0,
        ),
        Refusal(
            "nominal-too-large",
            "nominal 20 % above what is there",
            _cloth(14, 9),
            (NominalMismatchError,),
            168.0,
            quick=True,
        ),
    ]


def refusal_row(refusal: Refusal, folder: Path) -> Row:
    """Draw the picture, try to measure it, and check the error."""
    from PIL import Image

    image = expose(refusal.light(), Sensor(noise=refusal.noise, seed=6))
    path = folder / f"{refusal.name}.png"
    Image.fromarray(image).save(path)
    scale = Case("", "", Cloth(14, 9)).scale
    try:
        measured = measure([path], nominal_um=refusal.nominal_um, scale=scale)
    except InputError as error:
        holds = isinstance(error, refusal.errors)
        result = f"{type(error).__name__}: {error}"
    else:
        holds = False
        result = f"measured: {measured.directions[0].mean_um / UM_PER_PX:.2f} px"
    return Row(
        group=Group.REFUSAL,
        name=refusal.name,
        tried=refusal.tried,
        truth="no measurement",
        result=result,
        limit=" or ".join(e.__name__ for e in refusal.errors),
        holds=holds,
        pixels_sha256=(pixel_hash(image),),
    )
