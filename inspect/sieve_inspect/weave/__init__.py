"""Where each opening is, and how wide: lattice, edge response, widths, flags."""

from sieve_inspect.weave.direction import Axis
from sieve_inspect.weave.field import Field, View, Witness, look_at, measure_field, stored_misfit
from sieve_inspect.weave.flags import Flag, State, flag_names
from sieve_inspect.weave.jumps import Jump, largest_jump
from sieve_inspect.weave.lattice import Lattice, find_lattice

__all__ = [
    "Axis",
    "Field",
    "Flag",
    "Jump",
    "Lattice",
    "State",
    "View",
    "Witness",
    "find_lattice",
    "flag_names",
    "largest_jump",
    "look_at",
    "measure_field",
    "stored_misfit",
]
