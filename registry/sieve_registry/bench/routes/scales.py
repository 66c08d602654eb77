"""Scales on the bench: artefacts, devices, calibrations and lamps, recorded and measured."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from sieve_inspect.errors import UsageError
from sieve_inspect.scale.parts import Sensor
from sieve_registry.bench.desk import Desk, desk_of, page
from sieve_registry.bench.forms import Form, act, act_with_files, keep_file, sent_files
from sieve_registry.bench.guard import PRINT_POLICY
from sieve_registry.bench.tasks import Task
from sieve_registry.bench.uploads import keep_scan
from sieve_registry.checks.queries import evidence_bytes
from sieve_registry.report.charts import drift_svg
from sieve_registry.scales import artefacts, lamps
from sieve_registry.scales.calibrations import ScaleConditions, history_of_device
from sieve_registry.scales.choice import ScaleRequest, choose_scale, parse_stand_off_um
from sieve_registry.scales.commands import ArtefactPictures, calibrate_device
from sieve_registry.scales.default_scale import recorded_scales
from sieve_registry.scales.drift import drift_of

_MOST_PICTURES = 8


def overview(request: Request) -> Response:
    """Artefacts, devices and their scales, with the forms to record and measure them."""
    desk = desk_of(request)
    registry, today = desk.registry, desk.registry.today()
    devices = artefacts.devices(registry)
    return page(
        request,
        "scales.html",
        artefacts=artefacts.artefacts(registry),
        devices=[
            {
                "device": device,
                "lamps": lamps.illuminations_of(registry, device.id, today),
                "known_light": device.lamp_deg is not None,
            }
            for device in devices
        ],
        scales=recorded_scales(registry, today),
        sensors=tuple(Sensor),
        kinds=artefacts.ARTEFACT_KINDS,
        added=request.query_params.get("added", ""),
    )


def _add_artefact(desk: Desk, form: Form, folder: Path, data: FormData) -> str:
    pitch, width = form.length_um("pitch"), form.length_um("width")
    first, last = form.day("valid_from"), form.day("valid_to")
    if first is None or last is None:
        raise UsageError(message="First and last day of the certificate missing: fill them in.")
    if pitch is not None and form.length_um("u_pitch") is None:
        raise UsageError(message="U of the pitch missing: copy it from the certificate.")
    new = artefacts.CertifiedArtefact(
        id=form.needed("id", "Name of the artefact"),
        kind=form.text("kind"),
        nominal_pitch_um=pitch,
        pitch_um=form.length_um("certified_pitch") or pitch,
        nominal_line_um=width,
        line_um=form.length_um("certified_width") or width,
        expanded_pitch_um=form.length_um("u_pitch") or 0.0,
        expanded_line_um=form.length_um("u_width") or 0.0,
        k=form.number("k", "k") or 2.0,
        certificate=form.text("certificate"),
        laboratory=form.text("laboratory"),
        valid_from=first,
        valid_to=last,
        expansion_ppm_per_k=form.number("expansion", "Expansion"),
    )
    made = artefacts.add_artefact(
        desk.registry,
        new,
        form.terms(),
        certificate_file=keep_file(data, "certificate_file", folder),
        renew=bool(form.text("renew")),
    )
    return f"/scales?added={made.event}#artefacts"


def _add_device(desk: Desk, form: Form) -> str:
    kind = form.text("kind")
    path_um, allowance_um = artefacts.DEVICE_KINDS.get(kind, (1.0, 0.0))
    lamp, view = form.number("lamp", "Lamp angle"), form.number("view", "View angle")
    stand_off = form.text("stand_off")
    new = artefacts.Device(
        id=form.needed("id", "Name of the device"),
        kind=kind,
        serial=form.text("serial"),
        setting=form.text("setting"),
        light=form.text("light") or "transmitted",
        encoding=form.text("encoding") or "auto",
        stand_off_um=parse_stand_off_um(stand_off) if stand_off else 0.0,
        allowance_um=allowance_um,
        path_um=path_um,
        sensor=form.text("sensor"),
        lamp_deg=None if lamp is None else (lamp, lamp),
        view_deg=None if view is None else (view, view),
    )
    made = artefacts.add_device(desk.registry, new, form.terms())
    return f"/scales?added={made.event}#devices"


def _pictures(data: FormData, folder: Path) -> list[Path]:
    """Copies of the pictures sent. Raises `UsageError`, `NotAnImageError`, `EmptyFileError`."""
    sent = sent_files(data, "pictures")
    if not 1 <= len(sent) <= _MOST_PICTURES:
        raise UsageError(message=f"Choose 1 to {_MOST_PICTURES} pictures.")
    return [
        keep_scan(file.filename or "", file.file, folder / str(number))
        for number, file in enumerate(sent, start=1)
    ]


def _calibrate(desk: Desk, form: Form, folder: Path, data: FormData) -> str:
    """Measure an artefact in pictures and record the scale of a device."""
    pictures = ArtefactPictures(_pictures(data, folder), accept_scale=form.text("accept_scale"))
    terms = form.terms()
    artefact, device = form.needed("artefact", "Artefact"), form.needed("device", "Device")
    months = form.count("interval_months", "Months until the next calibration")
    stand_off = form.text("stand_off")
    conditions = ScaleConditions(
        interval_months=12 if months is None else months,
        stand_off_um=parse_stand_off_um(stand_off) if stand_off else None,
        temperature_c=form.number("temperature", "Temperature"),
    )
    base = form.text("base") or None

    def work(task: Task) -> str:
        own = replace(pictures, progress=task.advance)
        _, kept = calibrate_device(
            desk.registry, own, artefact, device, conditions, terms, base=base
        )
        return f"/scale?device={device}&event={kept.event}"

    title = f"Measuring {artefact} for {device}"
    return f"/tasks/{desk.tasks.start('scale', title, '/scales#calibrate', folder, work).id}"


def _test_lamp(desk: Desk, form: Form, folder: Path, data: FormData) -> str:
    """Measure a certified cloth and record what the lamp of a device does to its wires."""
    from sieve_inspect.illumination.model import Illumination
    from sieve_inspect.measurement.options import Resources
    from sieve_inspect.measurement.pipeline import measure
    from sieve_inspect.measurement.reference_cloth import CertifiedCloth, of_reference
    from sieve_inspect.standard import resolve_nominal

    registry, terms = desk.registry, form.terms()
    images, device = _pictures(data, folder), form.needed("device", "Device")
    nominal_um = resolve_nominal(form.needed("nominal", "Nominal aperture"))
    means = [form.length_um(name) for name in ("mean_x", "mean_y", "u_mean")]
    if means[0] is None or means[1] is None or means[2] is None:
        raise UsageError(message="Certified means and their U missing: see the certificate.")
    certified = CertifiedCloth((means[0], means[1]), None, means[2])
    certified.check(nominal_um)
    source = form.needed("source", "Certificate")
    request = ScaleRequest(registry.today(), recorded=form.needed("scale", "Scale"))
    scale = choose_scale(registry, request, images).scale
    months = form.count("interval_months", "Months until the next test")

    def work(task: Task) -> str:
        def advance(number: int, share: float) -> None:
            task.advance((number + share) / len(images))

        seen = measure(
            images,
            nominal_um=nominal_um,
            scale=scale,
            encoding="auto",
            illumination=Illumination.stated(None, form.number("view", "View angle")),
            resources=Resources(progress=advance),
        )
        lit = of_reference(seen, certified, source)
        until = 12 if months is None else months
        lamps.record_illumination(registry, device, lit, device, images, until, terms)
        return "/scales#lamps"

    title = f"Measuring the reference cloth for {device}"
    return f"/tasks/{desk.tasks.start('lamp', title, '/scales#lamps', folder, work).id}"


def scale(request: Request) -> Response:
    """One calibration: its figures, and the picture of how well the marks fit."""
    registry, wanted = desk_of(request).registry, request.query_params.get("event", "")
    device = request.query_params.get("device", "")
    history, jumps = drift_of(registry, device)
    kept = next((scale for scale in history if str(scale.event) == wanted), None)
    if kept is None:
        raise HTTPException(404, "This calibration does not exist, or was declared void")
    picture = next((f.sha256 for f in kept.evidence if f.role == "residuals"), "")
    jump = next((jump for jump in jumps if jump.bad.event == kept.event), None)
    return page(
        request, "scale.html", scale=kept, history=history[::-1], picture=picture, jump=jump
    )


def residuals(request: Request) -> Response:
    """The picture of the residuals of a calibration."""
    registry, sha256 = desk_of(request).registry, request.path_params["sha256"]
    pictures = {
        file.sha256
        for scale in recorded_scales(registry, registry.today())
        for one in history_of_device(registry, scale.device)
        for file in one.evidence
        if file.role == "residuals"
    }
    if sha256 not in pictures:
        raise HTTPException(404, "This picture does not exist")
    return Response(evidence_bytes(registry, sha256), media_type="image/png")


def drift_chart(request: Request) -> Response:
    """The scales of a device over time, as SVG."""
    history = history_of_device(desk_of(request).registry, request.query_params.get("device", ""))
    if not history:
        raise HTTPException(404, "This device has no scale yet")
    policy = {"Content-Security-Policy": PRINT_POLICY}
    return Response(drift_svg(history), media_type="image/svg+xml", headers=policy)


READS = (
    ("/scales", overview),
    ("/scale", scale),
    ("/scale/drift.svg", drift_chart),
    ("/scale/residuals/{sha256}.png", residuals),
)
WRITES = (
    ("/scales/artefacts", act_with_files(_add_artefact)),
    ("/scales/devices", act(_add_device)),
    ("/scales/calibrate", act_with_files(_calibrate)),
    ("/scales/lamp", act_with_files(_test_lamp)),
)
