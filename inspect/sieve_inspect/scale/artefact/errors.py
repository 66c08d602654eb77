"""Errors about a picture of an artefact.

InputError
├── NoTargetError        25
└── ScaleResidualError   26
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from sieve_inspect.errors import InputError


class NoTargetError(InputError):
    """No artefact of the stated pattern in the picture."""

    template = (
        "No {pattern} target was found in {file}: {reason}. Check the pattern, the focus and the "
        "light, or give the region it lies in."
    )
    exit_code = 25


class NoMarksError(Exception):
    """Marks that were not located; the message is the reason."""


@contextmanager
def locating(pattern: str, name: object) -> Iterator[None]:
    """Turn a `NoMarksError` into a `NoTargetError` with the pattern and the picture's name."""
    try:
        yield
    except NoMarksError as error:
        raise NoTargetError(pattern=pattern, file=name, reason=str(error)) from error


class ScaleResidualError(InputError):
    """The marks are too far from the places given by a scale and a smooth map."""

    template = (
        "The marks lie {residual} off the fitted scale (rms), over the limit of {limit}: "
        "{advice}, or give another limit as `max_residual_um`."
    )
    exit_code = 26
