"""The codec of recorded values: frozen dataclasses to canonical JSON values and back.

    date ↔ "2026-01-12"    Decimal, float ↔ "75.12"    tuple ↔ list    Stored ↔ object

A number with a fraction is a decimal text: a binary float has no single spelling that could be
hashed. NaN and infinity become null. A field marked `optional` is left out while it holds its
default, so that content recorded before the field existed keeps its bytes. What a class does not
name, because a later version added it, is kept in `other` and written back unchanged.
"""

from __future__ import annotations

import dataclasses
import math
import types
from collections.abc import Callable, Mapping
from datetime import date
from decimal import Decimal
from typing import Any, ClassVar, Self, TypeVar, Union, get_args, get_origin, get_type_hints

_Decoder = Callable[[Any], Any]
_Value = TypeVar("_Value")


def decimal_text(value: float) -> str:
    """The shortest decimal that reads back as the same float, never in exponent form."""
    if not math.isfinite(value):
        raise TypeError(f"{value} is not a number that can be recorded")
    return format(Decimal(repr(float(value))), "f")


def plain_value(value: object) -> object:
    """A value as canonical JSON takes it: exact numbers as texts, NaN as null, days as ISO text."""
    if isinstance(value, float):
        return decimal_text(value) if math.isfinite(value) else None
    if isinstance(value, Decimal):
        return format(value, "f")
    if isinstance(value, date):
        return value.isoformat()
    return _plain_parts(value)


def _plain_parts(value: object) -> object:
    if isinstance(value, Stored):
        return value.to_payload()
    if isinstance(value, Mapping):
        return {str(key): plain_value(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain_value(item) for item in value]
    return value


def plain_object(values: Mapping[str, Any]) -> dict[str, Any]:
    """A JSON object with every value as `plain_value` writes it."""
    return {key: plain_value(value) for key, value in values.items()}


def optional(default: _Value, *, key: str = "", since: int = 1) -> _Value:
    """A field left out of the payload while it holds `default`; `since` which version it exists.

    `key` is its name in the payload where that differs.
    """
    metadata = {"optional": True, "key": key, "since": since}
    field: _Value = dataclasses.field(default=default, metadata=metadata)
    return field


def stored_as(key: str) -> Any:
    """A required field kept under the name `key`."""
    return dataclasses.field(metadata={"key": key})


def shared_fields(record: type[Any], source: object) -> dict[str, Any]:
    """The values `source` has for the fields of a record type, by name."""
    names = (field.name for field in dataclasses.fields(record))
    return {name: getattr(source, name) for name in names if hasattr(source, name)}


@dataclasses.dataclass(frozen=True)
class Stored:
    """A frozen record that is kept as a JSON object."""

    def to_payload(self) -> dict[str, Any]:
        """The JSON object, with exact values."""
        payload: dict[str, Any] = {}
        for field in _fields(type(self)):
            value = getattr(self, field.name)
            if not (field.optional and value == field.default):
                payload[field.key] = plain_value(value)
        if isinstance(self, EventPayload):
            payload.update(self.other)
        return payload

    @classmethod
    def from_payload(cls, payload: Mapping[str, Any]) -> Self:
        """Read the object back; a field that earlier versions lack has its default.

        Raises `KeyError` for a field that is missing, `TypeError` or `ValueError` for a value of
        another kind than the field's.
        """
        values: dict[str, Any] = {}
        fields = _fields(cls)
        for field in fields:
            if field.key in payload:
                values[field.name] = field.decode(payload[field.key])
            elif field.default is dataclasses.MISSING:
                raise KeyError(field.key)
        if issubclass(cls, EventPayload):
            known = {field.key for field in fields}
            values["other"] = {name: payload[name] for name in payload if name not in known}
        return cls(**values)


@dataclasses.dataclass(frozen=True, kw_only=True)
class EventPayload(Stored):
    """What one kind of event keeps.

    `KIND` is the kind's text in the ledger and `VERSION` the newest form of its payload; neither
    changes once released. `NOUN` names the record in a sentence.
    """

    KIND: ClassVar[str] = ""
    VERSION: ClassVar[int] = 1
    NOUN: ClassVar[str] = "the record"

    late_reason: str = optional("", key="why_late")  # why it was recorded only afterwards
    not_authorised: str = optional("")  # why the person was not entitled to this act, as marked
    other: Mapping[str, Any] = dataclasses.field(default_factory=dict)  # fields of a later version

    def __init_subclass__(
        cls, *, kind: str = "", version: int = 1, noun: str = "the record"
    ) -> None:
        super().__init_subclass__()
        cls.KIND, cls.VERSION, cls.NOUN = kind, version, noun


@dataclasses.dataclass(frozen=True)
class _Field:
    name: str
    key: str
    optional: bool
    default: Any
    decode: _Decoder


_FIELDS: dict[type, tuple[_Field, ...]] = {}  # by class, made when a payload is first met


def _fields(cls: type[Stored]) -> tuple[_Field, ...]:
    if cls not in _FIELDS:
        hints = get_type_hints(cls)
        _FIELDS[cls] = tuple(
            _Field(
                field.name,
                field.metadata.get("key") or field.name,
                bool(field.metadata.get("optional")),
                field.default,
                _decoder(hints[field.name]),
            )
            for field in dataclasses.fields(cls)
            if field.name != "other"
        )
    return _FIELDS[cls]


def _decoder(hint: Any) -> _Decoder:
    """The function that reads a JSON value as the type `hint`."""
    if hint in _SCALARS:
        return _SCALARS[hint]
    origin, parts = get_origin(hint), get_args(hint)
    if origin in (Union, types.UnionType):
        (inner,) = (_decoder(part) for part in parts if part is not types.NoneType)
        return lambda value: None if value is None else inner(value)
    if origin is tuple and len(parts) == 2 and parts[1] is Ellipsis:
        item = _decoder(parts[0])
        return lambda value: tuple(item(part) for part in value)
    if origin is tuple:
        items = tuple(_decoder(part) for part in parts)
        return lambda value: tuple(read(part) for read, part in zip(items, value, strict=True))
    if origin is Mapping:
        item = _decoder(parts[1])
        return lambda value: {key: item(part) for key, part in value.items()}
    if isinstance(hint, type) and issubclass(hint, Stored):
        return hint.from_payload
    raise TypeError(f"no way to read {hint} from a payload")


def _exactly(kind: type) -> _Decoder:
    def read(value: Any) -> Any:
        if type(value) is not kind:
            raise TypeError(f"{value!r} is not of type {kind.__name__}")
        return value

    return read


def _number(value: Any) -> float:
    """A number from its text; an integer stays an integer."""
    return value if type(value) is int else float(value)


def _decimal(value: Any) -> Decimal:
    return Decimal(value)


_SCALARS: dict[Any, _Decoder] = {
    str: _exactly(str),
    int: _exactly(int),
    bool: _exactly(bool),
    float: _number,
    Decimal: _decimal,
    date: date.fromisoformat,
    Any: lambda value: value,
}
