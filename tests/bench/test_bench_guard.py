"""What the bench lets in, and what it never does with what it is sent."""

from __future__ import annotations

import os
import re
import socket
import time
from html.parser import HTMLParser
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any

import pytest
from httpx import Client, Response
from hypothesis import given
from hypothesis import strategies as st

from bench_lab import SCALE_FILE, SCAN, Lab
from present import present
from sieve_registry.bench.desk import TOKEN_HEADER
from sieve_registry.bench.uploads import MOST_BYTES, MOST_SCANS, plain_file_name, watched_scans
from sieve_registry.ledger.records import NewSieve
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import queries as sieve_queries


def send(
    lab: Lab,
    client: Client,
    files: list[tuple[str, tuple[str, bytes]]],
    changes: dict[str, str] | None = None,
    **headers: Any,
) -> Response:
    """A new check as the page sends it."""
    fields = {"sieve": "S-0075", "scale": "given:0", **(changes or {})}
    return client.post("/jobs", data=fields, files=files, headers={**lab.headers, **headers})


def port(lab: Lab) -> str:
    return lab.home.rpartition(":")[2]


def left_behind(lab: Lab) -> list[Path]:
    return sorted(path.relative_to(lab.folder) for path in (lab.folder / "jobs").rglob("*"))


# --- who may ask ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "host", ["bench.example", "127.0.0.1", "127.0.0.1:80", "[::1]:PORT", "127.0.0.1:PORT.example"]
)
def test_a_request_for_another_host_is_refused(lab: Lab, client: Client, host: str) -> None:
    """DNS rebinding: a name of somebody else's that leads to this computer."""
    answer = client.get("/", headers={"Host": host.replace("PORT", port(lab))})
    assert answer.status_code == 421
    assert "S-0075" not in answer.text


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "LOCALHOST"])
def test_this_computer_is_answered(lab: Lab, client: Client, host: str) -> None:
    assert client.get("/", headers={"Host": f"{host}:{port(lab)}"}).status_code == 200


@pytest.mark.parametrize(
    "origin", ["http://bench.example", "http://127.0.0.1:9", "https://127.0.0.1:PORT", "null", None]
)
def test_another_page_changes_nothing(lab: Lab, client: Client, origin: str | None) -> None:
    headers = {name: value for name, value in lab.headers.items() if name != "Origin"}
    if origin is not None:
        headers["Origin"] = origin.replace("PORT", port(lab))
    fields = {"sieve": "S-0075", "reason": "mischief", "name": "nobody"}
    assert client.post("/quarantine", data=fields, headers=headers).status_code == 403
    assert sieve_queries.get_state(lab.registry, "S-0075").status == "in service"


@pytest.mark.parametrize("token", [None, "", "guessed"])
def test_without_the_token_nothing_changes(lab: Lab, client: Client, token: str | None) -> None:
    headers = {"Origin": lab.home} | ({} if token is None else {TOKEN_HEADER: token})
    fields = {"sieve": "S-0075", "reason": "mischief", "name": "nobody"}
    answer = client.post("/quarantine", data=fields, headers=headers)
    assert answer.status_code == 403
    assert "Load it again" in answer.text
    assert sieve_queries.get_state(lab.registry, "S-0075").status == "in service"


def test_a_request_of_the_page_itself_is_carried_out(lab: Lab, client: Client) -> None:
    """The same request that the tests above see refused."""
    fields = {"sieve": "S-0075", "reason": "fell", "name": "Tove Example"}
    answer = client.post("/quarantine", data=fields, headers=lab.headers)
    assert (answer.status_code, answer.headers["HX-Redirect"]) == (204, "/sieve?id=S-0075&done=3")
    assert sieve_queries.get_state(lab.registry, "S-0075").status == "quarantined"


@pytest.mark.parametrize("method", ["PUT", "DELETE", "OPTIONS", "PATCH"])
def test_other_methods_are_unknown(lab: Lab, client: Client, method: str) -> None:
    assert client.request(method, "/", headers=lab.headers).status_code == 405


# --- what may be sent --------------------------------------------------------------------------


def head_only(lab: Lab, path: str, **headers: int | str) -> str:
    """What is answered to a request of which only the head ever comes."""
    cookie = "; ".join(f"{name}={value}" for name, value in lab.cookies.items())
    host = lab.home.removeprefix("http://")
    lines = {"Host": host, "Cookie": cookie, **lab.headers, **headers}
    head = "".join(f"{name.replace('_', '-')}: {value}\r\n" for name, value in lines.items())
    with socket.create_connection(("127.0.0.1", int(port(lab))), timeout=20) as connection:
        connection.sendall(f"POST {path} HTTP/1.1\r\n{head}\r\n".encode())
        return connection.makefile("rb").read().decode()


