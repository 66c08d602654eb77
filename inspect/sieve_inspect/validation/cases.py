"""The pictures of the accuracy rows: fixed and seeded, the same on every machine."""

from __future__ import annotations

from sieve_inspect.synthetic import BlurKind, Cloth, Light, Optics, Ring, Sensor
from sieve_inspect.validation.drawing import Case

_WIRE = 0.65  # of the opening, as cloth of 75 um has it
_QUIET = 0.005  # of full scale, a good scan


def _cloth(aperture: float, seed: int, **more: float) -> Cloth:
    """Cloth with gaps that vary by s = 3 % of w, unless `more` sets it."""
    given = {"sd_px": 0.03 * aperture, "rotation_deg": 3.0, **more}
    # Off whole numbers of pixels, which could favour an estimator by chance.
    return Cloth(aperture + 0.137, _WIRE * aperture + 0.071, seed=seed, **given)  # type: ignore[arg-type]


def clean_cases() -> list[Case]:
    """Clean scans: 7 to 48 px, a blur of 1 px, 8 bits."""
    sensor = Sensor(noise=_QUIET, seed=1)
    return [
        Case(
            f"clean-{size:g}",
            f"clean scan, aperture {size:g} px, Gaussian blur 1 px, noise 0.5 %",
            _cloth(size, 100 + n),
            sensor=sensor,
            shape=(600, 800) if size > 20 else (420, 560),
            quick=size == 14,
        )
        for n, size in enumerate((7, 10, 14, 20, 28, 48))
    ]


def _sizes() -> list[Case]:
    return [
        Case(
            f"aperture-{size:g}",
            f"aperture {size:g} px, Gaussian blur {blur:g} px, noise 1 %",
            _cloth(size, 200 + n),
            Optics("gaussian", blur),
            Sensor(noise=0.01, seed=n),
            shape=(700, 900) if size > 40 else (420, 560),
            quick=size == 5,
        )
        for n, (size, blur) in enumerate(((5, 0.7), (7, 1), (10, 1), (28, 1), (48, 1), (60, 1)))
    ]


def _geometry() -> list[Case]:
    sensor = Sensor(noise=0.01, seed=2)
    turns = [
        Case(
            f"rotation-{turn:g}",
            f"turned by {turn:g}°",
            _cloth(14, 300 + n, rotation_deg=turn),
            sensor=sensor,
        )
        for n, turn in enumerate((0, 8, 20, 33, 44, 61, 77, 90))
    ]
    return [
        *turns,
        Case("skew-2", "warp and weft 2° from square", _cloth(14, 320, skew_deg=2), sensor=sensor),
        Case(
            "stretch-3",
            "x and y scale 3 % apart, turned by 20°",
            _cloth(14, 321, stretch_y=1.03, rotation_deg=20),
            sensor=sensor,
        ),
        Case(
            "skew-stretch",
            "2° from square, scales 3 % apart, turned by 35°",
            _cloth(20, 322, skew_deg=-2, stretch_x=1.03, rotation_deg=35),
            sensor=sensor,
        ),
        Case("bend-3", "bent by 3 px to the edge", _cloth(14, 323, bend_px=3), sensor=sensor),
        Case(
            "irregular-12",
            "uneven cloth, s = 12 % of w",
            _cloth(14, 324, sd_px=0.12 * 14),
            sensor=sensor,
        ),
        Case(
            "irregular-12-coarse",
            "uneven cloth, s = 12 % of w, and 2 % along each wire",
            _cloth(28, 325, sd_px=0.12 * 28, along_sd_px=0.02 * 28),
            sensor=sensor,
            shape=(600, 800),
        ),
    ]


_BLURS: tuple[tuple[str, BlurKind, float, float, float], ...] = (
    # name, kind, size, share, core
    ("gaussian-0.6", "gaussian", 0.6, 0.0, 0.0),
    ("gaussian-1.5", "gaussian", 1.5, 0.0, 0.0),
    ("gaussian-2", "gaussian", 2.0, 0.0, 0.0),
    ("gaussian-3", "gaussian", 3.0, 0.0, 0.0),
    ("disc-1.5", "disc", 1.5, 0.0, 0.5),
    ("disc-3", "disc", 3.0, 0.0, 0.5),
    ("smear-1", "smear", 1.0, 0.0, 0.7),
    ("smear-2", "smear", 2.0, 0.0, 0.7),
    ("glare-6", "glare", 6.0, 0.1, 0.9),
    ("glare-4-20", "glare", 4.0, 0.2, 0.9),
    ("halo-0.5", "halo", 1.2, 0.5, 0.8),
    ("halo-1", "halo", 1.5, 1.0, 0.9),
)


