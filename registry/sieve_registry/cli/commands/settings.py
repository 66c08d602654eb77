"""`sieveward settings`: what is filled in where nothing is typed, for this user."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated

from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import option


def settings(
    *,
    person: Annotated[str | None, option("Person of your records.", "NAME")] = None,
    device: Annotated[str | None, option("Device whose scale is preferred.", "ID")] = None,
    scale: Annotated[str | None, option("Scale for scans without dpi.", "NAME")] = None,
    laboratory: Annotated[str | None, option("Laboratory on the head of reports.", "T")] = None,
    address: Annotated[str | None, option("Its address.", "T")] = None,
    logo: Annotated[str | None, option("Its logo: PNG or JPEG, at most 500 kB.", "FILE")] = None,
    json_path: options.Json = None,
) -> None:
    """Show or change your settings; '' clears one. They never change what is recorded.

    The bench page and the reports use the same file.
    """
    from sieve_registry.settings import change_settings, load_settings, settings_file

    given = {
        "person": person,
        "device": device,
        "scale": scale,
        "laboratory": laboratory,
        "address": address,
        "logo": logo,
    }
    changes = {name: text for name, text in given.items() if text is not None}
    known = asdict(change_settings(changes) if changes else load_settings())
    if output.emit(json_path, {"file": str(settings_file()), **known}):
        return
    output.table("", {"setting": "", "value": ""}, [(n, text or None) for n, text in known.items()])
    output.text(f"Kept in {settings_file()}.")
