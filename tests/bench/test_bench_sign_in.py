"""Persons who sign in at the page: sessions, roles, and the laboratory's network.

The rules are those of OWASP's session management cheat sheet: a new random key at each sign-in, in
a cookie that is HttpOnly, SameSite=Strict and, under TLS, Secure with the prefix `__Host-`; an end
by idleness and by age; and every refusal of a name or password in the same words.
"""

from __future__ import annotations

import json
import ssl
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import httpx
import pytest
from httpx import Client, Response
from playwright.sync_api import Browser

from bench_lab import Lab, asking, close, new_lab, serving
from page_watch import PageWatch
from program import Program
from quick_hashes import hash_quickly
from sieve_registry.bench.address import Address
from sieve_registry.bench.desk import TOKEN_HEADER
from sieve_registry.bench.sessions import IDLE_S, LONGEST_S, Sessions
from sieve_registry.people import commands, queries, sign_in
from sieve_registry.people.acts import Act, Demand
from sieve_registry.people.commands import NewPerson
from sieve_registry.people.recording import RecordTerms
from sieve_registry.people.rules import Person
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.store.engine import Registry

ADA, ADAS, BOS = RecordTerms(by="Ada Moss"), "correct horse", "battery staple"


def staff(registry: Registry, *, demand: Demand = Demand.DEMAND) -> None:
    """Ada manages, Bo checks; sign-in is demanded."""
    commands.add_person(registry, NewPerson("AM", "Ada Moss"), ADA)
    commands.add_person(registry, NewPerson("BR", "Bo Reed"), ADA)
    commands.authorise(registry, "AM", Act.MANAGE, ADA)
    commands.authorise(registry, "BR", Act.CHECK, ADA)
    sign_in.set_password(registry, "AM", ADAS, ADA)
    sign_in.set_password(registry, "BR", BOS, RecordTerms(by="Bo Reed"))
    commands.set_rules(registry, ADA, sign_in=True, authorisations=demand)


@pytest.fixture(autouse=True)
def hashed_quickly(monkeypatch: pytest.MonkeyPatch) -> None:
    hash_quickly(monkeypatch)


@pytest.fixture
def staffed(tmp_path: Path) -> Iterator[Lab]:
    lab = new_lab(tmp_path)
    staff(lab.registry)
    yield lab
    close(lab)


@pytest.fixture
def served_lab(staffed: Lab) -> Iterator[Lab]:
    with serving(staffed):
        yield staffed


