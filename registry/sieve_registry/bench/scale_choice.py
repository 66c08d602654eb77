"""The scales offered for a check: recorded, named at the start, sent as a file, or typed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from sieve_inspect.errors import BadScaleFileError, UsageError
from sieve_registry.bench.forms import Form
from sieve_registry.scales.check_scale import CheckScale
from sieve_registry.scales.choice import ScaleRequest, choose_scale, parse_stand_off_um
from sieve_registry.scales.default_scale import default_scale, recorded_scales
from sieve_registry.scales.environment import read_number
from sieve_registry.settings import load_settings
from sieve_registry.store.engine import Registry

if TYPE_CHECKING:
    from sieve_inspect.scale import Scale

SCALE_FILE, BY_HAND, BY_DPI = "file", "hand", "dpi"


@dataclass(frozen=True)
class Offer:
    """A scale to choose: its key in the form, its description and its source."""

    key: str
    text: str
    source: str


def offers(registry: Registry, given: Sequence[tuple[str, Scale]]) -> list[Offer]:
    """The scales that can be chosen today: the recorded, then those named at the start."""
    today, offered = registry.today(), []
    for kept in recorded_scales(registry, today):
        x, y = kept.um_per_px
        until = f"{'expired on' if today > kept.valid_until else 'valid to'} {kept.valid_until}"
        text = f"{kept.name}: {x:.5g} × {y:.5g} µm per px, {kept.setting}, {until}"
        offered.append(Offer(f"kept:{kept.name}", text, kept.scale(registry).source))
    for number, (name, scale) in enumerate(given):
        text = f"{name}: {scale.um_per_px_x:.5g} × {scale.um_per_px_y:.5g} µm per px"
        offered.append(Offer(f"given:{number}", f"{text}, {scale.source}", scale.source))
    return offered


def choose(
    registry: Registry,
    given: Sequence[tuple[str, Scale]],
    form: Form,
    scale_file: Path | None,
    images: Sequence[Path],
) -> CheckScale:
    """The scale chosen in the form for some scans, with its chain if it is a recorded scale.

    `scale_file` is a copy of the scale file that was sent. Raises `UsageError` and the refusals of
    `choose_scale`.
    """
    kind, _, rest = form.text("scale").partition(":")
    if kind == BY_DPI:
        known = load_settings()
        preferred = (known.scale, known.device)
        kind, rest = "kept", default_scale(registry, images, registry.today(), preferred).name
    reason, person = form.text("accept_expired"), form.text("accepted_by")
    if reason and not person:
        raise UsageError(message="Name missing: type who accepts the scale.")
    scale = None
    if kind == "given" and rest.isdecimal() and int(rest) < len(given):
        scale = given[int(rest)][1]
    if kind == SCALE_FILE and scale_file is not None:
        scale = _read(scale_file)
    stand_off = form.text("stand_off")
    request = ScaleRequest(
        registry.today(),
        recorded=rest if kind == "kept" else None,
        scale=scale,
        um_per_px=form.text("um_per_px") or None if kind == BY_HAND else None,
        stand_off_um=parse_stand_off_um(stand_off) if stand_off else None,
        temperature_c=read_number("temperature", "°C", form.text("temperature")),
        accept_expired=reason if kind == "kept" else "",
        accept_scale=reason,
        accepted_by=person or None,
        turned_deg=read_number("turn of the label", "degrees", form.text("turned")),
    )
    return choose_scale(registry, request, ())


def _read(scale_file: Path) -> Scale:
    from sieve_inspect.scale import load_scale

    try:
        return load_scale(scale_file)
    except BadScaleFileError as error:  # names the file, not the folder of its copy
        raise BadScaleFileError(**{**error.fields, "file": scale_file.name}) from error
