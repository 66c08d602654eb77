"""Databases on the server the tests were given."""

from __future__ import annotations

from dataclasses import dataclass, field

from sieve_registry.store.engine import open_registry


@dataclass
class Server:
    """Makes empty databases on the server the tests were given, each a copy of one template."""

    url: str
    worker: str
    made: list[str] = field(default_factory=list)

    def execute(self, statement: str) -> None:
        import psycopg

        with psycopg.connect(self.url.replace("+psycopg", ""), autocommit=True) as connection:
            connection.execute(statement)

    def address(self, name: str) -> str:
        return f"{self.url.rpartition('/')[0]}/{name}"

    def blank(self, name: str) -> str:
        self.execute(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")
        self.execute(f"CREATE DATABASE {name} TEMPLATE template0")
        return self.address(name)

    def database(self) -> str:
        template = f"registry_{self.worker}"
        if not self.made:
            open_registry(self.blank(template), create=True).close()
        name = f"{template}_{len(self.made) + 1}"
        self.made.append(name)
        self.execute(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")
        self.execute(f"CREATE DATABASE {name} TEMPLATE {template}")
        return self.address(name)

    def drop(self, address: str) -> None:
        name = address.partition("?")[0].rpartition("/")[2]
        self.execute(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")
