"""Where a registry lies: a path, an sqlite URL, or the default in the user's data folder."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import unquote

from sieve_inspect.errors import UsageError

__all__ = ["evidence_folder", "registry_path"]

_SQLITE = "sqlite:///"


def registry_path(target: str | Path | None) -> Path:
    """The registry's file for what `--registry` says; None or "" is the default file.

    Raises `UsageError` for the address of another kind of database.
    """
    if target is None or target == "":
        from platformdirs import user_data_path

        return user_data_path("sieveward", appauthor=False) / "registry.sqlite"
    text = str(target)
    if text.startswith(_SQLITE):
        text = unquote(text[len(_SQLITE) :])
    elif "://" in text:
        raise UsageError(
            message=f"'{text.split('://', 1)[0]}' addresses are not served yet: give the path of "
            "a registry file, or sqlite:///PATH."
        )
    return Path(text).expanduser()


def evidence_folder(registry: Path) -> Path:
    """The evidence folder beside a registry file: `lab.sqlite` has `lab.evidence`."""
    return registry.with_name(f"{registry.stem}.evidence")
