"""Cases of one kind, of which the long tests run most."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest


def others_long(cases: Iterable[Any]) -> list[Any]:
    """The cases of a parameter, all but the first marked `long`; a tuple is several parameters."""
    first, *others = cases
    return [
        first,
        *(
            pytest.param(*(case if isinstance(case, tuple) else (case,)), marks=pytest.mark.long)
            for case in others
        ),
    ]