@pytest.fixture
def type_it(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Program:
    return Program(monkeypatch, capsys, command=("bench",))


@pytest.fixture
def browsers(served_lab: Lab) -> Iterator[tuple[Client, Client]]:
    """Two browsers."""
    with asking(served_lab) as first, asking(served_lab) as second:
        yield first, second


@pytest.fixture
def client(browsers: tuple[Client, Client]) -> Client:
    return browsers[0]


def sign_in_as(client: Client, lab: Lab, name: str, password: str, then: str = "/") -> Response:
    fields = {"person": name, "password": password, "then": then}
    return client.post("/sign-in", data=fields, headers={"Origin": lab.home})


def token_of(client: Client) -> str:
    """The token that the pages of this session send along."""
    page = client.get("/people").text
    return str(json.loads(page.partition("hx-headers='")[2].partition("'")[0])[TOKEN_HEADER])


def send(client: Client, lab: Lab, place: str, **fields: str) -> Response:
    headers = {"Origin": lab.home, TOKEN_HEADER: token_of(client), "HX-Request": "true"}
    return client.post(place, data=fields, headers=headers)


def test_nothing_is_shown_or_changed_before_somebody_signed_in(
    served_lab: Lab, client: Client
) -> None:
    shown = client.get("/sieve?id=S-0075")
    assert (shown.status_code, shown.headers["Location"]) == (
        303, "/sign-in?then=%2Fsieve%3Fid%3DS-0075",
    )  # fmt: skip
    changed = client.post("/quarantine", data={"sieve": "S-0075"}, headers=served_lab.headers)
    assert (changed.status_code, changed.headers["HX-Redirect"]) == (403, "/sign-in?then=%2F")
    by_itself = client.get("/now", headers={"HX-Request": "true"})
    assert by_itself.headers["HX-Redirect"] == "/sign-in?then=%2F"
    assert client.get("/sign-in").status_code == 200
    assert client.get("/static/bench.css").status_code == 200


def test_who_signed_in_is_the_person_of_each_act(served_lab: Lab, client: Client) -> None:
    entered = sign_in_as(client, served_lab, "br", BOS, "/sieve?id=S-0075")
    assert (entered.status_code, entered.headers["Location"]) == (303, "/sieve?id=S-0075")
    page = client.get("/sieve?id=S-0075").text
    assert 'name="name"' not in page
    assert "Recorded in your name, Bo Reed." in page
    sent = send(
        client, served_lab, "/quarantine", sieve="S-0075", reason="dropped", name="Ada Moss"
    )
    assert sent.status_code == 204
    (act,) = sieve_queries.get_history(served_lab.registry, "S-0075").acts
    assert (act.kind, act.person) == ("sieve quarantined", "Bo Reed")


def test_buttons_and_acts_follow_the_authorisations(served_lab: Lab, client: Client) -> None:
    sign_in_as(client, served_lab, "BR", BOS)
    page = client.get("/sieve?id=S-0075").text
    assert "You have no authorisation to retire" in page
    assert "Retire this sieve" not in page
    assert "Put in quarantine" in page
    refused = send(client, served_lab, "/retire", sieve="S-0075", reason="bent")
    assert refused.status_code == 422
    assert "Bo Reed has no authorisation to retire" in refused.text
    refused = send(client, served_lab, "/settings", person="Bo Reed")
    assert "has no authorisation to manage" in refused.text
    assert sieve_queries.get_state(served_lab.registry, "S-0075").status == "in service"


def test_a_manager_gives_and_withdraws_on_the_page(served_lab: Lab, client: Client) -> None:
    sign_in_as(client, served_lab, "Ada Moss", ADAS)
    sent = send(client, served_lab, "/people", id="CD", person="Cy Dale", role="trainee")
    assert sent.headers["HX-Redirect"] == "/person?id=CD&done=added"
    until = "2026-12-31"
    send(client, served_lab, "/person/authorise", id="CD", act="check", until=until, basis="x")
    send(client, served_lab, "/person/withdraw", id="BR", act="check", reason="no practice")
    send(client, served_lab, "/person/left", id="BR", reason="moved")
    roster, today = queries.roster(served_lab.registry), served_lab.registry.today()
    assert roster.persons["CD"].acts_on(today) == (Act.CHECK,)
    assert roster.persons["CD"].authorisations[0].until == date(2026, 12, 31)
    assert roster.persons["CD"].by == "Ada Moss"
    assert not roster.persons["BR"].present(today)
    shown = client.get("/people").text
    assert "Cy Dale" in shown
    assert "Bo Reed</a>, left on 2026-03-02" in shown
    assert "moved" in client.get("/person?id=BR").text


def test_a_new_password_ends_the_sessions_of_that_person(
    served_lab: Lab, browsers: tuple[Client, Client]
) -> None:
    ada, bo = browsers
    sign_in_as(ada, served_lab, "AM", ADAS)
    sign_in_as(bo, served_lab, "BR", BOS)
    assert bo.get("/sieves").status_code == 200
    new = "another password"
    refused = send(bo, served_lab, "/person/password", id="AM", password=new, again=new)
    assert "set by that person or by somebody who may manage" in refused.text
    refused = send(ada, served_lab, "/person/password", id="BR", password=new, again="another")
    assert "The two passwords differ" in refused.text
    assert send(ada, served_lab, "/person/password", id="BR", password=new, again=new).is_success
    assert "ended=yes" in bo.get("/sieves").headers["Location"]
    assert "Your sign-in has ended" in bo.get("/sign-in?ended=yes").text
    assert sign_in_as(bo, served_lab, "BR", new).status_code == 303


def test_five_wrong_passwords_lock_out_and_the_page_says_until_when(
    served_lab: Lab, client: Client
) -> None:
    for _ in range(4):
        answer = sign_in_as(client, served_lab, "BR", "wrong password")
        assert (answer.status_code, "password is wrong" in answer.text) == (403, True)
    end = (served_lab.clock().astimezone() + sign_in.LOCKED_FOR).strftime("%H:%M")
    answer = sign_in_as(client, served_lab, "BR", "wrong password")
    assert f"Bo Reed is locked out until {end}" in answer.text
    assert "locked out" in sign_in_as(client, served_lab, "BR", BOS).text
    assert 'value="BR"' in answer.text


def test_signing_in_leads_to_a_page_of_this_bench(served_lab: Lab, client: Client) -> None:
    for then in ("//evil.example", "https://evil.example/", "/\\evil", "/sign-in"):
        assert sign_in_as(client, served_lab, "BR", BOS, then).headers["Location"] == "/"


def test_signing_in_and_changes_come_from_this_page_and_this_session(
    served_lab: Lab, browsers: tuple[Client, Client]
) -> None:
    ada, bo = browsers
    fields = {"person": "BR", "password": BOS}
    elsewhere = bo.post("/sign-in", data=fields, headers={"Origin": "https://evil.example"})
    assert elsewhere.status_code == 403
    sign_in_as(ada, served_lab, "AM", ADAS)
    sign_in_as(bo, served_lab, "BR", BOS)
    headers = {"Origin": served_lab.home, TOKEN_HEADER: token_of(ada)}
    mixed = bo.post("/quarantine", data={"sieve": "S-0075", "reason": "x"}, headers=headers)
    assert (mixed.status_code, "somebody else signed in" in mixed.text) == (403, True)


def test_signing_out_ends_the_session(served_lab: Lab, client: Client) -> None:
    entered = sign_in_as(client, served_lab, "BR", BOS)
    cookie = entered.headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "samesite=strict" in cookie.casefold()
    kept = dict(client.cookies)
    assert send(client, served_lab, "/sign-out").headers["HX-Redirect"] == "/sign-in?out=yes"
    assert client.get("/sieves").status_code == 303
    again = httpx.get(f"{served_lab.home}/sieves", cookies=kept, trust_env=False)
    assert again.status_code == 303


def someone() -> Person:
    return Person("BR", "Bo Reed", "", "", date(2026, 1, 5), "Ada Moss", ("Bo Reed",))


def test_a_session_ends_by_idleness_and_by_age_and_a_refreshing_page_does_not_prolong_it() -> None:
    now = [0.0]
    sessions = Sessions(clock=lambda: now[0])
    idle, busy = sessions.begin(someone()), sessions.begin(someone())
    for now[0] in range(0, int(LONGEST_S) + 1, int(IDLE_S)):
        assert sessions.find(busy, active=True) is not None
        refreshed = sessions.find(idle, active=False)
        assert (refreshed is None) is (now[0] > IDLE_S)
    now[0] += 1
    assert sessions.find(busy, active=True) is None
    assert sessions.find("guessed", active=True) is None


def test_health_needs_nothing_and_says_nothing_else(served_lab: Lab) -> None:
    answer = httpx.get(f"{served_lab.home}/health", trust_env=False)
    assert answer.status_code == 200
    assert sorted(answer.json()) == ["ok", "registry", "version"]
    assert answer.json()["ok"] is True
    served_lab.registry.path.rename(served_lab.registry.path.with_suffix(".away"))
    gone = httpx.get(f"{served_lab.home}/health", trust_env=False)
    assert (gone.status_code, gone.json()["registry"]) == (503, False)
    assert httpx.get(f"{served_lab.home}/sieves", trust_env=False).status_code == 403
    served_lab.registry.path.with_suffix(".away").rename(served_lab.registry.path)


# --- on the laboratory's network --------------------------------------------------------------


def certificate(folder: Path) -> tuple[Path, Path]:
    """A certificate for bench.example, made as SERVER.md says it, but by the library."""
    from datetime import UTC, datetime, timedelta

    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "bench.example")])
    began = datetime.now(UTC) - timedelta(hours=1)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(1)
        .not_valid_before(began)
        .not_valid_after(began + timedelta(days=2))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName("bench.example")]), False)
        .sign(key, hashes.SHA256())
    )
    cert, private = folder / "cert.pem", folder / "key.pem"
    cert.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    forms = (serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8)
    private.write_bytes(key.private_bytes(*forms, serialization.NoEncryption()))
    return cert, private


