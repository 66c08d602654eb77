"""Time stamps of the ledger (RFC 3161), answered by an authority of the test (`openssl ts`)."""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from rfc3161_client import decode_timestamp_response

from program import Program
from sieve_registry.audit import stamps, verification
from sieve_registry.errors import SignatureError
from sieve_registry.ledger import stamping
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store import reader
from sieve_registry.store.engine import Registry

ADA = RecordTerms(by="Ada Moss")
OPENSSL = shutil.which("openssl")
pytestmark = pytest.mark.skipif(OPENSSL is None, reason="no openssl program")
CONFIG = """
[req]
distinguished_name = name
[name]
[ca]
basicConstraints = critical, CA:TRUE
keyUsage = critical, keyCertSign
subjectKeyIdentifier = hash
[stamper]
basicConstraints = critical, CA:FALSE
keyUsage = critical, digitalSignature
extendedKeyUsage = critical, timeStamping
subjectKeyIdentifier = hash
authorityKeyIdentifier = keyid
[tsa]
default_tsa = tsa_one
[tsa_one]
serial = {folder}/serial
signer_digest = sha256
default_policy = 1.2.3.4.1
digests = sha256
ess_cert_id_alg = sha256
"""


class Authority:
    """A time stamp authority with a certificate of its own, signed by a root."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir()
        self.folder = folder
        (folder / "serial").write_text("01")
        (folder / "conf").write_text(CONFIG.format(folder=folder))
        for name, extensions, issued in (("root", "ca", ()), ("tsa", "stamper", ("root",))):
            key, request = folder / f"{name}.key", folder / f"{name}.csr"
            self._run("genpkey", "-algorithm", "EC", "-pkeyopt", "ec_paramgen_curve:P-256",
                      "-out", key)  # fmt: skip
            self._run("req", "-new", "-key", key, "-subj", f"/CN=Example {name}", "-config",
                      folder / "conf", "-out", request)  # fmt: skip
            signer = ["-signkey", key] if not issued else [
                "-CA", folder / "root.pem", "-CAkey", folder / "root.key", "-CAcreateserial"
            ]  # fmt: skip
            self._run("x509", "-req", "-in", request, *signer, "-days", "3", "-extfile",
                      folder / "conf", "-extensions", extensions, "-out",
                      folder / f"{name}.pem")  # fmt: skip
        self.root = folder / "root.pem"

    def answer(self, request: bytes) -> Path:
        """The answer (.tsr) to a request."""
        question, answer = self.folder / "q.tsq", self.folder / "a.tsr"
        question.write_bytes(request)
        self._run("ts", "-reply", "-queryfile", question, "-signer", self.folder / "tsa.pem",
                  "-inkey", self.folder / "tsa.key", "-config", self.folder / "conf", "-section",
                  "tsa_one", "-out", answer)  # fmt: skip
        return answer

    @staticmethod
    def _run(*words: object) -> None:
        subprocess.run([str(OPENSSL), *map(str, words)], check=True, capture_output=True)


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("tsa") / "one")


@pytest.fixture
def answered(registry: Registry, add: Callable[..., Any], authority: Authority) -> Path:
    """The answer of the authority for the head of a registry with one sieve."""
    add()
    return authority.answer(stamps.stamp_request(registry)[0])


def test_the_token_covers_the_hash_of_the_newest_event(registry: Registry, answered: Path) -> None:
    head = verification.ledger_head(registry)[1]
    response = decode_timestamp_response(answered.read_bytes())
    assert response.tst_info.message_imprint.message.hex() == head


def test_an_answer_is_attached_listed_and_proven_later(
    registry: Registry, answered: Path, authority: Authority, add: Callable[..., Any]
) -> None:
    add("S-2")  # the ledger goes on while the answer is on its way
    event = stamps.attach_stamp(registry, answered, authority.root, ADA)
    assert event.seq == 3
    proof = verification.verify(registry)
    (stamp,) = proof.stamps
    assert proof.ok
    assert (stamp.events, stamp.authority, stamp.unchecked) == (1, "CN=Example tsa", "")
    assert stamp.stamped_at == json.loads(event.payload)["stamped_at"]


def test_without_a_certificate_it_says_what_was_not_checked(
    registry: Registry, answered: Path
) -> None:
    stamps.attach_stamp(registry, answered, None, ADA)
    (stamp,) = verification.verify(registry).stamps
    assert "not its signature" in stamp.unchecked


def test_the_certificate_of_another_authority_does_not_verify(
    registry: Registry, answered: Path, tmp_path: Path
) -> None:
    other = Authority(tmp_path / "other")
    with pytest.raises(SignatureError, match="its signature cannot be verified"):
        stamps.attach_stamp(registry, answered, other.root, ADA)


def test_an_altered_token_does_not_verify(
    registry: Registry, answered: Path, authority: Authority
) -> None:
    """A byte of the signature, which ends the answer, is changed."""
    data = bytearray(answered.read_bytes())
    data[-1] ^= 1
    head = str(verification.ledger_head(registry)[1])
    trusted = stamping.read_certificates(authority.root.read_bytes(), "root")
    assert stamping.fault_of(answered.read_bytes(), head, trusted) == ""
    assert "cannot be verified" in stamping.fault_of(bytes(data), head, trusted)
    assert "another hash" in stamping.fault_of(answered.read_bytes(), "0" * 64, trusted)


def test_an_answer_for_another_ledger_or_no_answer_is_refused(
    registry: Registry, answered: Path, authority: Authority, tmp_path: Path
) -> None:
    with registry.reading() as connection:
        event = reader.last_event(connection)
    assert event is not None
    other = stamping.request_of(type(event)(**{**event.__dict__, "person": "Bo Reed"}))
    with pytest.raises(SignatureError, match="no event of this registry"):
        stamps.attach_stamp(registry, authority.answer(other), None, ADA)
    (tmp_path / "letter.tsr").write_text("a letter")
    with pytest.raises(SignatureError, match="no answer to a time stamp request"):
        stamps.attach_stamp(registry, tmp_path / "letter.tsr", None, ADA)
    with pytest.raises(SignatureError, match="holds no certificate"):
        stamps.attach_stamp(registry, answered, tmp_path / "letter.tsr", ADA)
    (refused := tmp_path / "refused.tsr").write_bytes(bytes.fromhex("30053003020102"))
    with pytest.raises(SignatureError, match="authority refused"):
        stamps.attach_stamp(registry, refused, None, ADA)
    assert verification.verify(registry).stamps == ()


def test_a_kept_answer_that_no_longer_fits_is_a_finding(
    registry: Registry, answered: Path, authority: Authority, monkeypatch: pytest.MonkeyPatch
) -> None:
    stamps.attach_stamp(registry, answered, authority.root, ADA)
    monkeypatch.setattr(stamping, "fault_of", lambda *_: "its token is of another hash")
    proof = verification.verify(registry)
    assert not proof.ok
    assert ("time stamp", "event 2") in [(f.source, f.subject) for f in proof.findings]


def test_commands(run: Program, tmp_path: Path, authority: Authority) -> None:
    run("sieve", "add", "S-1", "--nominal", "75um")
    question = tmp_path / "head.tsq"
    written = " ".join(run("sign", "--stamp-request", question).out.split())
    assert "for 1 events" in written
    answer = authority.answer(question.read_bytes())
    attached = run("sign", "--stamp", answer, "--stamp-certificate", authority.root)
    assert "its signature was verified" in " ".join(attached.out.split())
    shown = " ".join(run("verify").out.split())
    assert "events 1 to 1 time-stamped at" in shown
    assert "by CN=Example tsa, verified." in shown
    assert run("sign", "--stamp-certificate", authority.root, "--stamp-request", question).code == 2
