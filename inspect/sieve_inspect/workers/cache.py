"""The result cache: results stored in a folder as they come, so that an interrupted run resumes.

One file a task: a line of JSON with all that the result depends on and a seal of what follows, then
the result as values (`plain_form`): nothing in it can be made to run. The seal needs the user's own
key (`own_key`), so that a result changed or written by somebody else is measured again.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, TypeVar

from sieve_inspect.errors import UnwritableOutputError
from sieve_inspect.files import parse_json, read_file, write_pieces
from sieve_inspect.workers.own_key import is_own, sealed_by
from sieve_inspect.workers.plain_form import from_bytes, to_bytes
from sieve_inspect.workers.runner import Progress, Runner, TaskProgress, run_serially
from sieve_inspect.workers.software import software

T = TypeVar("T")
R = TypeVar("R")

SCHEMA = "sieveward.kept/2"

_MOST_BYTES = 2_000_000_000  # of a stored result


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
        try:
            body = to_bytes(result)
        except (TypeError, ValueError) as error:
            self.remark(f"The result of {key.title} cannot be kept: {error}.")
            return
        header = {**key.header(), "seal": sealed_by(_sealed(key.header(), body))}
        write_pieces(self.folder / key.file, [json.dumps(header).encode(), b"\n", body])

    def _read(self, key: CacheKey, task: T) -> R | None:
        try:
            return self._checked(read_file(self.folder / key.file, _MOST_BYTES), key, task)
        except FileNotFoundError:
            return None
        except OSError as error:
            reason = f"cannot be read ({error.strerror or 'no access'})"
        except _UnusableError as error:
            reason = str(error)
        except Exception:  # a damaged file can raise anything
            reason = "is damaged"
        self.remark(
            f"The result of {key.title} stored in {self.folder} {reason}; measuring it again."
        )
        return None

    def _checked(self, data: bytes, key: CacheKey, task: T) -> R:
        head, _, body = data.partition(b"\n")
        header = parse_json(head)
        seal = str(header.pop("seal", ""))
        if header != key.header():
            raise _UnusableError("was made with other settings or another version")
        if not is_own(_sealed(header, body), seal):
            raise _UnusableError("is damaged, or was not stored by this user")
        result = self.accepted(from_bytes(body), task, key)
        if result is None:
            raise _UnusableError("belongs to another scan")
        return result


def _sealed(header: dict[str, Any], body: bytes) -> bytes:
    return json.dumps(header, sort_keys=True).encode() + b"\n" + body


class _UnusableError(Exception):
    """A stored result that is damaged or belongs to another task."""
