"""Our records hold what the library's dataclasses do."""

from __future__ import annotations

import dataclasses
import pickle
from dataclasses import field
from typing import Any

import pytest

from schemas import record


def made_by(decorator: Any) -> Any:
    @decorator(frozen=True)
    class Record:
        trips: int
        base: str = "Elm"
        rules: list[str] = field(default_factory=list)
        note: str = field(default="", compare=False, repr=False)

        def __post_init__(self) -> None:
            if self.trips < 0:
                raise ValueError("negative")

    return Record


OURS, THEIRS = made_by(record.dataclass), made_by(dataclasses.dataclass)


@record.dataclass(frozen=True)
class Longer:
    """At the top of its module, so that it can be kept."""

    trips: int
    base: str = "Elm"


@pytest.mark.parametrize(
    ("given", "named"),
    [((3,), {}), ((3, "Oak"), {}), ((3, "Oak", ["a"], "n"), {}), ((), {"trips": 3}),
     ((3,), {"note": "n", "base": "Oak"}), ((), {"rules": ["a"], "trips": 3})],
)  # fmt: skip
def test_a_record_takes_values_as_the_library_does(given: Any, named: Any) -> None:
    ours, theirs = OURS(*given, **named), THEIRS(*given, **named)
    assert dataclasses.asdict(ours) == dataclasses.asdict(theirs)
    assert list(vars(ours)) == list(dataclasses.asdict(theirs)) or named
    assert repr(ours) == repr(theirs)
    assert OURS.__match_args__ == THEIRS.__match_args__


@pytest.mark.parametrize(
    ("given", "named"),
    [((), {}), ((1, "a", [], "n", 5), {}), ((1,), {"trips": 1}), ((1,), {"unknown": 1})],
)
def test_a_record_refuses_what_the_library_refuses(given: Any, named: Any) -> None:
    for made in (OURS, THEIRS):
        with pytest.raises(TypeError):
            made(*given, **named)


def test_a_record_checks_itself_and_has_its_own_list() -> None:
    with pytest.raises(ValueError, match="negative"):
        OURS(-1)
    assert OURS(1).rules is not OURS(1).rules


def test_records_are_equal_by_what_they_compare() -> None:
    assert OURS(1) == OURS(1, note="n") != OURS(2)
    assert OURS(1) != THEIRS(1)
    assert hash(Longer(1)) == hash(Longer(1, "Elm"))
    assert dataclasses.replace(Longer(1), base="Oak") == Longer(1, "Oak")


def test_a_frozen_record_keeps_its_values() -> None:
    kept = Longer(1)
    for change in (lambda: setattr(kept, "trips", 2), lambda: delattr(kept, "trips")):
        with pytest.raises(dataclasses.FrozenInstanceError):
            change()
    assert pickle.loads(pickle.dumps(kept)) == kept


def test_one_that_is_not_frozen_can_be_set_and_has_no_hash() -> None:
    @record.dataclass
    class Loose:
        trips: int = 0

    loose = Loose()
    loose.trips = 2
    assert loose == Loose(2)
    with pytest.raises(TypeError, match="unhashable"):
        hash(loose)


def test_a_record_of_a_record_adds_to_its_fields() -> None:
    @record.dataclass(frozen=True)
    class More(Longer):
        more: int = 0

    assert More(1, "Oak", 2) == dataclasses.replace(More(1, "Oak"), more=2)
    assert More(1) != Longer(1)
