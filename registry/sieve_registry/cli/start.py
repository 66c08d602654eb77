"""Where the program begins: it can be stopped from the keyboard while it still loads."""

from __future__ import annotations

import sys

__all__ = ["main"]


def main() -> None:
    """Run the program; whoever stops it before a command has begun is told in a sentence, too."""
    try:
        from sieve_registry.cli.main import main as run

        run()
    except KeyboardInterrupt:
        line = "\n" if sys.stderr.isatty() else ""  # after the ^C
        sys.stderr.write(f"{line}sieveward: Stopped before anything was begun.\n")
        sys.exit(130)
