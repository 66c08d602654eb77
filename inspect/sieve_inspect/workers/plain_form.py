"""Results as bytes that hold values only: a JSON text, and arrays in NumPy's own format.

    length of the JSON text, a line end, the JSON text, then each array

Nothing in such bytes can be made to run: arrays of objects are neither written nor read, and the
only classes made are dataclasses, named tuples and enumerations of this package, from fields of
their own names. In the JSON text a tuple, record or array is an object with one key:

    {"tuple": […]}   {"record": [CLASS, {…}]}   {"enum": [CLASS, VALUE]}   {"path": TEXT}
    {"array": NUMBER}   {"scalar": NUMBER}   {"map": [[KEY, VALUE], …]}
"""

from __future__ import annotations

import importlib
import io
import json
from collections.abc import Callable
from dataclasses import fields, is_dataclass
from enum import Enum
from pathlib import Path
from typing import Any

import numpy as np

_PACKAGE = "sieve_inspect."
_PLAIN = (str, int, float, bool, type(None))
_Array = np.ndarray[Any, Any]


def to_bytes(value: object) -> bytes:
    """A result as bytes. Raises `TypeError` or `ValueError` for one that holds anything else."""
    arrays: list[_Array] = []
    text = json.dumps(_written(value, arrays)).encode()
    stream = io.BytesIO()
    stream.write(b"%d\n" % len(text))
    stream.write(text)
    for array in arrays:
        np.lib.format.write_array(stream, array, allow_pickle=False)
    return stream.getvalue()


def from_bytes(data: bytes) -> Any:
    """The result. Raises `ValueError`, `TypeError`, `LookupError` or `AttributeError`."""
    stream = io.BytesIO(data)
    length = int(stream.readline(20))
    tree = json.loads(stream.read(length))
    arrays = []
    while stream.tell() < len(data):
        try:
            arrays.append(np.lib.format.read_array(stream, allow_pickle=False))
        except Exception as error:  # its reader of headers raises whatever its tokenizer does
            raise ValueError("an array cannot be read") from error
    return _read(tree, arrays)


def _written(value: object, arrays: list[_Array]) -> object:
    kind = type(value)
    if kind in _PLAIN:
        return value
    if isinstance(value, list):
        return [_written(item, arrays) for item in value]
    form, content = _marked(value, arrays)
    return {form: content}


def _marked(value: object, arrays: list[_Array]) -> tuple[str, object]:
    """The form of a value that JSON has no form for, and its content."""
    if isinstance(value, Enum):
        return "enum", [_name(type(value)), value.value]
    if isinstance(value, np.ndarray | np.generic):
        arrays.append(np.asarray(value))
        return "array" if isinstance(value, np.ndarray) else "scalar", len(arrays) - 1
    if isinstance(value, Path):
        return "path", str(value)
    if isinstance(value, dict):
        return "map", [[_written(k, arrays), _written(v, arrays)] for k, v in value.items()]
    if type(value) is tuple:
        return "tuple", [_written(item, arrays) for item in value]
    return "record", _record_written(value, arrays)


def _record_written(value: object, arrays: list[_Array]) -> object:
    """A named tuple or dataclass: its class, and its fields as it would send them elsewhere."""
    kind = type(value)
    if isinstance(value, tuple):
        held: dict[str, object] = dict(zip(getattr(kind, "_fields", ()), value, strict=True))
    elif is_dataclass(value):
        own = vars(kind).get("__getstate__")
        state = None if own is None else own(value)
        held = {f.name: state[f.name] if state else getattr(value, f.name) for f in fields(value)}
    else:
        raise TypeError(f"{kind.__name__} is no value that is kept")
    return [_name(kind), {name: _written(item, arrays) for name, item in held.items()}]


def _name(kind: type) -> str:
    if not kind.__module__.startswith(_PACKAGE):
        raise TypeError(f"{kind.__name__} is no class of results")
    return f"{kind.__module__}:{kind.__qualname__}"


def _class(name: str) -> Any:
    module, _, qualname = name.partition(":")
    if not module.startswith(_PACKAGE) or not qualname.isidentifier():
        raise ValueError("a class of another package")
    kind = getattr(importlib.import_module(module), qualname)
    known = isinstance(kind, type) and kind.__module__ == module
    if not known or not (is_dataclass(kind) or issubclass(kind, tuple | Enum)):
        raise ValueError("no class of results")
    return kind


def _read(tree: Any, arrays: list[_Array]) -> Any:
    if isinstance(tree, list):
        return [_read(item, arrays) for item in tree]
    if not isinstance(tree, dict):
        return tree
    ((form, content),) = tree.items()
    return _FORMS[form](content, arrays)


def _record(kind: Any, content: dict[str, Any], arrays: list[_Array]) -> Any:
    values = {name: _read(value, arrays) for name, value in content.items()}
    if issubclass(kind, tuple):
        return kind(**values)
    names = {field.name for field in fields(kind)}
    if values.keys() != names:
        raise ValueError(f"other fields than those of {kind.__name__}")
    record = object.__new__(kind)
    for name, value in values.items():
        object.__setattr__(record, name, value)
    return record


_FORMS: dict[str, Callable[[Any, list[_Array]], Any]] = {
    "array": lambda content, arrays: arrays[content],
    "scalar": lambda content, arrays: arrays[content][()],
    "path": lambda content, _arrays: Path(content),
    "enum": lambda content, _arrays: _class(content[0])(content[1]),
    "tuple": lambda content, arrays: tuple(_read(item, arrays) for item in content),
    "map": lambda content, arrays: {_read(k, arrays): _read(v, arrays) for k, v in content},
    "record": lambda content, arrays: _record(_class(content[0]), content[1], arrays),
}
