"""Which scale a check uses: one way to choose, for every face of the program.

A request names at most one scale: recorded, from a file, or typed by hand. An artefact beside the
cloth gives each scan its own scale; a named scale then only helps to find it. The circumstances of
the scans (setting, stand-off, temperature) and a reason for an expired scale can only be compared
with a recorded scale: with any other they are refused, not ignored.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from sieve_inspect.errors import MissingScaleError, UsageError
from sieve_inspect.units import parse_length_um
from sieve_registry.scales.calibrations import KeptScale, kept_scale
from sieve_registry.scales.check_scale import CheckScale
from sieve_registry.scales.errors import UnknownThingError
from sieve_registry.scales.in_scan import trace_scale_in_scan
from sieve_registry.scales.traceability import Circumstances, trace_scale
from sieve_registry.store.engine import Registry

if TYPE_CHECKING:
    from sieve_inspect.scale.model import Scale


@dataclass(frozen=True)
class ScaleRequest:
    """The scale wanted for a check on a day, and how its scans were made.

    Give at most one of `recorded` (the name of a recorded scale), `named` (a recorded scale or
    else a scale file), `scale` (a scale already read) and `um_per_px` (typed, as "5.29" or
    "5.29,5.31"). `artefact` lies beside the cloth, at `region` (left, top, right, bottom in px) or
    where it is detected. `accept_scale` is a reason to use a scale that the scans' dpi tags
    contradict, `turned_deg` how far the sieve's label was turned from upright in them. None means:
    as at the calibration.
    """

    day: date
    recorded: str | None = None
    named: str | None = None
    scale: Scale | None = None
    um_per_px: str | None = None
    setting: str | None = None
    stand_off_um: float | None = None
    temperature_c: float | None = None
    accept_expired: str = ""
    accept_scale: str = ""
    accepted_by: str | None = None
    turned_deg: float | None = None
    artefact: str | None = None
    region: tuple[int, int, int, int] | None = None
    encoding: str = "auto"

    @property
    def circumstances(self) -> Circumstances:
        """What is compared with the scale's own limits."""
        return Circumstances(
            self.day,
            self.setting,
            self.stand_off_um,
            self.temperature_c,
            self.accept_expired,
            self.accepted_by,
        )


def choose_scale(
    registry: Registry,
    request: ScaleRequest,
    images: Sequence[Path],
    note: Callable[[str], None] = lambda _: None,
) -> CheckScale:
    """The scale for a check of `images`, with its chain if it has one.

    Whether the scans' dpi tags allow it is compared when they are measured.

    `note` gets a remark where a name was ambiguous. Raises `MissingScaleError`, `UsageError`,
    `UnknownThingError`, `BadScaleFileError`, and what the two tracing functions raise.
    """
    chosen = _chosen(registry, request, images, note)
    return replace(
        chosen,
        accept_scale=request.accept_scale,
        accepted_by=request.accepted_by,
        turned_deg=request.turned_deg,
    )


def _chosen(
    registry: Registry,
    request: ScaleRequest,
    images: Sequence[Path],
    note: Callable[[str], None],
) -> CheckScale:
    if request.artefact is None and request.region is not None:
        raise UsageError(
            message="`target_region` is the place of an artefact: give `target_in_scan` too."
        )
    known = _known(registry, request, note)
    if known is None and request.artefact is None:
        raise MissingScaleError()
    _refuse_incomparable(request, known)
    if request.artefact is not None:
        return trace_scale_in_scan(
            registry,
            request.artefact,
            images,
            known,
            request.circumstances,
            region=request.region,
            encoding=request.encoding,
        )
    assert known is not None
    if isinstance(known, KeptScale):
        return trace_scale(registry, known, request.circumstances)
    return CheckScale(known)


def _known(
    registry: Registry, request: ScaleRequest, note: Callable[[str], None]
) -> KeptScale | Scale | None:
    """The scale named, read or typed; None where there is none."""
    from sieve_inspect.scale import scale_from_text

    if request.named is not None and request.um_per_px is not None:
        raise UsageError(message="Give `scale` or `um_per_px`, not both.")
    if request.recorded is not None:
        kept = kept_scale(registry, request.recorded, request.day)
        if kept is None:
            raise UnknownThingError(
                what="recorded scale",
                name=request.recorded,
                advice="`sieveward device show` lists the scales of a device",
            )
        return kept
    if request.named is not None:
        return scale_named(registry, request.named, request.day, note)
    if request.um_per_px is not None:
        return scale_from_text(request.um_per_px)
    return request.scale


def _refuse_incomparable(request: ScaleRequest, known: KeptScale | Scale | None) -> None:
    """Refuse circumstances that nothing can be compared with. Raises `UsageError`."""
    if isinstance(known, KeptScale):
        return
    given = request.setting is not None or request.stand_off_um is not None
    if request.artefact is None:  # else it concerns the artefact
        given = given or bool(request.accept_expired)
    if given:
        raise UsageError(
            message="Setting, stand-off and a reason to accept an expired scale apply to a "
            "recorded scale: choose a recorded scale, or leave them out."
        )


def scale_named(
    registry: Registry, text: str, day: date, note: Callable[[str], None] = lambda _: None
) -> KeptScale | Scale:
    """The recorded scale of that name on a day, else the scale in the file of that name.

    `note` gets a remark where both exist. Raises `UnknownThingError`, `BadScaleFileError`.
    """
    from sieve_inspect.scale import load_scale

    is_file = Path(text).is_file()
    kept = None if names_a_file(text) else kept_scale(registry, text, day)
    if kept is not None:
        if is_file:
            note(f"{text} is taken as the recorded scale; write ./{text} for the file")
        return kept
    if not is_file and not names_a_file(text):
        raise UnknownThingError(
            what="recorded scale and no file",
            name=text,
            advice="`sieveward device show` lists the scales of a device",
        )
    return load_scale(Path(text))


def names_a_file(text: str) -> bool:
    """Whether a scale's name can only be a file: it has a separator or ends in .json."""
    separators = [separator for separator in (os.sep, os.altsep, "/") if separator]
    return text.lower().endswith(".json") or any(separator in text for separator in separators)


def parse_stand_off_um(text: str) -> float:
    """A distance from the glass in um; zero needs no unit. Raises `BadLengthError`."""
    is_zero = re.fullmatch(r"\s*0+([.,]0*)?\s*[a-zµμ]*\s*", text)
    return 0.0 if is_zero else parse_length_um(text)
