"""Which account of this computer opened a connection to the page, where the system says so.

Linux answers for a single connection by netlink (sock_diag(7)); elsewhere it is not known.
"""

from __future__ import annotations

import os
import socket
import struct
import sys

_SOCK_DIAG, _BY_FAMILY = 4, 20  # NETLINK_SOCK_DIAG, SOCK_DIAG_BY_FAMILY
_NO_COOKIE = 0xFFFFFFFF
_UID_AT = 80  # in the answer: after its header (16), four bytes, the sockets (48), three numbers
_ROOT = 0

_End = tuple[str, int] | None  # address and port


def other_account(client: _End, server: _End) -> bool:
    """Whether a connection within this computer was opened by another account, root apart."""
    account = account_of(client, server)
    return account is not None and account not in (_ROOT, os.geteuid())


def account_of(client: _End, server: _End) -> int | None:
    """The number of the account that holds the client's end; None where that is not known."""
    if sys.platform != "linux" or client is None or server is None:
        return None
    try:
        ends = [socket.inet_aton(host) + bytes(12) for host, _ in (client, server)]
        asked = struct.pack("=BBBBI", socket.AF_INET, socket.IPPROTO_TCP, 0, 0, _NO_COOKIE)
        asked += struct.pack("!HH", client[1], server[1]) + b"".join(ends)
        asked += struct.pack("=III", 0, _NO_COOKIE, _NO_COOKIE)
        header = struct.pack("=IHHII", 16 + len(asked), _BY_FAMILY, 1, 1, 0)
        with socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, _SOCK_DIAG) as link:
            link.settimeout(1.0)
            link.send(header + asked)
            answer = link.recv(4096)
        known = struct.unpack_from("=IH", answer)[1] == _BY_FAMILY
        return int(struct.unpack_from("=I", answer, _UID_AT)[0]) if known else None
    except (OSError, struct.error):  # not an address of this computer, or not answered
        return None
