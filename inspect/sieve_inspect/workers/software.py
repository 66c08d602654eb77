"""What a result depends on beside its input: this program to the letter, and what computes for it.

Equal here means equal results to the byte, so what was kept may be taken and a worker be trusted.
"""

from __future__ import annotations

import hashlib
import platform
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

__all__ = ["software"]

_PACKAGES = (
    "sieveward",
    "numpy",
    "scipy",
    "opencv-python-headless",
    "pillow",
    "tifffile",
    "imagecodecs",
    "pyvips",
    "scikit-image",
)


@cache
def software() -> dict[str, str]:
    """Versions by name; `code` is a hash of the measuring code itself."""
    code = hashlib.sha256()
    root = Path(__file__).parent
    for path in sorted(root.rglob("*.py")):
        code.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes())
    return {
        "system": f"{platform.system()} {platform.machine()}",
        "python": platform.python_version(),
        "code": code.hexdigest(),
        **{package: _version(package) for package in _PACKAGES},
    }


def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return "not installed"
