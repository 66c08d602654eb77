"""Where a registry lies: a path, an sqlite or postgresql URL, or the user's data folder."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import parse_qsl, unquote, urlencode, urlsplit, urlunsplit

from sieve_inspect.errors import UsageError

_SQLITE = "sqlite:///"
_POSTGRES = "postgresql+psycopg://"
IN_DATABASE = "database"
_TAKEN = (".evidence", ".head", ".signin")

# File systems that two computers may have open at once, as Linux and macOS list them.
NETWORK_SYSTEMS = frozenset(
    (
        *("9p", "acfs", "afpfs", "afs", "beegfs", "ceph", "cifs", "coda", "davfs", "ftp", "gfs"),
        *("gfs2", "glusterfs", "gpfs", "lustre", "ncpfs", "nfs", "nfs4", "ocfs2", "orangefs"),
        *("panfs", "prl_fs", "pvfs2", "smb2", "smb3", "smbfs", "vboxsf", "virtiofs", "vmhgfs"),
        *("webdav", "wekafs"),
        *("fuse.ceph", "fuse.curlftpfs", "fuse.davfs2", "fuse.gcsfuse", "fuse.glusterfs"),
        *("fuse.goofys", "fuse.gvfsd-fuse", "fuse.juicefs", "fuse.lizardfs", "fuse.mfs"),
        *("fuse.moosefs", "fuse.rclone", "fuse.s3fs", "fuse.smbnetfs", "fuse.sshfs"),
        *("fuse.vmhgfs-fuse", "macfuse", "osxfuse"),
    )
)
_ROOTS_OF_MACHINES = ("9p", "virtiofs")  # a virtual machine may run from these
_MAC_MOUNT = re.compile(r".* on (?P<point>/.*) \((?P<system>[a-z0-9_]+)[,)]")
_REMOTE_DRIVE = 4  # GetDriveTypeW (Windows, fileapi.h)
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
    """The kind of network file system `path` lies on, or None.

    A system that runs from a shared root (some virtual machines) counts as local.
    """
    if sys.platform == "win32":
        return windows_system(str(path.absolute()), _windows_drive_type)
    if sys.platform == "darwin":
        return system_of(path.absolute().resolve(), _mac_mounts())
    try:
        lines = mounts.read_text("utf-8", "surrogateescape").splitlines()
    except OSError:
        return None
    fields = [line.split(" ") for line in lines]
    named = [(_OCTAL.sub(lambda m: chr(int(m[1], 8)), f[1]), f[2]) for f in fields if len(f) > 2]
    return system_of(path.absolute().resolve(), named)


def system_of(path: Path, mounts: Iterable[tuple[str, str]]) -> str | None:
    """The network system `path` lies on, by the mount points and their systems; else None."""
    best, system = Path("/"), None
    for point, kind in mounts:
        place = Path(point)
        if (place == path or place in path.parents) and len(place.parts) >= len(best.parts):
            best, system = place, kind
    if system in _ROOTS_OF_MACHINES and best == Path("/"):
        return None
    return system if system in NETWORK_SYSTEMS else None


def mac_mounts(text: str) -> list[tuple[str, str]]:
    """Mount points and their systems, as the program `mount` of macOS lists them."""
    found = (_MAC_MOUNT.match(line) for line in text.splitlines())
    return [(line["point"], line["system"]) for line in found if line is not None]


def windows_system(path: str, drive_type: Callable[[str], int]) -> str | None:
    """The network system of a Windows path: a share by its name, or a drive letter of one."""
    plain = path.replace("/", "\\").removeprefix("\\\\?\\")
    if plain.upper().startswith("UNC\\") or plain.startswith("\\\\"):
        return "network share"
    if len(plain) > 1 and plain[1] == ":" and drive_type(f"{plain[:2]}\\") == _REMOTE_DRIVE:
        return "network drive"
    return None


def _mac_mounts() -> list[tuple[str, str]]:
    import subprocess

    try:
        done = subprocess.run(["/sbin/mount"], capture_output=True, timeout=10, check=True)
    except (OSError, subprocess.SubprocessError):
        return []
    return mac_mounts(done.stdout.decode("utf-8", "surrogateescape"))


def _windows_drive_type(root: str) -> int:
    import ctypes

    return int(getattr(ctypes, "windll").kernel32.GetDriveTypeW(root))  # noqa: B009
