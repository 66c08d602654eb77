"""What the tests of the bench page share: a laboratory, and how to ask its bench."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import httpx

from clock import Clock
from present import present
from registry_made import SCALE, Measuring
from sieve_inspect.scale import load_scale
from sieve_registry.bench.address import Address
from sieve_registry.bench.app import make_app
from sieve_registry.bench.desk import TOKEN_HEADER, Desk
from sieve_registry.bench.jobs import Job, Jobs, Phase
from sieve_registry.bench.patience import PatientProtocol
from sieve_registry.bench.sessions import signed_in_here
from sieve_registry.checks import commands as check_commands
from sieve_registry.demo.images import images_folder
from sieve_registry.ledger.records import Check, NewSieve
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry, open_registry

SCANS = images_folder()
SCAN = SCANS / "s0075-4.png"  # drawn worn: it fails
SCALE_FILE = SCANS / "scanner-4800dpi.json"
TECHNICIAN, COLLEAGUE = "Tove Example", "Ravi Example"


@dataclass
class Lab:
    """A registry with its bench."""

    registry: Registry
    desk: Desk
    clock: Clock
    folder: Path
    home: str = ""  # the address it is served at

    @property
    def jobs(self) -> Jobs:
        return self.desk.jobs

    @property
    def headers(self) -> dict[str, str]:
        """What the page sends along with everything that changes something."""
        return {"Origin": self.home, TOKEN_HEADER: self.desk.token}

    @property
    def cookies(self) -> dict[str, str]:
        """What a browser keeps once the printed address was opened."""
        return {Address(int(self.home.rpartition(":")[2])).key_cookie: self.desk.key}

    def checks(self, sieve_id: str = "S-0075") -> tuple[Check, ...]:
        return sieve_queries.get_history(self.registry, sieve_id).checks


def new_lab(folder: Path, *, sieves: bool = True) -> Lab:
    clock = Clock("2026-03-02")
    opened = open_registry(folder / "lab" / "registry.sqlite", create=True, now=clock)
    registry = replace(opened, identify=signed_in_here)
    if sieves:
        for sieve_id, nominal in (("S-0075", 75), ("S-0125", 125)):
            sieve_commands.add_sieve(registry, NewSieve(sieve_id, nominal, location="rack 3"))
    scans = folder / "jobs"
    scans.mkdir()
    watch = folder / "scanned"
    watch.mkdir()
    given = ((SCALE_FILE.name, load_scale(SCALE_FILE)),)
    return Lab(registry, Desk(registry, Jobs(registry, scans), given, watch), clock, folder)


def close(lab: Lab) -> None:
    lab.desk.printer.close()
    lab.desk.tasks.close()
    lab.jobs.close()
    lab.registry.close()


@contextmanager
def serving(
    lab: Lab, address: Address | None = None, tls: tuple[Path, Path] | None = None
) -> Iterator[str]:
    """The bench on a port of its own; `tls` are the files of certificate and key."""
    import uvicorn

    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
        config = uvicorn.Config(
            make_app(lab.desk, replace(address or Address(port), port=port)),
            http=PatientProtocol,
            log_level="warning",
            ws="none",
            timeout_graceful_shutdown=1,
            ssl_certfile=None if tls is None else tls[0],
            ssl_keyfile=None if tls is None else tls[1],
        )
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, args=([listener],))
        thread.start()
        lab.home = f"http://127.0.0.1:{port}"
        try:
            yield lab.home
        finally:
            server.should_exit = True
            thread.join()


def asking(lab: Lab) -> httpx.Client:
    """Asks the bench as its own page does; `lab.headers` make a request one of the page's."""
    return httpx.Client(base_url=lab.home, trust_env=False, timeout=60, cookies=lab.cookies)


def job_of(lab: Lab, answer: httpx.Response) -> Job:
    """The job an accepted request leads to."""
    return present(lab.jobs.get(answer.headers["HX-Redirect"].rpartition("/")[2]))


def wait_for(job: Job, *phases: str) -> None:
    """Until a job is over (or in one of some phases); a minute is a failure."""
    over = phases or (Phase.READY, Phase.FAILED)
    pause = threading.Event()
    for _ in range(1200):
        if job.phase in over and (job.ended is not None or phases):
            return
        pause.wait(0.05)
    raise AssertionError(f"still {job.phase}")


def record_made_check(lab: Lab, folder: Path) -> None:
    """A check of S-0075 by the technician, its measurement made to order."""
    scan = folder / "field.tif"
    scan.write_bytes(b"a scan of some cloth")
    terms = RecordTerms(by=TECHNICIAN)
    check_commands.check(
        lab.registry, "S-0075", [scan], scale=SCALE, terms=terms, measure=Measuring()
    )


def begin(
    lab: Lab, client: httpx.Client, scan: Path = SCAN, sieve: str = "S-0075", **changes: Any
) -> Job:
    """Send a scan; the job it became."""
    fields = {"sieve": sieve, "scale": "given:0", **changes}
    files = [("scans", (scan.name, scan.read_bytes()))]
    answer = client.post("/jobs", data=fields, files=files, headers=lab.headers)
    assert answer.status_code == 204, answer.text
    return job_of(lab, answer)


def confirm(
    lab: Lab,
    client: httpx.Client,
    job: Job,
    name: str = TECHNICIAN,
    known: int | None = None,
    **more: str,
) -> httpx.Response:
    """Confirm a measured job by a person who has seen so many checks; the answer."""
    known = len(job.taken.history.checks) if known is None else known
    fields = {"name": name, "known": str(known), **more}
    return client.post(f"/jobs/{job.id}/confirm", data=fields, headers=lab.headers)
