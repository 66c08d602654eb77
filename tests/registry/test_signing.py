"""The ledger's head signed with a key of one's own (Ed25519, RFC 8032)."""

from __future__ import annotations

import builtins
import json
import stat
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from program import Program
from sieve_registry.audit import commands as audit_commands
from sieve_registry.audit import verification
from sieve_registry.errors import SignatureError
from sieve_registry.ledger import signing
from sieve_registry.ledger.events import HeadSigned
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store import reader
from sieve_registry.store.engine import Registry

ADA = RecordTerms(by="Ada Moss")


# RFC 8032, section 7.1, test 2: the secret key, its public key, a message of one byte, its
# signature. It holds the library to the standard our signatures are told to follow.
SECRET = "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb"
PUBLIC = "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c"
SIGNATURE = (
    "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
    "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
)


def test_signatures_agree_with_the_standards_test_vectors() -> None:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    key = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(SECRET))
    assert key.public_key().public_bytes_raw().hex() == PUBLIC
    assert key.sign(b"\x72").hex() == SIGNATURE


@pytest.fixture
def key(tmp_path: Path) -> Path:
    path = tmp_path / "lab.pem"
    path.with_suffix(".pub").write_text(signing.new_key(path))
    return path


def test_a_signed_head_can_be_proven_by_anyone_with_the_public_key(
    registry: Registry, add: Callable[..., Any], key: Path
) -> None:
    add()
    count, head = verification.ledger_head(registry)
    event = audit_commands.sign_head(registry, key, ADA)
    assert event.previous == head
    told = json.loads(event.payload)
    assert told["public_key"] == key.with_suffix(".pub").read_text()
    message = (
        f'{{"events":{count},"head":"{head}","schema":"sieveward.head/1"}}'  # by hand, as written
    )
    public = Ed25519PublicKey.from_public_bytes(bytes.fromhex(told["public_key"]))
    public.verify(bytes.fromhex(told["signature"]), message.encode())
    assert verification.verify(registry).ok


def forged(change: dict[str, Any]) -> Callable[..., HeadSigned]:
    def altered(path: Path, events: int, head: str) -> HeadSigned:
        return replace(signing_before(path, events, head), **change)

    signing_before = signing.sign_head
    return altered


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        ({"signature": "00" * 64}, "does not fit its key"),
        ({"signature": "zz"}, "does not fit its key"),
        ({"public_key": "00" * 31}, "does not fit its key"),
        ({"head": "0" * 64}, "another head"),
        ({"events": 7}, "another head"),
    ],
)
def test_a_signature_that_does_not_hold_is_named(
    registry: Registry,
    add: Callable[..., Any],
    key: Path,
    monkeypatch: pytest.MonkeyPatch,
    change: dict[str, Any],
    fault: str,
) -> None:
    add()
    monkeypatch.setattr(signing, "sign_head", forged(change))
    audit_commands.sign_head(registry, key, ADA)
    (finding,) = verification.verify(registry).findings
    assert (finding.source, finding.subject) == ("signature", "event 2")
    assert fault in finding.message


@pytest.mark.skipif(sys.platform == "win32", reason="rights of POSIX")
def test_a_key_is_its_owners_alone_and_never_written_over(key: Path) -> None:
    assert stat.S_IMODE(key.stat().st_mode) == 0o600
    before = key.read_bytes()
    with pytest.raises(SignatureError, match="exists"):
        signing.new_key(key)
    assert key.read_bytes() == before


def test_what_is_no_key_signs_nothing(
    registry: Registry, add: Callable[..., Any], key: Path, tmp_path: Path
) -> None:
    with pytest.raises(SignatureError, match="nothing is recorded"):
        audit_commands.sign_head(registry, key, ADA)
    add()
    (tmp_path / "x.pem").write_text("a letter")
    for path, why in (("x.pem", "no readable key"), ("gone.pem", "No such file")):
        with pytest.raises(SignatureError, match=why):
            audit_commands.sign_head(registry, tmp_path / path, ADA)
    with registry.reading() as connection:
        assert reader.count_events(connection) == 1


def test_without_the_extra_part_one_sentence_says_how_to_get_it(
    registry: Registry, add: Callable[..., Any], key: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    add()
    real = builtins.__import__

    def lacking(name: str, *arguments: Any, **options: Any) -> Any:
        if name.startswith("cryptography"):
            raise ModuleNotFoundError(name)
        return real(name, *arguments, **options)

    monkeypatch.setattr(builtins, "__import__", lacking)
    with pytest.raises(SignatureError, match=r"sieveward\[sign\]"):
        audit_commands.sign_head(registry, key, ADA)


def test_commands(run: Program, tmp_path: Path) -> None:
    run("sieve", "add", "S-1", "--nominal", "75um")
    made = run("sign", "--new-key", str(tmp_path / "k.pem"))
    assert len(made.out.splitlines()[1]) == 64
    signed = run("sign", "--head", str(tmp_path / "k.pem"), "--by", "Ada Moss")
    assert signed.out.startswith("Signed: 1 events, head ")
    assert run("verify").code == 0
    assert run("sign", "--new-key", str(tmp_path / "k.pem")).code == 47
