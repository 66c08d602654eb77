"""The templates of all pages: one base page, every value escaped and made fit to print."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from sieve_registry.report.formatting import clean, edition, with_micro

if TYPE_CHECKING:
    import jinja2

__all__ = ["page_environment", "page_mark", "render_page", "static_text"]


@cache
def page_environment(*packages: str) -> jinja2.Environment:
    """Templates of some packages, each of which may extend and include those of this one."""
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
    environment.filters |= {"edition": edition, "micro": with_micro}
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
