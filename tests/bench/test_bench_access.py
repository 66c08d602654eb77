"""Who may ask the bench at all, and how long a request may take."""

from __future__ import annotations

import http.cookies
import os
import socket
import sys
import time
from collections.abc import Iterator

import httpx
import pytest

from bench_lab import SCAN, Lab, asking
from sieve_registry.bench import accounts, guard, patience
from sieve_registry.bench.address import Address
from sieve_registry.sieves import queries as sieve_queries


def at(lab: Lab) -> tuple[str, int]:
    return "127.0.0.1", int(lab.home.rpartition(":")[2])


@pytest.fixture
def stranger(lab: Lab, served: str) -> Iterator[httpx.Client]:
    """Another account of this computer: it reaches the port and knows no key."""
    with httpx.Client(base_url=served, trust_env=False, timeout=20) as made:
        yield made


PLACES = ("/", "/sieve?id=S-0075", "/report?check=C-0001", "/label?id=S-0075", "/static/bench.css")


@pytest.mark.parametrize("place", PLACES)
def test_without_the_key_nothing_is_shown(lab: Lab, stranger: httpx.Client, place: str) -> None:
    for request in (
        stranger.get(place),
        stranger.get(place, params={"key": "guessed"}),
        stranger.get(place, headers={"Cookie": f"{Address(at(lab)[1]).key_cookie}=guessed"}),
        stranger.get(place, headers={"Cookie": f"other={lab.desk.key}"}),
    ):
        assert request.status_code == 403
        assert "S-0075" not in request.text
        assert lab.desk.token not in request.text
        assert "sieveward bench" in request.text


def test_without_the_key_nothing_changes_even_with_the_token(
    lab: Lab, stranger: httpx.Client
) -> None:
    fields = {"sieve": "S-0075", "reason": "mischief", "name": "nobody"}
    for address in ("/quarantine", f"/quarantine?key={lab.desk.key}"):
        answer = stranger.post(address, data=fields, headers=lab.headers)
        assert answer.status_code == 403
    assert sieve_queries.get_state(lab.registry, "S-0075").status == "in service"


def test_the_printed_address_leads_in_and_keeps_its_key_in_a_strict_cookie(
    lab: Lab, stranger: httpx.Client
) -> None:
    entry = stranger.get("/sieve", params={"id": "S-0075", "key": lab.desk.key})
    assert (entry.status_code, entry.headers["Location"]) == (303, "/sieve?id=S-0075")
    cookie = http.cookies.SimpleCookie(entry.headers["Set-Cookie"])[Address(at(lab)[1]).key_cookie]
    assert (cookie["httponly"], cookie["samesite"], cookie["path"]) == (True, "strict", "/")
    assert lab.desk.key not in entry.headers["Location"]
    page = stranger.get("/sieve?id=S-0075")  # the client keeps the cookie, as a browser does
    assert (page.status_code, "S-0075" in page.text) == (200, True)


@pytest.mark.skipif(sys.platform != "linux", reason="other systems do not say who asks")
def test_another_account_that_learned_the_key_is_shown_nothing(
    lab: Lab, stranger: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A browser sends the cookie to every port of 127.0.0.1, also to one of another account."""
    stranger.cookies.set(Address(at(lab)[1]).key_cookie, lab.desk.key)
    assert stranger.get("/sieve?id=S-0075").status_code == 200
    monkeypatch.setattr(os, "geteuid", lambda: 61_234)  # the bench's account is another now
    monkeypatch.setattr(accounts, "_ROOT", 61_235)
    refused = stranger.get("/sieve?id=S-0075")
    assert (refused.status_code, "S-0075" in refused.text) == (403, False)


def send(lab: Lab, data: bytes) -> bytes:
    """Bytes to the page as they are, and its answer."""
    with socket.create_connection(at(lab), timeout=20) as plain:
        plain.sendall(data)
        got = b""
        while part := plain.recv(65536):
            got += part
            if b"\r\n\r\n" in got:
                break
        return got


def head_of(lab: Lab, *more: str) -> bytes:
    """The head of a request that changes something, as the page sends it."""
    cookies = "; ".join(f"{name}={value}" for name, value in lab.cookies.items())
    lines = [f"Host: 127.0.0.1:{at(lab)[1]}", f"Cookie: {cookies}"]
    lines += [f"{name}: {value}" for name, value in lab.headers.items()]
    return "\r\n".join(["POST /quarantine HTTP/1.1", *lines, *more, "", ""]).encode()


@pytest.mark.parametrize("length", [(), ("Content-Length: 5",)])
def test_no_header_passes_the_limit_of_size(lab: Lab, served: str, length: tuple[str, ...]) -> None:
    """A body in chunks has no stated size: it could be endless (RFC 9112, 7.1)."""
    answer = send(lab, head_of(lab, *length, "Transfer-Encoding: chunked"))
    assert answer.startswith((b"HTTP/1.1 411", b"HTTP/1.1 400"))


@pytest.mark.parametrize("length", [70_000, 10**12, 10**60])
def test_a_request_over_the_limit_is_refused_with_its_size(
    lab: Lab, served: str, length: int
) -> None:
    answer = send(lab, head_of(lab, f"Content-Length: {length}"))
    assert answer.startswith((b"HTTP/1.1 413", b"HTTP/1.1 400"))


def test_the_limit_of_a_small_request_is_named_in_kilobytes(lab: Lab, served: str) -> None:
    with asking(lab) as client:
        answer = client.post("/quarantine", content=b"x" * 70_000, headers=lab.headers)
    assert answer.status_code == 413
    assert "70 kB is over the limit of 66 kB" in answer.text


def test_half_a_request_is_cut_off(lab: Lab, served: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(patience, "HEAD_S", 0.2)
    began = time.monotonic()
    with socket.create_connection(at(lab), timeout=20) as plain:
        plain.sendall(b"GET / HTTP/1.1\r\nHost: ")
        assert plain.recv(100) == b""
    assert time.monotonic() - began < 5


def test_a_slow_body_is_cut_off(
    lab: Lab, served: str, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(guard, "_PAUSE_S", 0.2)
    form = "Content-Type: application/x-www-form-urlencoded"
    head = head_of(lab, form, "Content-Length: 100")
    assert send(lab, head + b"si").startswith(b"HTTP/1.1 408")
    assert "Traceback" not in capfd.readouterr().err


def test_many_half_requests_do_not_keep_the_page_from_others(
    lab: Lab, served: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(patience, "MOST_SILENT", 20)
    monkeypatch.setattr(patience, "SILENCE_S", 0.0)
    silent = [socket.create_connection(at(lab), timeout=20) for _ in range(60)]
    try:
        for plain in silent:
            plain.send(b"GET /")
        with asking(lab) as client:
            assert client.get("/sieve?id=S-0075").status_code == 200
        assert len(patience.PatientProtocol.silent) <= 21
    finally:
        for plain in silent:
            plain.close()


def test_an_upload_that_is_broken_off_prints_nothing(
    lab: Lab, served: str, capfd: pytest.CaptureFixture[str]
) -> None:
    head = head_of(lab, "Content-Type: multipart/form-data; boundary=b", "Content-Length: 900000")
    with socket.create_connection(at(lab), timeout=20) as plain:
        plain.sendall(head.replace(b"/quarantine", b"/jobs") + b"--b\r\n" + SCAN.read_bytes()[:900])
    with asking(lab) as client:  # answered after the broken-off request was noticed
        assert client.get("/").status_code == 200
    time.sleep(0.2)
    assert capfd.readouterr().err == ""
