"""What a result depends on beside its input: the measuring code and the libraries it computes with.

Equal software gives equal results to the byte, so a cached result may be reused and a worker's
result accepted.
"""

from __future__ import annotations

import hashlib
import platform
from functools import cache
from pathlib import Path

_PACKAGE = Path(__file__).parents[1]  # sieve_inspect
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
    """Versions by name; `code` is the SHA-256 of the measuring package's source."""
    return {
        "system": f"{platform.system()} {platform.machine()}",
        "python": platform.python_version(),
        "code": code_digest(_PACKAGE),
        **{package: _version(package) for package in _PACKAGES},
    }


def code_digest(root: Path) -> str:
    """SHA-256, in hexadecimal digits, of every Python module under a folder and of their paths."""
    code = hashlib.sha256()
    for path in sorted(root.rglob("*.py")):
        code.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes())
    return code.hexdigest()


def _version(package: str) -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version(package)
    except PackageNotFoundError:
        return "not installed"
