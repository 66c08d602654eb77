"""The software a record may depend on."""

from __future__ import annotations

import platform
from importlib.metadata import PackageNotFoundError, version

_LIBRARIES = ("numpy", "opencv-python-headless", "scipy")


def software() -> dict[str, str]:
    """What a figure may depend on: versions of the language and of the libraries that compute."""
    libraries = {name: package_version(name) for name in _LIBRARIES}
    return {"python": platform.python_version(), "system": platform.system(), **libraries}


def package_version(package: str) -> str:
    """The installed version of a package, or "unknown"."""
    try:
        return version(package)
    except PackageNotFoundError:
        return "unknown"
