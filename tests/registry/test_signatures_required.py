"""`verify --key`: a chain rewritten as a whole is caught by a signature nobody else can make."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from clock import Clock
from program import Program
from sieve_registry.audit import commands as audit_commands
from sieve_registry.audit import verification
from sieve_registry.errors import SignatureError
from sieve_registry.ledger import signing
from sieve_registry.ledger.records import NewSieve
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry, open_registry

DATABASES = ("sqlite",)
ADA = RecordTerms(by="Ada Moss")


@pytest.fixture
def key(tmp_path: Path) -> Path:
    path = tmp_path / "lab.pem"
    path.with_suffix(".pub").write_text(signing.new_key(path) + "\n")
    return path


def public(key: Path) -> str:
    return signing.public_key(str(key.with_suffix(".pub")))


@pytest.fixture
def forged(tmp_path: Path, clock: Clock) -> Registry:
    """A copy with another history, chained anew from its first event: in itself consistent."""
    registry = open_registry(tmp_path / "forged" / "registry.sqlite", create=True, now=clock)
    sieve_commands.add_sieve(registry, NewSieve("S-1", 90.0), by="Ada Moss")
    return registry


def messages(registry: Registry, key: str) -> list[str]:
    proof = verification.verify(registry, key=key)
    return [f"{f.subject}: {f.message}" for f in proof.findings]


def test_the_signed_ledger_verifies_and_lists_its_signers(
    registry: Registry, add: Callable[..., Any], key: Path
) -> None:
    add()
    audit_commands.sign_head(registry, key, ADA)
    add("S-2")
    proof = verification.verify(registry, key=public(key))
    assert proof.ok
    (signer,) = proof.signers
    assert (signer.event, signer.events, signer.person) == (2, 1, "Ada Moss")
    assert (signer.public_key, signer.fault) == (public(key), "")


def test_a_rewritten_copy_without_signature_is_refused(forged: Registry, key: Path) -> None:
    assert verification.verify(forged).ok  # in itself it is consistent
    assert messages(forged, public(key)) == [
        f"ledger: no event is signed with the key {public(key)[:12]}…"
    ]


def test_a_rewritten_copy_signed_with_a_new_key_is_refused(
    forged: Registry, key: Path, tmp_path: Path
) -> None:
    signing.new_key(tmp_path / "other.pem")
    audit_commands.sign_head(forged, tmp_path / "other.pem", ADA)
    assert verification.verify(forged).ok
    (message,) = messages(forged, public(key))
    assert message.startswith("event 2: the newest signature is by another key")


def test_a_signature_taken_from_the_true_ledger_does_not_fit_another(
    registry: Registry,
    add: Callable[..., Any],
    forged: Registry,
    key: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    add()
    true = signing.sign_head(key, 1, verification.ledger_head(registry)[1] or "")
    monkeypatch.setattr(signing, "sign_head", lambda *_: true)
    audit_commands.sign_head(forged, key, ADA)
    assert any("signs another head" in message for message in messages(forged, public(key)))


def test_a_later_signature_by_another_key_is_named(
    registry: Registry, add: Callable[..., Any], key: Path, tmp_path: Path
) -> None:
    add()
    audit_commands.sign_head(registry, key, ADA)
    signing.new_key(tmp_path / "other.pem")
    audit_commands.sign_head(registry, tmp_path / "other.pem", ADA)
    assert len(messages(registry, public(key))) == 1
    assert len(verification.verify(registry).signers) == 2


def test_the_trusted_key_is_kept_for_every_later_verify(
    run: Program, key: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SIEVEWARD_SETTINGS", str(tmp_path / "settings.json"))
    run("sieve", "add", "S-1", "--nominal", "75um")
    assert run("verify").code == 0
    assert run("verify", "--key", key.with_suffix(".pub")).code == 40
    assert run("sign", "--trust", key.with_suffix(".pub")).code == 0
    assert run("verify").code == 40
    run("sign", "--head", key, "--by", "Ada Moss")
    answer = run("verify", "--json", "-")
    assert answer.code == 0
    (signer,) = json.loads(answer.out)["signers"]
    assert signer["public_key"] == public(key)
    assert public(key) in "".join(run("verify").out.split())


@pytest.mark.parametrize("text", ["12ab", "nowhere.pub", "z" * 64])
def test_what_is_no_public_key_is_refused(text: str) -> None:
    with pytest.raises(SignatureError, match="Nothing was verified"):
        signing.public_key(text)


def test_without_the_library_a_required_key_is_an_error_not_a_pass(
    run: Program, key: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run("sieve", "add", "S-1", "--nominal", "75um")
    hex_key = public(key)
    monkeypatch.setitem(
        __import__("sys").modules, "cryptography.hazmat.primitives.asymmetric", None
    )
    answer = run("verify", "--key", hex_key)
    assert (answer.code, "sieveward[sign]" in answer.err) == (47, True)
