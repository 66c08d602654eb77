"""The guide of the first day, and the settings of the laboratory."""

from __future__ import annotations

from pathlib import Path

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response

from sieve_registry.bench import guide
from sieve_registry.bench.desk import Desk, desk_of, page
from sieve_registry.bench.forms import Form, act_with_files, keep_file
from sieve_registry.people.acts import Act
from sieve_registry.people.errors import NotAuthorisedError
from sieve_registry.scales import artefacts
from sieve_registry.scales.default_scale import recorded_scales
from sieve_registry.settings import change_settings, keep_logo, load_settings, settings_file


def first_day(request: Request) -> Response:
    """The steps of the first day, each with whether it is done, and the table of devices."""
    desk = desk_of(request)
    listed = guide.steps(desk.registry, desk.overview.states())
    return page(
        request,
        "first_day.html",
        steps=listed,
        done=sum(step.done is True for step in listed),
        known=sum(step.done is not None for step in listed),
        rows=guide.device_rows(),
    )


def settings(request: Request) -> Response:
    """What is filled in where nothing was typed."""
    desk = desk_of(request)
    registry = desk.registry
    return page(
        request,
        "settings.html",
        settings=load_settings(),
        file=settings_file(),
        devices=[device.id for device in artefacts.devices(registry)],
        scales=[scale.name for scale in recorded_scales(registry, registry.today())],
        saved=request.query_params.get("saved", ""),
    )


def _save(desk: Desk, form: Form, folder: Path, data: FormData) -> str:
    if not desk.may(Act.MANAGE):
        reason = f"{form.person()} has no authorisation to manage, which the settings need"
        raise NotAuthorisedError(reason=reason, act=Act.MANAGE)
    names = ("person", "device", "scale", "laboratory", "address")
    changes = {name: form.text(name) for name in names}
    logo = keep_file(data, "logo", folder)
    if logo is not None:
        changes["logo"] = str(keep_logo(logo))
    elif form.text("no_logo"):
        changes["logo"] = ""
    change_settings(changes)
    return "/settings?saved=yes"


READS = (("/first-day", first_day), ("/settings", settings))
WRITES = (("/settings", act_with_files(_save)),)
