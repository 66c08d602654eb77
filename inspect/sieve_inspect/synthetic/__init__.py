"""Synthetic pictures of woven wire cloth with exact truth, for validation, demo and tests."""

from sieve_inspect.synthetic.files import save
from sieve_inspect.synthetic.model import (
    BlurKind,
    Cloth,
    Damage,
    Light,
    Optics,
    Ring,
    Sensor,
    Weave,
)
from sieve_inspect.synthetic.reflection import Lamp, RoundLight, Surface
from sieve_inspect.synthetic.rendering import Render, render, render_light
from sieve_inspect.synthetic.sensor import srgb_encode
from sieve_inspect.synthetic.truth import Truth

__all__ = [
    "BlurKind",
    "Cloth",
    "Damage",
    "Lamp",
    "Light",
    "Optics",
    "Render",
    "Ring",
    "RoundLight",
    "Sensor",
    "Surface",
    "Truth",
    "Weave",
    "render",
    "render_light",
    "save",
    "srgb_encode",
]
