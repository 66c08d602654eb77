"""The first day in a laboratory: which device for which size, and the steps with what is done."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING

from sieve_inspect.standard import DEFAULT_STANDARD, limits
from sieve_inspect.standard.editions import tabulated
from sieve_registry.ledger.records import SieveState
from sieve_registry.report.formatting import length_text
from sieve_registry.scales import artefacts, lamps
from sieve_registry.scales.default_scale import recorded_scales
from sieve_registry.settings import load_settings

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sieve_registry.store.engine import Registry

_UM_PER_INCH = 25_400
# Settings of flatbeds, and the pixels an aperture should have there: ten, or 8.5 at the finest
# setting, below which the measuring still works (it refuses 4) but U takes more of the limit.
_FLATBED = ((600, 10.0), (1200, 10.0), (2400, 10.0), (4800, 8.5))
_ARTEFACT_SHARE = 0.1  # of the limit Y that U of the artefact may take: it then hardly counts


@dataclass(frozen=True)
class DeviceRow:
    """Sizes that one device and setting suits.

    `pixels` is the range of pixels per aperture, `y` of the limit on the mean in percent of the
    nominal, `u_artefact` the largest U (k = 2) of the artefact's pitch in percent.
    """

    sizes: str
    device: str
    pixels: str
    y: str
    u_artefact: str


@dataclass(frozen=True)
class Step:
    """A step of the first day: what to do, where, and whether it is done (None: not recorded)."""

    title: str
    text: str
    place: str
    link: str
    done: bool | None


def device_rows(standard: str = DEFAULT_STANDARD) -> list[DeviceRow]:
    """Which device at which setting suits which sizes, from the table of a standard."""
    sizes = sorted(float(nominal) for nominal in tabulated(standard))
    rows = []
    for dpi, group in groupby(sizes, _dpi_for):
        own = list(group)
        y = [100 * limits(size, standard).y_um / size for size in own]
        pixels = "10 or more: choose the objective"
        if dpi is not None:
            um = _UM_PER_INCH / dpi
            most = f"{own[-1] / um:.0f}"
            pixels = f"{own[0] / um:.3g} to {most}" if len(own) > 1 else most
        rows.append(
            DeviceRow(
                sizes=f"{length_text(own[0])} to {length_text(own[-1])}",
                device="microscope" if dpi is None else f"flatbed scanner, {dpi} dpi",
                pixels=pixels,
                y=f"{min(y):.2g} to {max(y):.2g} %",
                u_artefact=f"{_ARTEFACT_SHARE * min(y):.2g} %",
            )
        )
    return rows


def _dpi_for(nominal_um: float) -> int | None:
    """The coarsest setting of a flatbed that suits a size; None where only a microscope does."""
    for dpi, pixels in _FLATBED:
        if nominal_um * dpi / _UM_PER_INCH >= pixels:
            return dpi
    return None


def steps(registry: Registry, states: Sequence[SieveState]) -> list[Step]:
    """The steps of the first day with what the registry shows of them."""
    today = registry.today()
    known, devices = load_settings(), artefacts.devices(registry)
    scales = recorded_scales(registry, today)
    lit = any(d.lamp_deg or lamps.illuminations_of(registry, d.id, today) for d in devices)
    return [
        Step(
            "Say who you are",
            "Your name and the laboratory's name and address, once: they are filled in and stand "
            "on reports.",
            "/settings",
            "Settings",
            bool(known.laboratory or known.person),
        ),
        Step(
            "Record the device",
            "The scanner or microscope at one setting, with its serial number. The table below "
            "shows which setting your sieves need.",
            "/scales#devices",
            "Add a device",
            bool(devices),
        ),
        Step(
            "Set up the light",
            "A small lamp far behind the sieve, spacers, black paper. State the half-angle of the "
            "lamp with the device, or test the lamp with a certified sieve.",
            "/light",
            "Light and set-up",
            bool(lit),
        ),
        Step(
            "Record the artefact",
            "A glass plate with dots, squares or lines and a certificate of its pitch, as large as "
            "the cloth you scan; for a microscope, as large as its field.",
            "/scales#artefacts",
            "Add an artefact",
            any(a.valid_on(today) for a in artefacts.artefacts(registry)),
        ),
        Step(
            "Measure the artefact",
            "Two to four pictures of it, turned and moved, at the height of the cloth: they give "
            "the scale.",
            "/scales#calibrate",
            "Measure an artefact",
            any(today <= scale.valid_until for scale in scales),
        ),
        Step(
            "Add the sieves",
            "One by one, or a table of them from a spreadsheet.",
            "/sieves/new",
            "Add sieves",
            bool(states),
        ),
        Step(
            "Label them",
            "Print the labels on one sheet. A hand scanner reads their code into the field above.",
            "/sieves",
            "Choose sieves and print",
            None,
        ),
        Step(
            "Check the first sieve",
            "Scan its clean cloth, open its page, drop the scan, look at the result, confirm it.",
            "/sieves?show=never",
            "Choose a sieve",
            any(state.last_check is not None for state in states),
        ),
    ]
