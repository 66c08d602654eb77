"""The scales offered for a check: recorded, named at the start, sent as a file, or typed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from sieve_inspect.errors import BadScaleFileError, UsageError
from sieve_registry.events import ScaleCalibrated
from sieve_registry.scales.calibrations import kept_scale
from sieve_registry.scales.check_scale import CheckScale
from sieve_registry.scales.choice import ScaleRequest, choose_scale, parse_stand_off_um
from sieve_registry.sieves.facts import facts_of
from sieve_registry.store.engine import Registry

if TYPE_CHECKING:
    from sieve_inspect.scale import Scale

SCALE_FILE, BY_HAND = "file", "hand"


@dataclass(frozen=True)
class Offer:
    """A scale to choose: its key in the form, its description and its source."""

    key: str
    text: str
    source: str


def offers(registry: Registry, given: Sequence[tuple[str, Scale]]) -> list[Offer]:
    """The scales that can be chosen today: the recorded, then those named at the start."""
    today, offered = registry.today(), []
    names = sorted({fact.subject for fact in facts_of(registry, None, [ScaleCalibrated])})
    for name in names:
        kept = kept_scale(registry, name, today)
        if kept is None:  # declared void since
            continue
        x, y = kept.um_per_px
        until = f"{'expired on' if today > kept.valid_until else 'valid to'} {kept.valid_until}"
        text = f"{name}: {x:.5g} × {y:.5g} µm per px, {kept.setting}, {until}"
        offered.append(Offer(f"kept:{name}", text, kept.scale(registry).source))
    for number, (name, scale) in enumerate(given):
        text = f"{name}: {scale.um_per_px_x:.5g} × {scale.um_per_px_y:.5g} µm per px"
        offered.append(Offer(f"given:{number}", f"{text}, {scale.source}", scale.source))
    return offered


def choose(
    registry: Registry,
    given: Sequence[tuple[str, Scale]],
    fields: Mapping[str, str],
    scale_file: Path | None,
) -> CheckScale:
    """The scale chosen in the form, with its chain if it is a recorded scale.

    `scale_file` is a copy of the scale file that was sent. Raises `UsageError` and the refusals of
    `choose_scale`.
    """
    values = {name: text.strip() for name, text in fields.items()}
    kind, _, rest = values.get("scale", "").partition(":")
    reason, person = values.get("accept_expired", ""), values.get("accepted_by", "")
    if reason and not person:
        raise UsageError(message="Name missing: type who accepts the expired scale.")
    scale = None
    if kind == "given" and rest.isdecimal() and int(rest) < len(given):
        scale = given[int(rest)][1]
    if kind == SCALE_FILE and scale_file is not None:
        scale = _read(scale_file)
    stand_off = values.get("stand_off", "")
    request = ScaleRequest(
        registry.today(),
        recorded=rest if kind == "kept" else None,
        scale=scale,
        um_per_px=values.get("um_per_px") or None if kind == BY_HAND else None,
        stand_off_um=parse_stand_off_um(stand_off) if stand_off else None,
        temperature_c=_degrees(values.get("temperature", "")),
        accept_expired=reason,
        accepted_by=person or None,
    )
    return choose_scale(registry, request, ())


def _degrees(text: str) -> float | None:
    try:
        return float(text.replace(",", ".")) if text else None
    except ValueError:
        raise UsageError(
            message=f"Write the temperature in °C as a number, not {text!r}."
        ) from None


def _read(scale_file: Path) -> Scale:
    from sieve_inspect.scale import load_scale

    try:
        return load_scale(scale_file)
    except BadScaleFileError as error:  # names the file, not the folder of its copy
        raise BadScaleFileError(**{**error.fields, "file": scale_file.name}) from error
