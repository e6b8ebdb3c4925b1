"""Months are pooled to periods that never overlap and that no later month changes."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from pipeline.sharing.periods import Period, complete_periods


def months(first: int, number: int) -> list[str]:
    return [f"{n // 12:04d}-{n % 12 + 1:02d}" for n in range(first, first + number)]


def names(trips: dict[str, int], until: str) -> list[str]:
    return [p.name for p in complete_periods(trips, until)[0]]


def test_the_shortest_period_that_holds_enough_trips() -> None:
    year = months(2026 * 12, 12)
    assert names(dict.fromkeys(year, 3000), "2026-02") == ["2026-01", "2026-02"]
    assert names(dict.fromkeys(year, 250), "2026-07") == [
        "2026-01 to 2026-03", "2026-04 to 2026-06",
    ]  # fmt: skip
    assert names(dict.fromkeys(year, 60), "2026-12") == [
        "2026-01 to 2026-06", "2026-07 to 2026-12",
    ]  # fmt: skip
    assert names(dict.fromkeys(year, 20), "2026-11") == []
    assert names(dict.fromkeys(year, 20), "2026-12") == ["2026-01 to 2026-12"]


def test_it_says_when_the_next_one_may_end() -> None:
    sixty = dict.fromkeys(months(2026 * 12, 12), 60)
    assert complete_periods(sixty, "2026-02") == ((), "2026-03")
    assert complete_periods(sixty, "2026-05") == ((), "2026-06")
    assert complete_periods(dict.fromkeys(sixty, 20), "2026-07") == ((), "2026-12")
    assert complete_periods({}, "2026-07") == ((), "2026-07")


def test_records_that_begin_in_the_second_half_of_a_year() -> None:
    trips = dict.fromkeys(months(2025 * 12 + 8, 10), 90)
    assert names(trips, "2026-06") == ["2025-07 to 2025-12", "2026-01 to 2026-06"]


@pytest.mark.parametrize("seed", range(20))
def test_periods_never_overlap_and_no_later_month_changes_them(seed: int) -> None:
    drawn = np.random.default_rng(seed)
    every = months(2024 * 12 + int(drawn.integers(12)), 30)
    trips = {m: int(drawn.choice([0, 5, 60, 240, 1200])) for m in every}
    before: tuple[Period, ...] = ()
    for until in every:
        now, _ = complete_periods(trips, until)
        assert now[: len(before)] == before
        seen = {m: n for m, n in trips.items() if m <= until}
        assert complete_periods(seen, until)[0] == now
        assert all(a.last < b.first for a, b in pairwise(now))
        before = now
    assert before


def test_periods_shared_before_stay_as_they_are() -> None:
    trips = dict.fromkeys(months(2026 * 12, 12), 60)
    shared = (Period("2026-01", "2026-03"),)
    now, _ = complete_periods(trips, "2026-12", shared)
    assert [p.name for p in now] == [
        "2026-01 to 2026-03", "2026-04 to 2026-06", "2026-07 to 2026-12",
    ]  # fmt: skip
    assert complete_periods(trips, "2026-02", shared) == ((), "2026-03")


def test_an_edition_drawn_again_after_a_later_one_stays_as_it_was() -> None:
    trips = dict.fromkeys(months(2026 * 12, 12), 60)
    later, _ = complete_periods(trips, "2026-12")
    for until in months(2026 * 12, 12):
        assert complete_periods(trips, until, later) == complete_periods(trips, until)
    many = dict.fromkeys(trips, 3000)
    assert complete_periods(many, "2026-08", later) == (later[:1], "2026-12")
