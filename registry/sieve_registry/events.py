"""The kinds of event a ledger holds. Once released, a kind's spelling and meaning stay forever."""

from __future__ import annotations

__all__ = [
    "ABOUT_SIEVE",
    "ARTEFACT_ADDED",
    "CHAIN_CORRECTED",
    "CHECK_RECORDED",
    "CHECK_SIGNED",
    "CLOTH_REPLACED",
    "CORRECTED",
    "DEVICE_ADDED",
    "HEAD_SIGNED",
    "IMPORTED",
    "RULES_SET",
    "SCALE_CALIBRATED",
    "SIEVE_ADDED",
    "SIEVE_CLEANED",
    "SIEVE_EDITED",
    "SIEVE_QUARANTINED",
    "SIEVE_RETIRED",
    "SIEVE_RETURNED",
    "STACK_RUN",
    "STACK_SET",
    "USE_LOGGED",
]

SIEVE_ADDED = "sieve added"
SIEVE_EDITED = "sieve edited"
CHECK_RECORDED = "check recorded"
USE_LOGGED = "use logged"
SIEVE_RETIRED = "sieve retired"
SIEVE_QUARANTINED = "sieve quarantined"
SIEVE_RETURNED = "sieve returned"
SIEVE_CLEANED = "sieve cleaned"
CHECK_SIGNED = "check signed"
CLOTH_REPLACED = "cloth replaced"
HEAD_SIGNED = "head signed"
CORRECTED = "record corrected"
RULES_SET = "laboratory rules set"
STACK_SET = "stack set"
STACK_RUN = "stack run"
IMPORTED = "records imported"
ARTEFACT_ADDED = "artefact added"
DEVICE_ADDED = "device added"
SCALE_CALIBRATED = "scale calibrated"
CHAIN_CORRECTED = "scale chain corrected"

# Acts of a sieve's life that have no table of their own: their subject is the sieve's id.
ABOUT_SIEVE = (
    SIEVE_QUARANTINED,
    SIEVE_RETURNED,
    SIEVE_CLEANED,
    CLOTH_REPLACED,
    CHECK_SIGNED,
)
