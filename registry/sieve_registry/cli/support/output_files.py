"""The output files of a command, checked before the work begins."""

from __future__ import annotations

import os
from collections.abc import Iterable
from itertools import combinations
from pathlib import Path

from sieve_inspect.errors import UsageError
from sieve_inspect.files import check_writable

# The kind of file these options write, which its name must show.
_KINDS = {
    "--map": (".svg",),
    "--plot": (".svg",),
    "--overlay": (".png",),
    "--residuals": (".png",),
    "--html": (".html", ".htm"),
}
Named = tuple[str, Path | None]  # its name for a person; None where not wanted


def check_outputs(outputs: Iterable[Named], json: str | None, inputs: Iterable[Named] = ()) -> None:
    """Refuse outputs that replace an input or each other, have the wrong kind, or are unwritable.

    `json` is the value of `--json`. Links to one file count as that file. Raises
    `UsageError`, `UnwritableOutputError`.
    """
    outputs_and_json = [*outputs, ("--json", None if json in (None, "-") else Path(str(json)))]
    wanted = [(what, path) for what, path in outputs_and_json if path is not None]
    for what, path in wanted:
        for source, given in inputs:
            if given is not None and _same(path, given):
                raise UsageError(
                    message=f"{what} {path} would overwrite {source} {given}: name another file."
                )
    for (first, path), (second, other) in combinations(wanted, 2):
        if _same(path, other):
            raise UsageError(
                message=f"{first} and {second} would both be written to {path}: name two files."
            )
    for what, path in wanted:
        check_writable(path)
        kinds = _KINDS.get(what)
        if kinds is not None and path.suffix.lower() not in kinds:
            raise UsageError(
                message=f"{what} writes {kinds[0][1:].upper()}: end '{path.name}' with {kinds[0]}."
            )


def existing_file(text: str | None) -> Path | None:
    """The file a typed name means, None where there is no such file."""
    return Path(text) if text is not None and Path(text).is_file() else None


def _same(path: Path, other: Path) -> bool:
    try:
        if path.samefile(other):
            return True
    except OSError:  # one of them does not exist yet
        pass
    return _real(path) == _real(other)


def _real(path: Path) -> str:
    return os.path.normcase(os.path.realpath(path))
