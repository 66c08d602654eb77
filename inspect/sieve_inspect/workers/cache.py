"""Results kept in a folder as they come, so that an interrupted run goes on where it was.

One file a task: a line of JSON that says what the result depends on and the SHA-256 of what
follows, then the result, pickled. What is read back is taken only if both are what they should
be, and only classes of results are ever made from it: a file put there by somebody else can lie,
but it cannot run anything.
"""

from __future__ import annotations

import hashlib
import importlib
import io
import json
import pickle
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, is_dataclass
from pathlib import Path
from typing import Any, Generic, TypeVar

from sieve_inspect.errors import UnwritableOutputError
from sieve_inspect.files import write_pieces
from sieve_inspect.workers.runner import Progress, Runner, TaskProgress, run_serially
from sieve_inspect.workers.software import software

__all__ = ["CacheKey", "ResultCache"]

T = TypeVar("T")
R = TypeVar("R")

SCHEMA = "sieveward.kept/1"

_RESULTS = (  # where the classes of results lie
    "sieve_inspect.measurement.picture",
    "sieve_inspect.image.bands",
    "sieve_inspect.summary.statistics",
    "sieve_inspect.validation.model",
    "sieve_inspect.apertures.",
    "sieve_inspect.edges.",
    "sieve_inspect.lattice.",
)
_PLAIN = {("numpy", "ndarray"), ("numpy", "dtype")} | {
    (f"numpy.{core}.multiarray", name)
    for core in ("core", "_core")
    for name in ("_reconstruct", "scalar")
}


@dataclass(frozen=True)
class CacheKey:
    """What a result is kept under: a file name, a name to speak of it, and its settings."""

    file: str
    title: str
    settings: dict[str, Any]

    def head(self) -> dict[str, Any]:
        """All that the result depends on, as it comes back from JSON."""
        told = {"schema": SCHEMA, "software": software(), "settings": self.settings}
        return dict(json.loads(json.dumps(told)))


@dataclass(frozen=True)
class ResultCache(Generic[T, R]):
    """A runner that has `run` do only what `folder` does not hold yet.

    `mark` says what a task's result is kept under, None where it cannot be; `taken` looks at a
    result kept or to be kept, and gives None where it is not that of the task; `remark` is told,
    in a sentence, why something kept could not be used.
    """

    folder: Path
    mark: Callable[[T], CacheKey | None]
    taken: Callable[[R, T, CacheKey], R | None]
    remark: Callable[[str], None]
    run: Runner[T, R] = run_serially

    def __call__(
        self, work: Callable[[T, TaskProgress], R], tasks: Iterable[T], progress: Progress
    ) -> Iterator[tuple[int, R]]:
        """Raises `UnwritableOutputError` for a folder that cannot be made or written."""
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            reason = error.strerror or "no access"
            raise UnwritableOutputError(file=self.folder, reason=reason) from error
        waiting: list[tuple[int, T, CacheKey | None]] = []
        for number, task in enumerate(tasks):
            mark = self.mark(task)
            found = None if mark is None else self._read(mark, task)
            if found is None:
                waiting.append((number, task, mark))
            else:
                progress(number, 1.0)
                yield number, found
        results = self.run(
            work,
            [task for _, task, _ in waiting],
            lambda place, share: progress(waiting[place][0], share),
        )
        for place, result in results:
            number, task, mark = waiting[place]
            if mark is not None and self.taken(result, task, mark) is not None:
                self._write(mark, result)
            yield number, result

    def _write(self, mark: CacheKey, result: R) -> None:
        body = pickle.dumps(result, protocol=4)
        head = {**mark.head(), "sha256": hashlib.sha256(body).hexdigest()}
        write_pieces(self.folder / mark.file, [json.dumps(head).encode(), b"\n", body])

    def _read(self, mark: CacheKey, task: T) -> R | None:
        try:
            return self._checked((self.folder / mark.file).read_bytes(), mark, task)
        except FileNotFoundError:
            return None
        except OSError as error:
            reason = f"cannot be read ({error.strerror or 'no access'})"
        except _UnusableError as error:
            reason = str(error)
        except Exception:  # whatever a broken or forged file leads to
            reason = "is broken"
        self.remark(f"What {self.folder} kept of {mark.title} {reason}, so it is measured again.")
        return None

    def _checked(self, data: bytes, mark: CacheKey, task: T) -> R:
        head, _, body = data.partition(b"\n")
        told = json.loads(head)
        digest = told.pop("sha256")
        if told != mark.head():
            raise _UnusableError("was made with other settings or another version")
        if hashlib.sha256(body).hexdigest() != digest:
            raise _UnusableError("is broken")
        found = self.taken(_Unpickler(io.BytesIO(body)).load(), task, mark)
        if found is None:
            raise _UnusableError("is of another scan")
        return found


class _UnusableError(Exception):
    """A file kept that is whole or not, but not what was looked for."""


class _Unpickler(pickle.Unpickler):
    """Makes results and the arrays in them, and nothing else."""

    def find_class(self, module: str, name: str) -> Any:
        """A class of results, or what NumPy and pathlib need to come back."""
        if (module, name) in _PLAIN:
            return getattr(importlib.import_module(module), name)
        if module.split(".", 1)[0] == "pathlib" and name in ("PosixPath", "WindowsPath"):
            return Path
        if module.startswith(_RESULTS) and "." not in name:
            found = getattr(importlib.import_module(module), name)
            if isinstance(found, type) and (is_dataclass(found) or issubclass(found, tuple)):
                return found
        raise pickle.UnpicklingError(f"{module}.{name}")
