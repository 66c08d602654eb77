"""Which tests are for a registry's file alone."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

Test = TypeVar("Test", bound=Callable[..., Any])


def file_only(test: Test) -> Test:
    """Marks a test that looks at a registry's file, which a server has not."""
    test.file_only = True  # type: ignore[attr-defined]
    return test
