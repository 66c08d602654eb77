"""Where each opening is, and how wide: lattice, edge response, widths, flags."""

from sieve_inspect.weave.direction import Axis
from sieve_inspect.weave.field import Field, measure_field
from sieve_inspect.weave.flags import Flag, State, flag_names

__all__ = ["Axis", "Field", "Flag", "State", "flag_names", "measure_field"]
