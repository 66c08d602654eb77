"""A check to report on, built from a synthetic cloth's truth; all names are invented."""

from __future__ import annotations

import functools
import io
from dataclasses import replace
from typing import Any

import numpy as np
from PIL import Image, ImageDraw

from sieve_inspect.measurement.model import cleaned
from sieve_inspect.standard import limits
from sieve_inspect.summary.direction import DirectionSummary
from sieve_inspect.synthetic import Cloth, Damage, Light, Optics, Render, Sensor, render
from sieve_inspect.verdict import ClothState, judge
from sieve_registry.report import Apertures, CheckView, Overlay, ScanFile, SieveFacts

UM_PER_PX = 5.29
HASHES = ["3f" * 32, "a7" * 32]


def field(seed: int = 1, aperture_um: float = 75.9, shape: tuple[int, int] = (700, 900)) -> Render:
    cloth = Cloth(
        aperture_um / UM_PER_PX,
        50 / UM_PER_PX,
        sd_px=0.35,
        along_sd_px=0.15,
        rotation_deg=3.0,
        damage=Damage(blocked=6, dust=3),
        seed=seed,
    )
    return render(cloth, Optics(), Sensor(noise=0.01), shape, light=Light(0.8, 0.05))


def overlay(drawn: Render) -> bytes:
    picture = Image.fromarray(drawn.image).convert("RGB")
    pen = ImageDraw.Draw(picture)
    truth = drawn.truth
    for x, y, state in zip(truth.x_px, truth.y_px, truth.state, strict=True):
        if state == "ok":
            pen.ellipse((x - 2, y - 2, x + 2, y + 2), outline="black")
        elif state == "blocked":
            pen.line((x - 6, y - 6, x + 6, y + 6), fill="white", width=2)
    out = io.BytesIO()
    picture.save(out, "PNG")
    return out.getvalue()


def csv_of(drawn: Render) -> str:
    truth = drawn.truth
    lines = ["image,row,col,x_px,y_px,width_x_um,width_y_um,state,flags"]
    for i in range(len(truth)):
        ok = truth.state[i] == "ok"
        widths = [w[i] * UM_PER_PX for w in (truth.width_x_px, truth.width_y_px)]
        texts = [f"{w:.4f}" if ok else "" for w in widths]
        lines.append(
            f"0,{truth.row[i]},{truth.col[i]},{truth.x_px[i]:.3f},{truth.y_px[i]:.3f},"
            f"{texts[0]},{texts[1]},{truth.state[i]},"
        )
    return "\n".join(lines) + "\n"


@functools.cache
def drawn_once(aperture_um: float) -> tuple[str, bytes]:
    """The table and the overlay of a field."""
    drawn = field(aperture_um=aperture_um)
    return csv_of(drawn), overlay(drawn)


def summary(widths: np.ndarray, u_mean: float) -> DirectionSummary:
    return DirectionSummary(
        count=len(widths),
        mean_um=float(widths.mean()),
        sd_um=float(widths.std(ddof=1)),
        min_um=float(widths.min()),
        max_um=float(widths.max()),
        median_um=float(np.median(widths)),
        u_mean_um=u_mean,
        u_sd_um=0.11,
        u_max_um=0.52,
        wire_mean_um=49.71,
        wire_count=60,
        pitch_um=125.9,
        odd_even_um=0.21,
    )


def measurement(x: DirectionSummary, y: DirectionSummary, **changes: Any) -> dict[str, Any]:
    return {
        "schema": "sieveward.measurement/1",
        "nominal_um": 75.0,
        "angle_deg": 3.0,
        "images": [
            {
                "file": f"tray-{i + 1}.png",
                "sha256": sha,
                "width_px": 900,
                "height_px": 700,
                "encoding": "srgb",
            }
            for i, sha in enumerate(HASHES)
        ],
        "scale": {
            "um_per_px_x": 5.29,
            "um_per_px_y": 5.2874,
            "u_rel_x": 0.001,
            "u_rel_y": 0.0012,
            "edge_bias_px": 0.0,
            "source": "dot target D-17, certificate 2031-044, measured 2031-03-02",
        },
        "directions": {"x": cleaned(x.to_dict()), "y": cleaned(y.to_dict())},
        "apertures": {
            "measured": x.count,
            "blocked": 6,
            "torn": 0,
            "excluded": 61,
            "blocked_share": 0.004,
        },
        "imaging": {
            "blur_px": 1.02,
            "noise_percent": 1.04,
            "contrast": 0.74,
            "aperture_px": 14.3,
            "fit": "ok",
            "reasons": [],
        },
        "budget": [
            {"name": "scale", "direction": "x", "value_um": 0.0759, "dof": None},
            {"name": "scale", "direction": "y", "value_um": 0.0911, "dof": None},
            {"name": "edge finding", "value_um": 0.21, "dof": 12},
            {"name": "sampling", "direction": "x", "value_um": 0.083, "dof": 917},
        ],
        **changes,
    }


def sample(
    *, aperture_um: float = 75.9, fit: str = "ok", rule: str = "guard-band", **changes: Any
) -> CheckView:
    """A full view: 75 um by ISO 3310-1:2016, judged from the cloth's truth."""
    table, picture = drawn_once(aperture_um)
    apertures = Apertures.from_csv(table)
    x, y = summary(apertures.widths("x"), 0.24), summary(apertures.widths("y"), 0.25)
    bounds = limits(75.0, "iso3310-1:2016")
    reasons = ["only 6.1 px per aperture"] if fit == "indicative" else []
    verdict = judge(x, y, bounds, fit=fit, fit_reasons=reasons, cloth=ClothState(0.004), rule=rule)
    view = CheckView(
        sieve=SieveFacts(
            id="TS-0412",
            nominal_um=75.0,
            standard="iso3310-1:2016",
            grade="compliance",
            serial="W 20 31907",
            maker="Example Weavers",
            frame_um=200_000.0,
            in_service="2029-05-11",
            location="powder room 2",
            status="in service",
        ),
        check_id="C-0031",
        on_date="2031-03-04",
        operator="R. Example",
        software="sieveward 0.1.0",
        measurement=measurement(x, y),
        limits=bounds.to_dict(),
        verdict=verdict.to_dict(),
        apertures=apertures,
        overlays=(Overlay("tray-1.png", picture),),
        scans=tuple(ScanFile(f"tray-{i + 1}.png", sha) for i, sha in enumerate(HASHES)),
        ledger_head="c4" * 32,
        ledger_events=212,
        event_hash="9e" * 32,
        recorded_at="2031-03-04T09:12:44Z",
    )
    return replace(view, **changes)