@pytest.mark.usefixtures("client")
def test_too_large_is_refused_before_it_is_read(lab: Lab) -> None:
    answer = head_only(lab, "/jobs", Content_Length=MOST_BYTES + 1)
    assert answer.startswith("HTTP/1.1 413 ")
    assert "over the limit of 800 MB" in answer


@pytest.mark.usefixtures("client")
def test_only_scans_may_be_large(lab: Lab) -> None:
    assert head_only(lab, "/quarantine", Content_Length=70_000).startswith("HTTP/1.1 413 ")


@pytest.mark.usefixtures("client")
def test_a_request_without_a_size_is_refused(lab: Lab) -> None:
    assert head_only(lab, "/jobs", Transfer_Encoding="chunked").startswith("HTTP/1.1 411 ")


def test_too_many_scans(lab: Lab, client: Client) -> None:
    files = [("scans", (f"{n}.png", SCAN.read_bytes()[:2000])) for n in range(MOST_SCANS + 1)]
    answer = send(lab, client, files)
    assert answer.status_code == 422
    assert f"1 to {MOST_SCANS}" in answer.text
    assert left_behind(lab) == []


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("scan.png", b"these are words, not a picture", "is not a PNG, JPEG, TIFF or BMP picture"),
        ("scan.html", b"<script>alert(1)</script>", "is not a PNG, JPEG, TIFF or BMP picture"),
        ("scan.png.exe", SCAN.read_bytes()[:999], "is not a PNG, JPEG, TIFF or BMP picture"),
        ("scan.png", b"", "is empty"),
    ],
)
def test_a_file_that_is_no_scan_is_not_stored(
    lab: Lab, client: Client, name: str, content: bytes, says: str
) -> None:
    answer = send(lab, client, [("scans", (name, content))])
    assert answer.status_code == 422
    assert says in answer.text
    assert "Nothing was recorded" in answer.text
    assert "What to do" in answer.text
    assert (left_behind(lab), lab.jobs.waiting()) == ([], [])


def test_a_missing_scan_and_a_missing_scale_are_distinguished(lab: Lab, client: Client) -> None:
    assert "Choose 1 to" in send(lab, client, [("scans", ("", b""))]).text
    files = [("scans", (SCAN.name, SCAN.read_bytes()))]
    assert "Scale missing" in send(lab, client, files, {"scale": "/etc/passwd"}).text
    assert "Scale missing" in send(lab, client, files, {"scale": "given:7"}).text
    assert "not readable" in send(lab, client, files, {"scale": "hand", "um_per_px": "wide"}).text
    bad = [*files, ("scale_file", ("../s.json", b'{"schema": "other"}'))]
    answer = send(lab, client, bad, {"scale": "file"})
    assert "The scale s.json cannot be used" in answer.text
    assert str(lab.folder / "jobs") not in answer.text
    assert left_behind(lab) == []


HOSTILE = [
    ("../../../evil.png", "evil.png"),
    ("..\\..\\evil.png", "evil.png"),
    ("/etc/passwd.png", "passwd.png"),
    ("C:\\Windows\\a.tif", "a.tif"),
    ("..", "scan-"),
    (".hidden.png", "hidden.png"),
    ("a;rm -rf ~.png", "a_rm -rf _.png"),
    ("nul.png", "scan-nul.png"),
    ("a\x00b.png", "a_b.png"),
    ("a\u202egnp.exe.png", "a_gnp.exe.png"),
    ("Sieb Öl 75 µm (1).png", "Sieb Öl 75 µm (1).png"),
    ("s0075-4.png", "s0075-4.png"),
]


@pytest.mark.parametrize(("name", "plain"), HOSTILE)
def test_a_file_s_name_is_only_a_name(name: str, plain: str) -> None:
    assert plain_file_name(name) == plain


@given(st.text(max_size=300))
def test_no_name_leads_anywhere(name: str) -> None:
    plain = plain_file_name(name)
    assert PurePosixPath(plain).name == PureWindowsPath(plain).name == plain
    assert plain.strip(". ")
    assert len(plain.encode()) < 255