def test_a_network_is_served_with_tls_to_its_names_and_to_signed_in_persons(
    staffed: Lab, tmp_path: Path
) -> None:
    lab = staffed
    cert, key = certificate(tmp_path)
    network = Address(0, ("bench.example",), network=True)
    with serving(lab, network, (cert, key)) as home:
        port = int(home.rpartition(":")[2])
        trusted = ssl.create_default_context(cafile=str(cert))
        address = f"https://bench.example:{port}"
        lab.home = address
        with httpx.Client(
            base_url=f"https://127.0.0.1:{port}", verify=trusted, trust_env=False,
            headers={"Host": f"bench.example:{port}"}, timeout=60,
        ) as client:  # fmt: skip
            sni = {"sni_hostname": "bench.example"}
            assert client.get("/health", extensions=sni).json()["ok"] is True
            assert client.get("/", extensions=sni).status_code == 303
            other = client.get("/", extensions=sni, headers={"Host": f"127.0.0.1:{port}"})
            assert (other.status_code, f"open {address}/" in other.text) == (421, True)
            fields = {"person": "BR", "password": BOS}
            entered = client.post(
                "/sign-in", data=fields, headers={"Origin": address}, extensions=sni
            )
            cookie = entered.headers["Set-Cookie"]
            assert cookie.startswith(f"__Host-sieveward-session-{port}=")
            for word in ("Secure", "HttpOnly", "SameSite=strict", "Path=/"):
                assert word in cookie
            insecure = client.post(
                "/sign-in", data=fields, headers={"Origin": f"http://bench.example:{port}"},
                extensions=sni,
            )  # fmt: skip
            assert insecure.status_code == 403


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ("--host 0.0.0.0", "give --tls-cert FILE and --tls-key FILE"),
        ("--host 192.0.2.1 --tls-cert CERT", "give --tls-cert FILE and --tls-key FILE"),
        ("--host 0.0.0.0 --tls-cert CERT --tls-key KEY", "give --name, as in the certificate"),
        ("--host 192.0.2.1 --tls-cert CERT --tls-key KEY", "has to demand sign-in"),
        ("--tls-cert CERT --tls-key KEY", "give --host too"),
    ],
)
def test_a_network_without_tls_name_or_sign_in_is_refused(
    staffed: Lab, tmp_path: Path, type_it: Program, options: str, sentence: str
) -> None:
    if "sign-in" in sentence:
        registry = replace(staffed.registry, identify=lambda _: "AM")
        commands.set_rules(registry, ADA, sign_in=False)
    cert, key = certificate(tmp_path)
    words = options.replace("CERT", str(cert)).replace("KEY", str(key)).split()
    code, _, err = type_it(*words, registry=staffed.registry.path)
    assert (code, sentence in err) == (2, True), err


