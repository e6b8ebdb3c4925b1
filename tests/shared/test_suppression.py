"""The general piece: what is withheld cannot be worked out, also by one who knows how it is chosen.

Every table of a kind is made, and those that are told alike are put side by side: a small count
that is the same in all of them would be known to everybody.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from itertools import product
from typing import Any

import pandas as pd
import pytest

from pipeline.sharing.suppression import blurred, disclosed_groups, withheld
from pipeline.sharing.tables import CELLS, GIVE_UP, base_rows, rule_row, rule_rows
from schemas.shared_outputs import ALL_RULES, OTHER_BASES, SMALLEST_DISCLOSED
from tests.shared.solver import rules_system


def split(trips: int) -> Iterator[dict[str, int]]:
    """Every way to split the trips of a period over a rule's three answers."""
    for variance in range(trips + 1):
        for kept in range(trips - variance + 1):
            yield {"variance": variance, "kept": kept, "not_judged": trips - variance - kept}


def possible(alike: list[dict[str, int]], cell: str) -> set[int]:
    return {table[cell] for table in alike}


def rule_told(counts: dict[str, int], *, complementary: bool = True) -> tuple[Any, ...]:
    """Everything the row of a rule tells."""
    hidden = withheld(counts, GIVE_UP, complementary=complementary)
    row = rule_row("2026-01", "a", counts, hidden)
    return tuple(row[name] for name in (*CELLS, "judged", "of"))


@pytest.mark.parametrize("trips", [44, 61])
def test_no_small_count_of_a_rule_can_be_worked_out(trips: int) -> None:
    alike = defaultdict(list)
    for counts in split(trips):
        alike[rule_told(counts)].append(counts)
    assert len(alike) > trips, "nothing is told"
    for tables in alike.values():
        for cell in CELLS:
            values = possible(tables, cell)
            if any(0 < value < SMALLEST_DISCLOSED for value in values):
                assert len(values) >= 10, tables[0]


def test_the_same_test_finds_what_hiding_the_small_counts_alone_gives_away() -> None:
    alike = defaultdict(list)
    for counts in split(44):
        alike[rule_told(counts, complementary=False)].append(counts)
    assert any(possible(tables, "variance") == {5} for tables in alike.values())


def test_the_first_hidden_is_the_small_count_then_what_is_given_up_first() -> None:
    assert withheld({"variance": 14, "kept": 175, "not_judged": 167}, GIVE_UP) == frozenset()
    assert withheld({"variance": 5, "kept": 175, "not_judged": 167}, GIVE_UP) == {
        "variance", "kept",
    }  # fmt: skip
    assert withheld({"variance": 14, "kept": 340, "not_judged": 2}, GIVE_UP) == {
        "kept", "not_judged",
    }  # fmt: skip
    assert withheld({"variance": 0, "kept": 340, "not_judged": 16}, GIVE_UP) == frozenset()
    # 12 = 1 + 11 would tell both: the third goes, too
    assert withheld({"variance": 1, "kept": 11, "not_judged": 40}, GIVE_UP) == set(CELLS)


def test_blurred_is_that_each_small_count_could_be_any() -> None:
    """Against plain counting over every split of the sum into as many small and large counts."""
    for hidden in product((3, 5, 10, 11, 13, 25), repeat=3):
        total, few = sum(hidden), sum(n < SMALLEST_DISCLOSED for n in hidden)
        ranges = [range(1, 11)] * few + [range(11, total + 1)] * (3 - few)
        first = {split[0] for split in product(*ranges) if sum(split) == total}
        assert blurred(hidden) == (not few or first == set(range(1, 11))), hidden


def test_no_small_number_of_occlusions_can_be_worked_out() -> None:
    """Sizes of which the service's sum is told, where their numbers are blurred in it."""
    alike = defaultdict(list)
    for events in product(range(24), repeat=3):
        hidden = [n for n in events if 0 < n < SMALLEST_DISCLOSED]
        disclosed = tuple(None if n in hidden else n for n in events)
        alike[disclosed, sum(events) if blurred(hidden) else None].append(events)
    not_pinned(alike.values(), least=10)


def test_no_small_count_of_a_base_can_be_worked_out() -> None:
    """Three bases that judged 40 trips each; what the service tells is their sum."""
    alike = defaultdict(list)
    for variances in product(range(41), repeat=3):
        groups = {str(place): (n, 40 - n) for place, n in enumerate(variances)}
        apart = disclosed_groups(groups)
        rest = sum(n for name, (n, _) in groups.items() if name not in apart)
        disclosed = tuple(groups[name][0] if name in apart else None for name in groups)
        alike[disclosed, rest if apart else None].append(variances)
    assert len(alike) > 1000, "nothing is told"
    not_pinned(alike.values(), least=2)


