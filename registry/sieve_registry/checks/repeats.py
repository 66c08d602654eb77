"""What a check would use or count again: scans of earlier checks, and fields that overlap.

Neither is forbidden, and each is seldom meant: a check by them needs a reason. An aperture that two
fields show counts once all the same. A field that shows a place of an earlier check again is how a
sieve is measured again, and needs none.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from sieve_inspect.files import open_regular
from sieve_registry.checks.errors import OverlappingFieldsError, UsedScanError
from sieve_registry.checks.positions import PlacedField, unconfirmed_overlaps
from sieve_registry.ledger.events import CheckRecorded
from sieve_registry.sieves.facts import current_facts_of
from sieve_registry.store import reader
from sieve_registry.store.engine import Registry

# Highest probability of agreement by chance at which fields that overlap need a reason, that of
# one cloth in `compare`. Of the 190 pairs of 20 fields one in 5,000 such checks is asked about
# without cause; apertures count once from a probability of 0.001 on, which costs a few only.
_P_CERTAIN = 1e-6


def used_before(registry: Registry, images: Sequence[Path]) -> tuple[str, ...]:
    """A sentence for each of these scans that is evidence of an earlier check, not of a void one.

    Files that cannot be read are left to the measuring.
    """
    scans = {}
    for image in images:
        with suppress(OSError), open_regular(image) as file:
            scans[hashlib.file_digest(file, "sha256").hexdigest()] = image.name
    with registry.reading() as connection:
        known = [sha for sha in scans if reader.evidence_extension(connection, sha) is not None]
    if not known:
        return ()
    return tuple(
        f"{scans[image['sha256']]} is the same file that check {fact.payload.check} of sieve "
        f"{fact.subject} used on {fact.on_date}"
        for fact in current_facts_of(registry, None, [CheckRecorded])
        for image in fact.payload.images
        if image.get("sha256") in known
    )


def overlapping(
    images: Sequence[Mapping[str, Any]], fields: Sequence[PlacedField]
) -> tuple[str, ...]:
    """A sentence for each two fields of a check that show the same cloth.

    `images` are those of the measurement's document; `fields` their places, where known: what
    overlaps by them, and is not recognised by the cloth, is named too.
    """
    return (*_recognised(images), *unconfirmed_overlaps(fields, images))


def _recognised(images: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    for number, image in enumerate(images, start=1):
        for part in image.get("shared", ()):
            if part["p_false_match"] <= _P_CERTAIN:
                earlier = images[part["image"] - 1]["file"]
                yield (
                    f"Fields {part['image']} and {number} ({earlier}, {image['file']}) show the "
                    f"same {part['apertures']} apertures: counted once"
                )


def refuse_without_reason(used: Sequence[str], overlaps: Sequence[str], reason: str) -> None:
    """Raise `UsedScanError` or `OverlappingFieldsError` for such sentences without a reason."""
    if reason or not (used or overlaps):
        return
    error = UsedScanError if used else OverlappingFieldsError
    raise error(sentence="; ".join((*used, *overlaps)))
