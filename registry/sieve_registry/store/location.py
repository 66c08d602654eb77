"""Where a registry lies: a path, an sqlite or postgresql URL, or the user's data folder."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import parse_qsl, unquote, urlencode, urlsplit, urlunsplit

from sieve_inspect.errors import UsageError

_SQLITE = "sqlite:///"
_POSTGRES = "postgresql+psycopg://"
IN_DATABASE = "database"
_TAKEN = (".evidence", ".head")

# File systems that two computers may have open at once (names as Linux lists them).
NETWORK_SYSTEMS = frozenset(
    (
        *("9p", "afs", "beegfs", "ceph", "cifs", "davfs", "glusterfs", "lustre", "ncpfs", "nfs"),
        *("nfs4", "ocfs2", "orangefs", "smb2", "smb3", "smbfs", "fuse.ceph", "fuse.davfs2"),
        *("fuse.glusterfs", "fuse.rclone", "fuse.s3fs", "fuse.sshfs", "fuse.vmhgfs-fuse"),
    )
)
_MOUNTS = Path("/proc/self/mounts")
_OCTAL = re.compile(r"\\([0-7]{3})")


@dataclass(frozen=True)
class Place:
    """A registry's place: a file, or a server's URL; `evidence` None keeps it in the database."""

    path: Path | None
    url: str | None
    evidence: Path | None

    @property
    def shown(self) -> str:
        """The place as it may be shown: no password."""
        if self.url is None:
            return str(self.path)
        parts = urlsplit(self.url)
        host = parts.netloc.rpartition("@")[2]
        return f"{parts.scheme}://{host}{parts.path}"


def place_of(target: str | Path | None) -> Place:
    """The place `--registry` names.

    On a server the evidence lies in the database, or with `?evidence=FOLDER` in a folder. Raises
    `UsageError` for the address of another kind of database.
    """
    text = "" if target is None else str(target)
    if text.startswith(_POSTGRES):
        parts = urlsplit(text)
        query = parse_qsl(parts.query)
        folder = dict(query).get("evidence", IN_DATABASE)
        rest = urlencode([(k, v) for k, v in query if k != "evidence"])
        url = urlunsplit((parts.scheme, parts.netloc, parts.path, rest, ""))
        return Place(None, url, None if folder == IN_DATABASE else Path(folder).expanduser())
    path = registry_path(target)
    return Place(path, None, evidence_folder(path))


def registry_path(target: str | Path | None) -> Path:
    """The file that `--registry` names; None or "" is the default file.

    Raises `UsageError` for the address of another kind of database.
    """
    if target is None or target == "":
        from platformdirs import user_data_path

        return user_data_path("sieveward", appauthor=False) / "registry.sqlite"
    text = str(target)
    if text.startswith(_SQLITE):
        text = unquote(text[len(_SQLITE) :])
    elif "://" in text:
        raise UsageError(
            message=f"Addresses of the kind '{text.split('://', 1)[0]}' are not supported: write "
            "the path of a registry file, sqlite:///PATH, or "
            "postgresql+psycopg://USER@HOST/DATABASE."
        )
    path = Path(text).expanduser()
    if path.suffix in _TAKEN:
        raise UsageError(
            message=f"A registry file cannot end in {path.suffix}, the ending of a file beside it: "
            f"name it {path.with_suffix('.sqlite').name}."
        )
    return path


def evidence_folder(registry: Path) -> Path:
    """The evidence folder beside a registry file: `lab.sqlite` has `lab.evidence`."""
    return registry.with_name(f"{registry.stem}.evidence")


def network_system(path: Path, mounts: Path = _MOUNTS) -> str | None:
    """The kind of network file system `path` lies on (Linux), or None.

    A system that runs from a 9p root (some virtual machines) counts as local.
    """
    try:
        lines = mounts.read_text("utf-8", "surrogateescape").splitlines()
    except OSError:
        return None  # other systems: nothing to read it from
    best, system = Path("/"), None
    there = path.absolute().resolve()
    for line in lines:
        fields = line.split(" ")
        if len(fields) < 3:
            continue
        point = Path(_OCTAL.sub(lambda m: chr(int(m[1], 8)), fields[1]))
        if (point == there or point in there.parents) and len(point.parts) >= len(best.parts):
            best, system = point, fields[2]
    if system == "9p" and best == Path("/"):
        return None
    return system if system in NETWORK_SYSTEMS else None
