"""Each refusal of the registry has a sentence, its own code, and a place in the drawn tree."""

from __future__ import annotations

import string
from types import ModuleType

import pytest

from sieve_inspect.errors import SievewardError
from sieve_registry import errors
from sieve_registry.audit import errors as of_audit
from sieve_registry.checks import errors as of_checks
from sieve_registry.people import errors as of_people
from sieve_registry.scales import errors as of_scales

TREES = (errors, of_audit, of_checks, of_people, of_scales)
each_tree = pytest.mark.parametrize("tree", TREES, ids=lambda tree: tree.__name__)


def classes_of(tree: ModuleType) -> list[type[SievewardError]]:
    return [getattr(tree, name) for name in tree.__all__]


def own_classes() -> list[type[SievewardError]]:
    return [error for tree in TREES for error in classes_of(tree)]


@each_tree
def test_the_list_of_names_is_sorted_and_complete(tree: ModuleType) -> None:
    defined = [
        name
        for name, value in vars(tree).items()
        if isinstance(value, type) and value.__module__ == tree.__name__
    ]
    assert tree.__all__ == sorted(defined)


def test_every_class_with_a_sentence_has_a_code_of_its_own_in_the_registrys_range() -> None:
    codes = [cls.exit_code for cls in own_classes() if "template" in vars(cls)]
    # BadTextError and OtherTurnError are misuse; UsedScanError and OverlappingFieldsError are
    # cloth given twice, as SameImageError.
    assert (codes.count(2), codes.count(28)) == (2, 2)
    codes = [code for code in codes if code not in (2, 28)]
    codes.remove(31)  # NoRightError: a registry that cannot be used, by this user
    assert len(codes) == len(set(codes))
    assert all(30 <= code <= 71 for code in codes)
    for cls in own_classes():
        if issubclass(cls, errors.IntegrityError):
            assert cls.exit_code >= 40


@each_tree
def test_the_tree_drawn_at_the_top_names_each_class_with_its_code(tree: ModuleType) -> None:
    for cls in classes_of(tree):
        lines = (tree.__doc__ or "").splitlines()
        (line,) = (text for text in lines if cls.__name__ in text.split())
        assert str(cls.exit_code) in line or "–" in line


def test_every_error_message_can_be_filled_and_is_a_sentence() -> None:
    for cls in own_classes():
        fields = {name for _, name, _, _ in string.Formatter().parse(cls.template) if name}
        error = cls(**dict.fromkeys(fields, 1))
        assert isinstance(error, SievewardError)
        if "template" in vars(cls):
            assert str(error).endswith((".", "`"))
