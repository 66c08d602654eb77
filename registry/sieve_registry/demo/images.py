"""Where the demo's scans lie: in the source tree, or beside this file once installed."""

from __future__ import annotations

from pathlib import Path

from sieve_inspect.errors import UnreadableImageError

CERTIFICATE = "certificate-EX-1147.pdf"


def source_folder() -> Path:
    """The folder of the scans in the source tree."""
    return Path(__file__).resolve().parents[3] / "demo_images"


def images_folder() -> Path:
    """The folder with the demo's scans and scale files. Raises `UnreadableImageError`."""
    for place in (Path(__file__).resolve().parent / "images", source_folder()):
        if (place / scale_name(4800)).is_file():
            return place
    raise UnreadableImageError(
        file=source_folder(),
        reason="the demo's scans are not there; `python -m sieve_registry.demo.scans` draws them",
    )


def scale_name(dpi: int) -> str:
    """The file in which the demo scanner's scale at a resolution is kept."""
    return f"scanner-{dpi}dpi.json"
