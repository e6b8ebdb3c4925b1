"""A solver tries to work out what was withheld, from every number in the files."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import pandas as pd
import pytest

from pipeline.sharing.counts import SharedCounts
from pipeline.sharing.edition import period_rows, shared_review
from pipeline.sharing.periods import Period
from schemas.shared_outputs import ALL_RULES, OTHER_BASES
from tests.shared.kit import World, bare, told, true_cells
from tests.shared.solver import CELLS, Unknowns, rules_system, sizes_system

SMALL = range(1, 11)
WORLDS = ("by_month", "by_half_year")


@pytest.fixture(params=WORLDS)
def world(request: pytest.FixtureRequest) -> World:
    found = request.getfixturevalue(request.param)
    assert isinstance(found, World)
    return found


def periods_of(tables: dict[str, list[dict[str, Any]]]) -> list[Period]:
    return [Period(r["from_month"], r["until_month"]) for r in tables["periods"]]


def everything_told(world: World) -> dict[str, list[dict[str, Any]]]:
    """The rows of both editions together, those that are in both once."""
    rows: dict[str, list[dict[str, Any]]] = {}
    for edition in world.editions():
        for name, found in told(edition).items():
            rows.setdefault(name, []).extend(r for r in found if r not in rows.get(name, []))
    return rows


def small_cells(
    tables: dict[str, list[dict[str, Any]]], truth: SharedCounts
) -> Iterator[tuple[Unknowns, tuple[str, ...], int]]:
    """Every count that is truly 1 to 10, with the system it must not be worked out from."""
    for period in periods_of(tables):
        answers = truth.answers[truth.answers["month"].map(period.holds)]
        months = sorted(answers["month"].unique())
        named = {r["base"] for r in tables["shared_bases"] if r["period"] == period.name}
        for (rule,), cells in true_cells(answers, ["rule"]).items():
            of_rule = answers[answers["rule"] == rule]
            system = rules_system(
                tables["shared_rules"], tables["shared_bases"], period.name, rule, months
            )
            every = {(cell,): cells[cell] for cell in CELLS}
            for (month,), counts in true_cells(of_rule, ["month"]).items():
                every |= {(cell, month): counts[cell] for cell in CELLS}
            for (base,), counts in true_cells(of_rule, ["base"]).items():
                if base in named:
                    every |= {(cell, "base", base): counts[cell] for cell in CELLS}
            yield from (
                (system, name, count)
                for name, count in every.items()
                if count in SMALL and name in system.places
            )
        events = truth.ventilator[truth.ventilator["month"].map(period.holds)]
        by_size = events.groupby("cannula")["events"].sum()
        system = sizes_system(tables["shared_sizes"], period.name)
        yield from (
            (system, (str(size),), int(n)) for size, n in by_size.items() if int(n) in SMALL
        )


def test_no_small_count_can_be_worked_out(world: World) -> None:
    """Neither from one month's edition nor from two: each could be anything from 1 to 10."""
    tables = everything_told(world)
    tried = 0
    for system, name, count in small_cells(tables, world.truth):
        low, high = system.range(name)
        assert low <= 1, (name, count, low, high)
        assert high >= 10, (name, count, low, high)
        tried += 1
    assert tried > 20, "no small counts to withhold"


def test_the_truth_solves_every_system(world: World) -> None:
    """A system that leaves the truth out would prove nothing."""
    tables = everything_told(world)
    for system, name, count in small_cells(tables, world.truth):
        fixed = Unknowns()
        fixed.places, fixed.equations = dict(system.places), list(system.equations)
        fixed.say({name: 1}, count)
        assert fixed.range(name) == (count, count)


def test_the_solver_works_it_out_where_small_counts_alone_are_hidden(world: World) -> None:
    tables = everything_told(world)
    leaky: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for period in periods_of(tables):
        for table, rows in period_rows(period, world.truth, complementary=False).items():
            leaky[table] += rows
    found = [
        name
        for system, name, count in small_cells(leaky, world.truth)
        if system.range(name) == (count, count)
    ]
    assert any(len(name) == 1 and name[0] in CELLS for name in found), "no rule is worked out"


def test_the_main_figures_are_told(world: World) -> None:
    tables = told(world.editions()[-1])
    latest = periods_of(tables)[-1].name
    rules = [r for r in tables["shared_rules"] if r["period"] == latest]
    assert [r["share"] for r in rules if r["rule"] == ALL_RULES] != [None]
    assert any(r["share"] is not None for r in rules if r["rule"] != ALL_RULES)
    assert any(r["rate"] is not None for r in tables["shared_sizes"] if r["period"] == latest)


def test_what_is_told_is_true(world: World) -> None:
    tables = everything_told(world)
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
    first, second = (told(edition) for edition in world.editions())
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
    assert isinstance(found.rules, pd.DataFrame)
    assert set(found.rules["period"]) <= {"2026-02"}
