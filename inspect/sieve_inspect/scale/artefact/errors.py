"""Errors about a picture of an artefact.

InputError
├── NoTargetError        25
└── ScaleResidualError   26
"""

from __future__ import annotations

from sieve_inspect.errors import InputError


class NoTargetError(InputError):
    """No artefact of the stated pattern in the picture."""

    template = (
        "No {pattern} target was found in {file}: {reason}. Check the pattern, the focus and the "
        "light, or give the region it lies in."
    )
    exit_code = 25


class ScaleResidualError(InputError):
    """The marks are too far from the places given by a scale and a smooth map."""

    template = (
        "The marks lie {residual} off the fitted scale (rms), over the limit of {limit}: "
        "{advice}, or give another limit as `max_residual_um`."
    )
    exit_code = 26
