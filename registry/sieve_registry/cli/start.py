"""The program's entry point: it can be stopped from the keyboard while it loads."""

from __future__ import annotations

import sys


def main() -> None:
    """Run the program; stopped before a command has begun, it ends with a sentence."""
    try:
        from sieve_registry.cli.main import main as run

        run()
    except KeyboardInterrupt:
        line = "\n" if sys.stderr.isatty() else ""  # after the ^C
        sys.stderr.write(f"{line}sieveward: Stopped before the command began.\n")
        sys.exit(130)
