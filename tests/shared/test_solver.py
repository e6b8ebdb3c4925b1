"""A solver tries to work out what was withheld, from every number in the files."""

from __future__ import annotations

from collections import defaultdict
from itertools import pairwise
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from pipeline.sharing import sizes
from pipeline.sharing.counts import SharedCounts
from pipeline.sharing.edition import period_rows, shared_review
from pipeline.sharing.periods import Period
from pipeline.sharing.suppression import blurred
from schemas.frame import Frame
from schemas.shared_outputs import ALL_RULES, OTHER_BASES
from tests.deep import examples, with_deep
from tests.shared.attack import attacked, found, hidden_numbers, periods_of
from tests.shared.editions import World, bare, disclosed, true_cells
from tests.shared.solver import CELLS, Unknowns

WORLDS = ("by_month", "by_half_year")


@pytest.fixture(params=WORLDS)
def world(request: pytest.FixtureRequest) -> World:
    found = request.getfixturevalue(request.param)
    assert isinstance(found, World)
    return found


def everything_disclosed(world: World) -> dict[str, list[dict[str, Any]]]:
    """The rows of both editions together, those that are in both once."""
    rows: dict[str, list[dict[str, Any]]] = {}
    for edition in world.editions():
        for name, own in disclosed(edition).items():
            rows.setdefault(name, []).extend(r for r in own if r not in rows.get(name, []))
    return rows


def truths(world: World) -> dict[Period, SharedCounts]:
    return dict.fromkeys(periods_of(everything_disclosed(world)), world.truth)


@pytest.mark.parametrize("world", WORLDS[: examples(1, 2)], indirect=True)
def test_no_small_number_can_be_worked_out(world: World) -> None:
    """Neither from one month's edition nor from two: each could be anything from 1 to 10."""
    looked, given = found(everything_disclosed(world), truths(world))
    assert given == []
    assert looked > 20, "no small numbers to withhold"


@pytest.mark.parametrize("world", WORLDS[: examples(1, 2)], indirect=True)
def test_the_truth_solves_every_system(world: World) -> None:
    """A system that leaves the truth out would prove nothing.

    Each number is within what is left it, or the test before would say so; every fifth here, and
    each with `--deep`, is looked at by itself.
    """
    hidden = list(hidden_numbers(everything_disclosed(world), truths(world)))
    for system, name, value in hidden[:: examples(5, 1)]:
        fixed = Unknowns()
        fixed.places, fixed.equations = dict(system.places), list(system.equations)
        fixed.fractions = system.fractions
        fixed.say({name: 1}, value)
        assert fixed.range(name) == pytest.approx((value, value))


@pytest.mark.parametrize("world", WORLDS[: examples(1, 2)], indirect=True)
def test_the_solver_works_it_out_where_small_counts_alone_are_hidden(world: World) -> None:
    leaky: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for period in periods_of(everything_disclosed(world)):
        for table, rows in period_rows(period, world.truth, complementary=False).items():
            leaky[table] += rows
    worked_out = [
        name
        for system, name, value in hidden_numbers(leaky, truths(world))
        if system.range(name) == (value, value)
    ]
    assert any(len(name) == 2 and name[1] in CELLS for name in worked_out), "no rule is worked out"


@with_deep
@pytest.mark.parametrize("seed", [4, 5, 21, 34])
def test_a_made_up_service_gives_no_small_number_away(seed: int, tmp_path: Path) -> None:
    """Two periods in sequence, trips late between them, every base's pack beside them."""
    _, looked, given = attacked(seed, tmp_path)
    assert given == []
    assert looked > 20


# else `test_the_solver_works_it_out_where_small_counts_alone_are_hidden`
@with_deep
def test_the_attack_finds_hours_where_events_alone_are_looked_at(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As version 0.1.0 did: 'all' without the sizes told is the hours of two trips."""

    def of_events(hidden: pd.DataFrame) -> bool:
        return blurred([int(n) for n in hidden.groupby("cannula")["events"].sum()])

    monkeypatch.setattr(sizes, "_tells_nothing", of_events)
    _, _, given = attacked(5, tmp_path)
    assert any(line.startswith("hours wide-1 is ") for line in given)
    assert any("left for those withheld" in line for line in given)


def test_the_main_figures_are_told(world: World) -> None:
    tables = disclosed(world.editions()[-1])
    latest = periods_of(tables)[-1].name
    rules = [r for r in tables["shared_rules"] if r["period"] == latest]
    assert [r["share"] for r in rules if r["rule"] == ALL_RULES] != [None]
    assert any(r["share"] is not None for r in rules if r["rule"] != ALL_RULES)
    assert any(r["rate"] is not None for r in tables["shared_sizes"] if r["period"] == latest)


def test_what_is_told_is_true(world: World) -> None:
    tables = everything_disclosed(world)
    for period in periods_of(tables):
        answers = world.truth.answers[world.truth.answers["month"].map(period.holds)]
        cells = true_cells(answers, ["rule"])
        for row in tables["shared_rules"]:
            if row["period"] == period.name:
                counts = cells[row["rule"],]
                assert {c: row[c] for c in CELLS if row[c] is not None}.items() <= counts.items()
                assert row["trips"] == counts["trips"]
        by_base = true_cells(answers, ["rule", "base"])
        for row in tables["shared_bases"]:
            if row["period"] == period.name and row["base"] != OTHER_BASES:
                counts = by_base[row["rule"], row["base"]]
                assert {c: row[c] for c in (*CELLS, "trips")} == counts


def test_overlapping_windows_would_give_a_month_away() -> None:
    """Why periods do not overlap: three windows of two months pin two small months."""
    months = {"a": 9, "b": 11, "c": 0, "d": 0}
    system = Unknowns()
    for first, second in ("ab", "bc", "cd"):
        system.say({(first,): 1, (second,): 1}, months[first] + months[second])
    assert system.range(("a",)) == (9, 9)


def test_two_editions_tell_the_same_of_the_same_period(world: World) -> None:
    first, second = (disclosed(edition) for edition in world.editions())
    for name, rows in first.items():
        assert all(row in second[name] for row in rows), name
    spans = periods_of(second)
    assert all(a.last < b.first for a, b in pairwise(spans))


def test_a_period_shared_before_is_told_as_it_was(by_month: World) -> None:
    """A trip that comes late changes nothing: the difference would be that trip."""
    before = {Period("2026-01", "2026-01"): {
        "periods": [{"period": "2026-01", "from_month": "2026-01", "until_month": "2026-01",
                     "trips": 99}],
        "shared_rules": [], "shared_bases": [], "shared_sizes": [],
    }}  # fmt: skip
    found = shared_review(bare("2026-02"), by_month.truth, before).shared
    assert found is not None
    assert found.periods["trips"].tolist()[0] == 99
    assert isinstance(found.rules, Frame)
    assert set(found.rules["period"]) <= {"2026-02"}
