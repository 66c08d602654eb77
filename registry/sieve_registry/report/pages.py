"""Pages from templates: every value escaped and made fit to print, pictures embedded, PDF files."""

from __future__ import annotations

import base64
import io
import logging
import re
import warnings
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any, ClassVar, NamedTuple

from sieve_inspect.errors import UsageError
from sieve_registry.report.formatting import FILTERS, clean
from sieve_registry.values import shell_word

if TYPE_CHECKING:
    import jinja2
    from PIL import Image

ACCESSIBLE, ARCHIVE = "pdf/ua-1", "pdf/a-3b"  # PDF/UA (ISO 14289-1), PDF/A (ISO 19005-3)
_NOT_INTERPOLATED = "img { image-rendering: pixelated }"  # ISO 19005-3, 6.2.8
_WIDEST_PX = 1600
_NO_WEASYPRINT = (
    'PDF files need an extra part: pip install "sieveward[pdf]"; or write the page as .html and '
    "print it from a browser."
)


@cache
def page_environment(*packages: str) -> jinja2.Environment:
    """Templates of some packages, which may extend and include those of this package."""
    import jinja2

    own = "sieve_registry.report"
    environment = jinja2.Environment(
        loader=jinja2.ChoiceLoader(
            [
                *(jinja2.PackageLoader(name) for name in (*packages, own)),
                jinja2.PackageLoader(own, "static"),  # style sheets to inline
            ]
        ),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=clean,
    )
    environment.filters |= {"data_uri": data_uri, "shell_word": shell_word, **FILTERS}
    return environment


def render_page(template: str, context: Mapping[str, Any]) -> str:
    """A page from a template of this package; its styles are inlined."""
    return page_environment().get_template(template).render(context)


def static_text(name: str) -> str:
    """A static file of this package, such as a script to inline."""
    return (files("sieve_registry.report") / "static" / name).read_text("utf-8")


def page_mark(text: str) -> str:
    """The foot of each printed page; only plain characters, as it is part of a style sheet."""
    return re.sub(r"[^A-Za-z0-9 .,_/-]", "?", text)[:100]


class Embedded(NamedTuple):
    """A picture as a data URI, and whether it was reduced for the page."""

    uri: str
    reduced: bool


def embed(png: bytes, most_bytes: int) -> Embedded | None:
    """A picture for the page: at most about `most_bytes` and 1600 px wide.

    A small PNG is kept; a larger one becomes a JPEG, coarser until it fits. None for a picture
    that cannot be read.
    """
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            picture = Image.open(io.BytesIO(png), formats=["PNG"])
            if picture.width <= _WIDEST_PX and len(png) <= most_bytes:
                picture.verify()
                return Embedded(data_uri(png, "png"), reduced=False)
            picture.load()
    except (OSError, SyntaxError, ValueError, Image.DecompressionBombError):
        return None
    best = b""
    for best in _smaller(picture.convert("RGB")):
        if len(best) <= most_bytes:
            break
    return Embedded(data_uri(best, "jpeg"), reduced=True)


def _smaller(picture: Image.Image) -> Iterator[bytes]:
    from PIL import Image

    for width in (1600, 1200, 900, 600):
        size = (width, max(1, round(picture.height * width / picture.width)))
        fits = picture.width <= width
        scaled = picture if fits else picture.resize(size, Image.Resampling.LANCZOS)
        for quality in (90, 75):
            out = io.BytesIO()
            scaled.save(out, "JPEG", quality=quality)
            yield out.getvalue()


def data_uri(data: bytes, kind: str) -> str:
    """A picture file as the address of an image."""
    return f"data:image/{kind};base64,{base64.b64encode(data).decode('ascii')}"


def can_write_pdf() -> bool:
    """Whether the extra `pdf` is installed and works."""
    try:
        import weasyprint  # noqa: F401 - a shared library may be missing
    except (ImportError, OSError):
        return False
    return True


class _Steps(logging.Handler):
    """Hears how far weasyprint has come. The shares are those of a report of eight pages."""

    _shares: ClassVar = {"3": 0.1, "4": 0.15, "5": 0.2, "6": 0.4, "7": 0.85}

    def __init__(self, progress: Callable[[float], None]) -> None:
        super().__init__(logging.INFO)
        self.progress = progress

    def emit(self, record: logging.LogRecord) -> None:
        """Pass a share on for each step that begins: "Step 6 - Creating PDF"."""
        share = self._shares.get(record.getMessage()[5:6])
        if share is not None:
            self.progress(share)


@contextmanager
def _heard(progress: Callable[[float], None]) -> Iterator[None]:
    log, steps = logging.getLogger("weasyprint.progress"), _Steps(progress)
    level = log.level
    log.addHandler(steps)
    log.setLevel(logging.INFO)
    try:
        yield
    finally:
        log.removeHandler(steps)
        log.setLevel(level)


def pdf_bytes(
    page: str, variant: str = ACCESSIBLE, progress: Callable[[float], None] = lambda _: None
) -> bytes:
    """A page as a tagged PDF of A4; the same page gives the same bytes.

    Nothing is fetched. `progress` is called with the share done, 0..1. Raises `UsageError` if the
    extra is not installed, and for PDF/A where no font on this computer has a character of it.
    """
    if not can_write_pdf():
        raise UsageError(message=_NO_WEASYPRINT)
    from weasyprint import CSS, HTML

    archive = variant == ARCHIVE
    with warnings.catch_warnings(), _heard(progress):
        warnings.simplefilter("ignore", ResourceWarning)  # it leaves its colour profile open
        data: bytes = HTML(string=page).write_pdf(
            pdf_variant=variant,
            pdf_identifier=b"sieveward",
            pdf_tags=True,
            stylesheets=[CSS(string=_NOT_INTERPOLATED)] if archive else None,
            finisher=_refuse_missing if archive else None,
        )
    return data


def _refuse_missing(document: Any, _pdf: object) -> None:
    """Raise `UsageError` for characters without a glyph, which PDF/A forbids (6.2.11.8)."""
    missing = sorted({chr(code) for font in document.fonts.values() for code in font.missing})
    if missing:
        raise UsageError(
            message=f"No font on this computer has {' '.join(missing[:20])}: PDF/A needs them all. "
            "Install a font that has them, then do the same again."
        )
