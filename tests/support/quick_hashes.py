"""Hashes of passwords that take no time, for tests of everything around them."""

from __future__ import annotations

import pytest
from argon2 import PasswordHasher

from sieve_registry.people import sign_in

_QUICK = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
_DECOY = _QUICK.hash("nobody's password")


def hash_quickly(monkeypatch: pytest.MonkeyPatch) -> None:
    """Have passwords hashed with the least work the library allows."""
    monkeypatch.setattr(sign_in, "_hasher", lambda: _QUICK)
    monkeypatch.setattr(sign_in, "_decoy", lambda: _DECOY)