def _blurs() -> list[Case]:
    return [
        Case(
            f"blur-{name}",
            f"blur {kind} of {size:g} px"
            + (f", share {share:g}" if share else "")
            + (f", core {core:g} px" if core else ""),
            _cloth(28 if size >= 3 and kind == "gaussian" else 14, 400 + n),
            Optics(kind, size, share, core),
            Sensor(noise=0.01, seed=n),
            shape=(600, 800) if size >= 3 and kind == "gaussian" else (520, 680),
            quick=name in ("disc-1.5", "halo-0.5"),
        )
        for n, (name, kind, size, share, core) in enumerate(_BLURS)
    ]


def _sensors() -> list[Case]:
    noise = [
        Case(
            f"noise-{100 * share:g}",
            f"noise {100 * share:g} %",
            _cloth(14, 500 + n),
            sensor=Sensor(noise=share, seed=n),
        )
        for n, share in enumerate((0.002, 0.02, 0.04, 0.06))
    ]
    return [
        *noise,
        Case(
            "noise-6-coarse",
            "noise 6 %, aperture 28 px",
            _cloth(28, 510),
            sensor=Sensor(noise=0.06, seed=5),
            shape=(600, 800),
        ),
        Case(
            "contrast-quarter",
            "contrast down to a quarter",
            _cloth(14, 511),
            sensor=Sensor(noise=0.005, seed=6),
            light=Light(open_level=0.45, wire_level=0.25),
        ),
        Case(
            "falloff-half",
            "light falling to half in the corners, a tenth from side to side",
            _cloth(14, 512),
            sensor=Sensor(noise=0.01, seed=7),
            light=Light(falloff=0.5, tilt=0.1),
        ),
        Case(
            "saturated",
            "openings beyond the sensor's range (gain 1.3)",
            _cloth(14, 513),
            sensor=Sensor(noise=0.01, gain=1.3, seed=8),
            light=Light(open_level=0.9),
        ),
        Case(
            "jpeg-85",
            "JPEG of quality 85",
            _cloth(14, 514),
            sensor=Sensor(noise=0.01, jpeg_quality=85, seed=9),
            suffix=".jpg",
        ),
        Case(
            "colour-shifted",
            "colour, channels a quarter px apart",
            _cloth(14, 515),
            sensor=Sensor(noise=0.01, channels=3, channel_shift_px=(0.25, 0.1), seed=10),
        ),
        Case(
            "sixteen-bit-linear",
            "16 bit, linear, TIFF without tags",
            _cloth(14, 516),
            sensor=Sensor(noise=0.005, bits=16, encoding="linear", seed=11),
            suffix=".tif",
        ),
        Case(
            "sixteen-bit-srgb",
            "16 bit with the sRGB curve, TIFF without tags",
            _cloth(14, 517),
            sensor=Sensor(noise=0.005, bits=16, seed=12),
            suffix=".tif",
        ),
        Case(
            "eight-bit-linear",
            "8 bit, linear, PNG without tags",
            _cloth(14, 518),
            sensor=Sensor(noise=0.005, encoding="linear", seed=13),
        ),
    ]


def _scenes() -> list[Case]:
    sensor = Sensor(noise=0.01, seed=14)
    return [
        Case(
            "frame-ring",
            "the frame's ring and the dark surround in the picture",
            Cloth(14.137, 9.2, sd_px=0.4, rotation_deg=12, seed=600, ring=Ring(250, 30)),
            sensor=sensor,
            shape=(640, 680),
        ),
        Case(
            "reversed",
            "light from above: dark openings, bright wires",
            _cloth(14, 601),
            sensor=sensor,
            light=Light.reversed(),
            quick=True,
        ),
        Case(
            "everything",
            "noise 2 %, disc 1.5 px, turned by 27°, 1° from square, falloff a third, JPEG 85",
            _cloth(20, 602, rotation_deg=27, skew_deg=1, along_sd_px=0.2),
            Optics("disc", 1.5),
            Sensor(noise=0.02, jpeg_quality=85, seed=15),
            Light(falloff=0.33),
            shape=(600, 800),
            suffix=".jpg",
        ),
    ]


def hard_cases() -> list[Case]:
    """Scans with the faults of real ones: size, geometry, blur, sensor, scene."""
    return [*_sizes(), *_geometry(), *_blurs(), *_sensors(), *_scenes()]


def comb_cases() -> list[Case]:
    """Alternating wide and narrow gaps."""
    return [
        Case(
            "comb",
            "comb of 0.8 px in x and 0.3 px in y",
            _cloth(14, 700, comb_px=0.8, comb_y_px=0.3),
            sensor=Sensor(noise=0.01, seed=16),
            quick=True,
        )
    ]
