"""Where the page is served: on this computer, or on the laboratory's network with TLS."""

from __future__ import annotations

from dataclasses import dataclass

LOCAL_HOST = "127.0.0.1"


@dataclass(frozen=True)
class Address:
    """The names the page is served under, the first to be shown, and its port.

    `network`: with TLS, and to signed-in persons alone.
    """

    port: int
    names: tuple[str, ...] = (LOCAL_HOST, "localhost")
    network: bool = False

    @property
    def scheme(self) -> str:
        """The scheme of its addresses."""
        return "https" if self.network else "http"

    @property
    def hosts(self) -> list[str]:
        """The values of `Host` that mean this page."""
        named = [f"[{name}]" if ":" in name else name.lower() for name in self.names]
        usual = {"http": 80, "https": 443}[self.scheme]
        bare = named if self.network and self.port == usual else []
        return [*(f"{name}:{self.port}" for name in named), *bare]

    @property
    def home(self) -> str:
        """The address to open."""
        return f"{self.scheme}://{self.hosts[0]}/"

    @property
    def key_cookie(self) -> str:
        """The name of the cookie that keeps the key of the page at a port."""
        return f"sieveward-bench-{self.port}"

    @property
    def session_cookie(self) -> str:
        """The name of the cookie of a session; a browser keeps `__Host-` for TLS alone."""
        return f"{'__Host-' if self.network else ''}sieveward-session-{self.port}"
