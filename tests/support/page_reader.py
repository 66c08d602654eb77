"""What a browser would see of a page, for tests; tags have to be balanced."""

from __future__ import annotations

import re
from collections import Counter
from html.parser import HTMLParser

VOID = {"meta", "img", "br", "link", "input", "hr"}


class PageReader(HTMLParser):
    """Collects what a browser would see, and insists on balanced tags."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: Counter[str] = Counter()
        self.attributes: list[tuple[str, str, str | None]] = []
        self.words: list[str] = []
        self.levels: list[int] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] += 1
        self.attributes += [(tag, name, value) for name, value in attrs]
        if re.fullmatch("h[1-6]", tag):
            self.levels.append(int(tag[1]))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] += 1
        self.attributes += [(tag, name, value) for name, value in attrs]

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())

    def values(self, name: str) -> list[str]:
        return [value or "" for _, n, value in self.attributes if n == name]


def read(page: str) -> PageReader:
    reader = PageReader()
    reader.feed(page)
    reader.close()
    assert not reader.open
    return reader
