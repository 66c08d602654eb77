"""Options that describe how sieves were used, for `use` and `stack run`."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

from sieve_registry.cli.support.options import option


class Method(StrEnum):
    """How a stack is moved; methods wear sieves differently."""

    HAMMER = "hammer"
    VIBRATORY = "vibratory"
    SONIC = "sonic"
    AIR_JET = "air-jet"
    WET = "wet"
    HAND = "hand"


class Abrasiveness(StrEnum):
    """How much a material wears the wires."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"


AbrasivenessOption = Annotated[
    Abrasiveness | None, option("How much it wears the wires.", name="--abrasiveness")
]
MaterialOption = Annotated[str, option("Material sieved.", "T", name="--material")]
NoteOption = Annotated[str, option("A remark.", "T", name="--note")]
