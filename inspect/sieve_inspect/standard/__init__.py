"""The limits of woven-wire test sieve cloth: editions, tables, designations, sample limits."""

from sieve_inspect.standard.designations import (
    AmbiguousDesignationError,
    UnknownDesignationError,
    resolve_nominal,
)
from sieve_inspect.standard.editions import DEFAULT_STANDARD, list_standards
from sieve_inspect.standard.formula import GRADES
from sieve_inspect.standard.lookup import NotTabulatedError, is_listed, limits, size_of
from sieve_inspect.standard.model import Limits

__all__ = [
    "DEFAULT_STANDARD",
    "GRADES",
    "AmbiguousDesignationError",
    "Limits",
    "NotTabulatedError",
    "UnknownDesignationError",
    "is_listed",
    "limits",
    "list_standards",
    "resolve_nominal",
    "size_of",
]