def test_a_hostile_name_stays_in_our_folder(lab: Lab, client: Client) -> None:
    registry = lab.folder / "lab"
    before = sorted(lab.folder.rglob("*"))
    send(lab, client, [("scans", ("../../../evil.png", SCAN.read_bytes()))])
    new = [path for path in lab.folder.rglob("*") if path not in before]
    new = [path for path in new if registry not in path.parents]
    assert {path.name for path in new if path.is_file()} == {"evil.png"}
    assert all(lab.folder / "jobs" in path.parents for path in new)


# --- the watched folder ------------------------------------------------------------------------


@pytest.fixture
def scanned(lab: Lab) -> Path:
    """The watched folder with a settled scan in it."""
    folder = present(lab.desk.watch)
    (folder / "a.png").write_bytes(SCAN.read_bytes())
    old = time.time() - 60
    os.utime(folder / "a.png", (old, old))
    return folder


def test_the_folder_offers_scans_alone(
    lab: Lab, client: Client, scanned: Path, tmp_path: Path
) -> None:
    (scanned / "notes.txt").write_text("no scan")
    (scanned / "deep.png").mkdir()
    (scanned / "link.png").symlink_to(SCALE_FILE)
    (scanned / "new.png").write_bytes(b"half of it is here")
    assert [(scan.name, scan.settled) for scan in watched_scans(scanned)] == [
        ("new.png", False),
        ("a.png", True),
    ]
    assert "still being written" in client.get("/folder").text


@pytest.mark.parametrize("key", ["a.png", "../lab/registry.sqlite", "", "0" * 24])
def test_only_a_key_from_the_list_is_opened(
    lab: Lab, client: Client, scanned: Path, key: str
) -> None:
    answer = send(lab, client, [("scans", ("", b""))], {"pick": key})
    assert answer.status_code == 422
    assert "not in the scan folder any more" in answer.text


def test_a_ticked_scan_is_copied_and_marked(lab: Lab, client: Client, scanned: Path) -> None:
    key = watched_scans(scanned)[0].key
    answer = send(lab, client, [("scans", ("", b""))], {"pick": key})
    assert answer.status_code == 204
    assert [path.name for path in left_behind(lab) if path.suffix] == ["a.png"]
    assert "used for S-0075" in client.get("/folder").text
    assert (scanned / "a.png").read_bytes() == SCAN.read_bytes()


def test_an_unchanged_folder_is_not_sent_again(client: Client, scanned: Path) -> None:
    seen = present(re.search(r'name="seen" value="(\w+)"', client.get("/folder").text))[1]
    assert client.get("/folder", params={"seen": seen}).status_code == 204
    (scanned / "a.png").unlink()
    assert client.get("/folder", params={"seen": seen}).status_code == 200


# --- what is sent out --------------------------------------------------------------------------


class Inline(HTMLParser):
    """Collects what a strict content policy forbids, and every address named."""

    def __init__(self) -> None:
        super().__init__()
        self.scripts: list[tuple[str, str]] = []
        self.addresses: list[str] = []
        self.script = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.script = tag == "script"
        for name, value in attrs:
            if name == "style" or name.startswith("on"):
                self.scripts.append((tag, name))
            if name in ("src", "href", "action", "hx-get", "hx-post"):
                self.addresses.append(value or "")

    def handle_data(self, data: str) -> None:
        if self.script and data.strip():
            self.scripts.append(("script", data))


@pytest.mark.parametrize(
    "place", ["/", "/sieve?id=S-0075", "/sieve?id=S-75", "/nowhere", "/jobs/x"]
)
def test_pages_keep_to_their_policy(client: Client, place: str) -> None:
    answer = client.get(place)
    policy = answer.headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    page = Inline()
    page.feed(answer.text)
    assert page.scripts == []
    assert [a for a in page.addresses if not a.startswith(("/", "data:", "#"))] == []
    assert [a for a in page.addresses if a.startswith("//")] == []


def test_names_cannot_bring_markup(lab: Lab, client: Client) -> None:
    hostile = "<img src=x onerror=alert(1)>"
    sieve_commands.add_sieve(lab.registry, NewSieve(hostile, 75, location="<script>1</script>"))
    for place in ("/", f"/sieve?id={hostile}", f"/sieve?id={hostile}nobody"):
        text = client.get(place).text
        assert "<img src=x" not in text
        assert "<script>1" not in text
    assert "&lt;img src=x" in client.get("/").text


@pytest.mark.parametrize(
    "place", ["/static/../app.py", "/static/%2e%2e/app.py", "/static/..%2fapp.py"]
)
def test_static_files_are_those_of_the_page(client: Client, place: str) -> None:
    assert client.get(place).status_code == 404
    assert client.get("/static/htmx.min.js").status_code == 200