def test_a_key_that_does_not_fit_its_certificate_is_refused(
    staffed: Lab, tmp_path: Path, type_it: Program
) -> None:
    (tmp_path / "other").mkdir()
    cert, _ = certificate(tmp_path)
    _, key = certificate(tmp_path / "other")
    words = ("--host", "192.0.2.1", "--tls-cert", str(cert), "--tls-key", str(key))
    code, _, err = type_it(*words, registry=staffed.registry.path)
    assert (code, "cannot be used" in err) == (2, True)


def test_in_a_browser_persons_sign_in_are_shown_and_sign_out(
    served_lab: Lab, browser: Browser
) -> None:
    """With axe: no rule broken on the page to sign in, that of all persons and that of one."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="no axe installed")
    watching = PageWatch(browser)
    page = watching.open((served_lab.home, "data:"), viewport={"width": 390, "height": 800})
    for name, value in served_lab.cookies.items():
        page.context.add_cookies([{"name": name, "value": value, "url": served_lab.home}])

    def fits() -> None:
        assert axe.Axe().run(page).response["violations"] == []
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")

    page.goto(f"{served_lab.home}/people")
    fits()
    page.fill("#sign-person", "AM")
    page.fill("#sign-password", ADAS)
    page.keyboard.press("Enter")
    page.wait_for_url("**/people")
    fits()
    page.click("text=Bo Reed")
    page.fill("#end-reason", "no practice")
    page.click("button:has-text('Withdraw')")
    page.wait_for_selector("text=The withdrawal is recorded.")
    fits()
    page.click("button:has-text('Sign out')")
    page.wait_for_selector("text=You have signed out.")
    watching.close()
    bo = queries.roster(served_lab.registry).persons["BR"]
    assert bo.acts_on(served_lab.registry.today()) == ()