def not_pinned(groups: Iterable[list[tuple[int, ...]]], least: int) -> None:
    """Of tables told alike, a count that is small in one has at least so many values."""
    for tables in groups:
        for place in range(3):
            values = {table[place] for table in tables}
            if any(0 < value < SMALLEST_DISCLOSED for value in values):
                assert len(values) >= least, tables[:3]


def test_bases_that_cannot_be_told_are_told_together_or_not_at_all() -> None:
    large, small = (22, 40), (3, 40)
    assert disclosed_groups({"a": large, "b": large}) == {"a", "b"}
    assert disclosed_groups({"a": large, "b": (20, 80), "c": small}) == {"b"}, (
        "the smallest joins c"
    )
    assert disclosed_groups({"a": (11, 40), "b": (20, 80), "c": small}) == frozenset(), (
        "14 = 11 + 3"
    )
    assert disclosed_groups({"a": (20, 80), "c": (6, 30), "d": (5, 30)}) == {"a"}
    assert disclosed_groups({"a": (0, 80), "c": small}) == frozenset()
    assert disclosed_groups({"a": large, "b": large}, frozenset({"b"})) == {"a"}


def test_a_base_with_few_trips_is_never_named() -> None:
    rows = [
        {"base": base, "rule": ALL_RULES, "trips": n, "variance": 0, "kept": n}
        for base, n in (("a", 60), ("b", 50), ("few", 4))
    ]
    disclosed = base_rows("2026-01", pd.DataFrame(rows))
    assert [(r["base"], r["trips"]) for r in disclosed] == [("a", 60), (OTHER_BASES, 54)]


def test_of_two_rules_one_within_the_other_one_is_withheld() -> None:
    """Judged on 40 and on 33 trips: 7 had exactly one occlusion."""
    answers = pd.DataFrame([
        {"rule": "flow-interruption", "trips": 200, "variance": 15, "kept": 25},
        {"rule": "repeated-occlusion-call", "trips": 200, "variance": 12, "kept": 21},
    ])  # fmt: skip
    outer, inner = rule_rows("2026-01", answers)
    assert outer["judged"] == 40
    assert [inner[cell] for cell in (*CELLS, "judged")] == [None] * 4


def least(answers: list[dict[str, Any]], name: tuple[str, ...]) -> float:
    """The least that a number can be, from the rows by rule and by base."""
    frame = pd.DataFrame(answers)
    rules, bases = rule_rows("2026-01", frame), base_rows("2026-01", frame)
    system = rules_system(rules, bases, "2026-01")
    return system.range(name)[0] if name in system.places else 0  # nothing tells of it


def answer(rule: str, counts: tuple[int, int, int], base: str = "alder") -> dict[str, Any]:
    """Counts of a base: at variance, kept, not judged."""
    variance, kept, _ = counts
    return {"rule": rule, "base": base, "trips": sum(counts), "variance": variance, "kept": kept}


def test_a_rules_variances_do_not_tell_how_many_trips_are_not_judged_by_all() -> None:
    """Of 20 at variance with one rule 11 did not keep all: at least 9 are not judged by all."""
    answers = [answer(ALL_RULES, (11, 80, 9)), answer("a", (20, 60, 20))]
    assert least(answers, (ALL_RULES, "not_judged")) <= 1


def test_what_another_rule_judges_at_least_does_not_tell_what_a_rule_withholds() -> None:
    """Judged on 19 trips with two occlusions: of those with one, 14 at variance, 5 or more kept."""
    inner, outer = "repeated-occlusion-call", "flow-interruption"
    answers = [answer(ALL_RULES, (60, 80, 60)), answer(outer, (14, 5, 181))]
    answers.append(answer(inner, (19, 0, 181)))
    assert least(answers, (outer, "kept")) <= 1


def test_the_trips_of_other_bases_do_not_tell_a_bases_small_count() -> None:
    """24 at variance at two bases, one of which has 20 trips, as all rules tell: 4 at the other."""
    answers = [
        answer(ALL_RULES, (40, 60, 0)), answer("a", (30, 50, 20)),
        answer(ALL_RULES, (20, 40, 0), "birch"), answer("a", (5, 55, 0), "birch"),
        answer(ALL_RULES, (20, 0, 0), "cedar"), answer("a", (19, 1, 0), "cedar"),
    ]  # fmt: skip
    assert least(answers, ("a", "variance", "base", "birch")) <= 1


def test_a_bases_variances_with_one_rule_do_not_tell_its_answers_to_all() -> None:
    """14 at variance with one rule, and 11 at most not judged by all: 3 did not keep all."""
    answers = [
        answer(ALL_RULES, (30, 60, 20)), answer("a", (25, 65, 20)),
        answer(ALL_RULES, (3, 46, 11), "birch"), answer("a", (14, 46, 0), "birch"),
        answer(ALL_RULES, (20, 40, 0), "cedar"), answer("a", (12, 48, 0), "cedar"),
    ]  # fmt: skip
    assert least(answers, (ALL_RULES, "variance", "base", "birch")) <= 1
