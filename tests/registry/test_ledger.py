"""The chain of hashes, computed a second time here with the standard library alone."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sieve_registry.ledger.canonical import canonical_text, read_payload
from sieve_registry.ledger.chain import GENESIS, ChainWalk, event_bytes, event_line, next_event
from sieve_registry.ledger.codec import decimal_text, plain_value
from sieve_registry.ledger.records import Event, Finding
from sieve_registry.store import reader
from sieve_registry.store.engine import Registry


@pytest.fixture
def chain() -> list[Event]:
    events: list[Event] = []
    for number in range(4):
        events.append(
            next_event(
                events[-1] if events else None,
                kind="use logged",
                subject="S-1",
                on_date=f"2026-01-0{number + 1}",
                recorded_at="2026-02-01T12:00:00Z",
                person="Ada Moss",
                software="sieveward 0",
                payload={"count": number},
            )
        )
    return events


def test_a_hash_is_sha256_of_sorted_compact_json_with_the_hash_before(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any]
) -> None:
    add("Größe 75 µm")
    check("Größe 75 µm")
    previous = "0" * 64
    with registry.reading() as connection:
        events = list(reader.events(connection))
    for event in events:
        fields = {name: value for name, value in event.__dict__.items() if name != "hash"}
        text = json.dumps(fields, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        assert event.hash == hashlib.sha256(text.encode()).hexdigest()
        assert event.previous == previous
        previous = event.hash
    assert len(events) == 2


def check_chain(events: list[Event], known_head: str | None = None) -> list[Finding]:
    """The first broken link, or a finding for a known head that is in no event."""
    walk = ChainWalk(() if known_head is None else (known_head,))
    for event in events:
        walk.step(event)
    missing = [Finding("chain", "missing", f"head {head}") for head in walk.unmet]
    return missing if walk.broken is None else [walk.broken]


def test_an_unbroken_chain_has_no_findings(chain: list[Event]) -> None:
    assert chain[0].previous == GENESIS
    assert check_chain(chain) == check_chain([]) == []
    assert check_chain(chain, known_head=chain[2].hash) == []


@pytest.mark.parametrize(
    "field", ["kind", "subject", "on_date", "recorded_at", "person", "software", "payload"]
)
def test_any_changed_field_breaks_the_chain_at_that_event(chain: list[Event], field: str) -> None:
    chain[2] = replace(chain[2], **{field: getattr(chain[2], field) + "x"})
    (finding,) = check_chain(chain)
    assert finding.subject == "event 3"
    assert "altered" in finding.message


def test_an_event_altered_and_hashed_anew_no_longer_fits_the_next(chain: list[Event]) -> None:
    fields = {name: getattr(chain[1], name) for name in ("kind", "subject", "on_date", "person")}
    chain[1] = next_event(chain[0], **fields, recorded_at="", software="", payload={"count": 1_000})
    (finding,) = check_chain(chain)
    assert (finding.subject, finding.message) == (
        "event 3",
        "does not follow from the event before it",
    )


def test_a_missing_event_is_named(chain: list[Event]) -> None:
    del chain[1]
    (finding,) = check_chain(chain)
    assert finding.message == "event 2 is missing"


def test_a_cut_off_end_is_found_by_a_head_noted_earlier(chain: list[Event]) -> None:
    head = chain[-1].hash
    assert check_chain(chain[:-1]) == []  # the chain alone cannot know
    (finding,) = check_chain(chain[:-1], known_head=head)
    assert finding.subject == f"head {head}"


def test_no_float_is_ever_hashed() -> None:
    with pytest.raises(TypeError):
        canonical_text({"deep": [{"mean_um": 75.1}]})
    assert plain_value({"a": [1, 0.1, float("nan")]}) == {"a": [1, "0.1", None]}


@given(st.integers(1, 2**53), st.lists(st.text(), min_size=9, max_size=9))
def test_the_bytes_of_an_event_are_those_of_its_canonical_text(seq: int, texts: list[str]) -> None:
    event = Event(seq, *texts)
    fields = dict(event.__dict__)
    assert event_line(event).decode() == canonical_text(fields) + "\n"
    del fields["hash"]
    assert event_bytes(event).decode() == canonical_text(fields)


def test_the_bytes_of_a_damaged_event_show_the_damage(chain: list[Event]) -> None:
    damaged = replace(chain[0], payload="{\udcff}")  # a byte that is no UTF-8
    assert b'"payload":"{\xff}"' in event_bytes(damaged)
    with pytest.raises(TypeError):
        event_bytes(replace(chain[0], payload=5))  # type: ignore[arg-type]


@pytest.mark.parametrize("text", ['{"a": [1, null], "a": "µ"}', "NaN", '"\\ud800"', str(2**40)])
def test_a_payload_reads_as_by_the_standard_library(text: str) -> None:
    assert str(read_payload(text)) == str(json.loads(text))


@pytest.mark.parametrize("text", ["", "{", '{"a": 1,}', "\udcff"])
def test_what_is_no_json_is_no_payload(text: str) -> None:
    with pytest.raises(json.JSONDecodeError):
        read_payload(text)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_decimal_text_reads_back_as_the_same_float(value: float) -> None:
    text = decimal_text(value)
    assert float(text) == value
    assert "e" not in text.lower()
