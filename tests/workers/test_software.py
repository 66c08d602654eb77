"""What cached results depend on: every module of the measuring package."""

from __future__ import annotations

import hashlib
from pathlib import Path

import sieve_inspect
from sieve_inspect.workers.software import code_digest, software


def test_the_digest_covers_the_whole_measuring_package() -> None:
    assert software()["code"] == code_digest(Path(sieve_inspect.__file__).parent)


def test_a_change_in_any_module_changes_the_digest(tmp_path: Path) -> None:
    (tmp_path / "edges").mkdir()
    module = tmp_path / "edges" / "fit.py"
    module.write_bytes(b"A = 1\n")
    before = code_digest(tmp_path)
    assert before == hashlib.sha256(b"edges/fit.py\0A = 1\n").hexdigest()
    module.write_bytes(b"A = 2\n")
    assert code_digest(tmp_path) != before
