"""The result cache: results stored in a folder as they come, so that an interrupted run resumes.

One file a task: a line of JSON with all that the result depends on and the SHA-256 of what
follows, then the result, pickled. A stored result is used only if both are right, and only
classes of results are ever made from it: a forged file can give wrong results, but it cannot run
anything.
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

T = TypeVar("T")
R = TypeVar("R")

SCHEMA = "sieveward.kept/1"

_RESULTS = (  # modules with classes of results
    "sieve_inspect.illumination.rim_light",
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
    """Where a result is stored: a file name, a title for messages, and the task's settings."""

    file: str
    title: str
    settings: dict[str, Any]

    def header(self) -> dict[str, Any]:
        """All that the result depends on, as it comes back from JSON."""
        values = {"schema": SCHEMA, "software": software(), "settings": self.settings}
        return dict(json.loads(json.dumps(values)))


@dataclass(frozen=True)
class ResultCache(Generic[T, R]):
    """A runner that has `run` do only the tasks whose results `folder` does not hold yet.

    `key` gives the key of a task, None where its result cannot be stored; `accepted` takes a
    result read or to be stored and gives it back fit for the task, None where it is of another
    task; `remark` receives a sentence when a stored result could not be used.
    """

    folder: Path
    key: Callable[[T], CacheKey | None]
    accepted: Callable[[R, T, CacheKey], R | None]
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
            key = self.key(task)
            stored = None if key is None else self._read(key, task)
            if stored is None:
                waiting.append((number, task, key))
            else:
                progress(number, 1.0)
                yield number, stored
        results = self.run(
            work,
            [task for _, task, _ in waiting],
            lambda place, share: progress(waiting[place][0], share),
        )
        for place, result in results:
            number, task, key = waiting[place]
            if key is not None and self.accepted(result, task, key) is not None:
                self._write(key, result)
            yield number, result

    def _write(self, key: CacheKey, result: R) -> None:
        body = pickle.dumps(result, protocol=4)
        header = {**key.header(), "sha256": hashlib.sha256(body).hexdigest()}
        write_pieces(self.folder / key.file, [json.dumps(header).encode(), b"\n", body])

    def _read(self, key: CacheKey, task: T) -> R | None:
        try:
            return self._checked((self.folder / key.file).read_bytes(), key, task)
        except FileNotFoundError:
            return None
        except OSError as error:
            reason = f"cannot be read ({error.strerror or 'no access'})"
        except _UnusableError as error:
            reason = str(error)
        except Exception:  # a damaged or forged file can raise anything
            reason = "is damaged"
        self.remark(
            f"The result of {key.title} stored in {self.folder} {reason}; measuring it again."
        )
        return None

    def _checked(self, data: bytes, key: CacheKey, task: T) -> R:
        head, _, body = data.partition(b"\n")
        header = json.loads(head)
        digest = header.pop("sha256")
        if header != key.header():
            raise _UnusableError("was made with other settings or another version")
        if hashlib.sha256(body).hexdigest() != digest:
            raise _UnusableError("is damaged")
        result = self.accepted(_Unpickler(io.BytesIO(body)).load(), task, key)
        if result is None:
            raise _UnusableError("belongs to another scan")
        return result


class _UnusableError(Exception):
    """A stored result that is damaged or belongs to another task."""


class _Unpickler(pickle.Unpickler):
    """Makes results and the arrays in them, and nothing else."""

    def find_class(self, module: str, name: str) -> Any:
        """A class of results, or what NumPy and pathlib need to be restored."""
        if (module, name) in _PLAIN:
            return getattr(importlib.import_module(module), name)
        if module.split(".", 1)[0] == "pathlib" and name in ("PosixPath", "WindowsPath"):
            return Path
        if module.startswith(_RESULTS) and "." not in name:
            kind = getattr(importlib.import_module(module), name)
            if isinstance(kind, type) and (is_dataclass(kind) or issubclass(kind, tuple)):
                return kind
        raise pickle.UnpicklingError(f"{module}.{name}")
