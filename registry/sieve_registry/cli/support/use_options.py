"""Options that describe how sieves were used, for `use` and `stack run`."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import typer


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
    Abrasiveness | None, typer.Option("--abrasiveness", help="How much it wears the wires.")
]
MaterialOption = Annotated[str, typer.Option("--material", metavar="T", help="Material sieved.")]
NoteOption = Annotated[str, typer.Option("--note", metavar="T", help="A remark.")]
