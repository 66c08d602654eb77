"""The settings of a user, kept in one JSON file of the user's configuration folder.

They fill in what was not typed: they never change what is recorded already.
"""

from __future__ import annotations

import base64
import io
import json
import os
import shutil
import warnings
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path

from sieve_inspect.errors import UnwritableOutputError, UsageError
from sieve_inspect.files import open_regular
from sieve_registry.values import clean_text

SETTINGS_VARIABLE = "SIEVEWARD_SETTINGS"
MOST_LOGO_BYTES = 500_000
MOST_LOGO_PIXELS = 25_000_000  # a few kB may unpack to gigabytes
_LOGO_STARTS = {".png": b"\x89PNG\r\n\x1a\n", ".jpg": b"\xff\xd8\xff", ".jpeg": b"\xff\xd8\xff"}


@dataclass(frozen=True)
class Settings:
    """What is filled in where nothing was typed; "" is not set.

    `device` and `scale` are names of the registry; `logo` is the path of a PNG or JPEG file.
    `trusted_key` is the public key (hex) that has to have signed the ledger last.
    """

    person: str = ""
    device: str = ""
    scale: str = ""
    laboratory: str = ""
    address: str = ""
    logo: str = ""
    trusted_key: str = ""


@dataclass(frozen=True)
class Letterhead:
    """The laboratory as reports show it; `logo` is a data URI, "" without one."""

    name: str
    address: str
    logo: str


NAMES = tuple(field.name for field in fields(Settings))


def settings_file() -> Path:
    """The file of the settings: `SIEVEWARD_SETTINGS`, else in the user's configuration folder."""
    named = os.environ.get(SETTINGS_VARIABLE)
    if named:
        return Path(named)
    from platformdirs import user_config_path

    return user_config_path("sieveward", appauthor=False) / "settings.json"


def load_settings() -> Settings:
    """The settings; all "" where none were made. Raises `UsageError` for an unreadable file."""
    path = settings_file()
    try:
        content = json.loads(path.read_text("utf-8"))
        if not isinstance(content, dict) or set(content) - set(NAMES):
            raise ValueError(f"it holds other names than {', '.join(NAMES)}")
        return Settings(**{name: clean_text(name, str(text)) for name, text in content.items()})
    except (FileNotFoundError, NotADirectoryError):
        return Settings()
    except (OSError, ValueError) as error:
        raise UsageError(
            message=f"The settings file {path} cannot be read ({error}): correct or remove it."
        ) from error


def change_settings(changes: Mapping[str, str]) -> Settings:
    """Set some settings, "" to clear one. Raises `UsageError`, `UnwritableOutputError`."""
    cleaned = {name: clean_text(name, text) for name, text in changes.items()}
    if cleaned.get("logo"):
        cleaned["logo"] = str(Path(cleaned["logo"]).absolute())
        _logo_uri(Path(cleaned["logo"]))
    changed = replace(load_settings(), **cleaned)
    path = settings_file()
    text = json.dumps({n: v for n, v in asdict(changed).items() if v}, indent=2, ensure_ascii=False)
    draft = path.with_name(f"{path.name}.new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        draft.write_text(text + "\n", "utf-8")
        draft.replace(path)
    except OSError as error:
        raise UnwritableOutputError(
            file=path, reason=(error.strerror or "no access").lower()
        ) from error
    return changed


def keep_logo(sent: Path) -> Path:
    """Copy a logo beside the settings. Raises `UsageError`, `UnwritableOutputError`."""
    _logo_uri(sent)
    kept = settings_file().with_name(f"logo{sent.suffix.lower()}")
    try:
        kept.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(sent, kept)
    except OSError as error:
        raise UnwritableOutputError(
            file=kept, reason=(error.strerror or "no access").lower()
        ) from error
    return kept


def letterhead() -> Letterhead | None:
    """The laboratory for the head of a report, None where it is not set. Raises `UsageError`."""
    known = load_settings()
    if not (known.laboratory or known.logo):
        return None
    logo = _logo_uri(Path(known.logo)) if known.logo else ""
    return Letterhead(known.laboratory, known.address, logo)


def _logo_uri(path: Path) -> str:
    """A logo as a data URI. Raises `UsageError` for a file that is no small PNG or JPEG."""
    start = _LOGO_STARTS.get(path.suffix.lower())
    try:
        with open_regular(path) as stream:
            data = stream.read(MOST_LOGO_BYTES + 1)
    except OSError as error:
        reason = (error.strerror or "no access").lower()
        raise UsageError(message=f"The logo {path} cannot be read ({reason}).") from error
    if start is None or not data.startswith(start) or len(data) > MOST_LOGO_BYTES:
        raise UsageError(
            message=f"The logo {path.name} must be a PNG or JPEG of at most "
            f"{MOST_LOGO_BYTES // 1000} kB."
        )
    if _pixels(data) > MOST_LOGO_PIXELS:
        raise UsageError(
            message=f"The logo {path.name} has over {MOST_LOGO_PIXELS // 10**6} megapixels: "
            "save it smaller."
        )
    kind = "png" if path.suffix.lower() == ".png" else "jpeg"
    return f"data:image/{kind};base64,{base64.b64encode(data).decode('ascii')}"


def _pixels(data: bytes) -> int:
    """The pixels a picture file states, by its header alone; 0 where that cannot be read."""
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            width, height = Image.open(io.BytesIO(data), formats=["PNG", "JPEG"]).size
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        return MOST_LOGO_PIXELS + 1
    except (OSError, SyntaxError, ValueError):
        return 0
    return width * height
