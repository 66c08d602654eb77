"""Browser pages that may ask for nothing but their own address and may complain of nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Error, Page, Request


@dataclass
class PageWatch:
    """Opens pages and collects errors, console errors and requests to other addresses."""

    browser: Browser
    complaints: list[str] = field(default_factory=list)
    contexts: list[BrowserContext] = field(default_factory=list)

    def open(self, allowed: Sequence[str], **options: Any) -> Page:
        """A new page in a context of its own; `allowed` are the addresses it may begin with."""
        context = self.browser.new_context(**options)
        self.contexts.append(context)
        page = context.new_page()

        def on_error(error: Error) -> None:
            self.complaints.append(str(error))

        def on_message(message: ConsoleMessage) -> None:
            if message.type == "error":
                self.complaints.append(message.text)

        def on_request(request: Request) -> None:
            if not request.url.startswith(tuple(allowed)):
                self.complaints.append(f"requested {request.url}")

        page.on("pageerror", on_error)
        page.on("console", on_message)
        page.on("request", on_request)
        return page

    def close(self) -> None:
        """Close all pages; a test fails here where one complained."""
        for context in self.contexts:
            context.close()
        assert self.complaints == []
