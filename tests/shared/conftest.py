"""Deliveries of the invented service with small numbers planted in them, judged and shared.

Each is made once in a run; every worker has a copy, for a store is one process's at a time.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.made_once import made_once
from tests.shared.editions import (
    World,
    few_trips_are_enough,
    found_again,
    loaded,
    reviewed,
    without_full_pages,
)
from tests.unscreened import unscreened


@pytest.fixture(scope="session")
def by_half_year(tmp_path_factory: pytest.TempPathFactory) -> World:
    """Months pooled to half a year; the editions of its sixth and of its seventh month."""

    def make(folder: Path) -> None:
        with without_full_pages(), few_trips_are_enough(), unscreened():
            reviewed(folder, trips=280, months=7, seed=7)

    made = made_once(tmp_path_factory, "by-half-year", make)
    own = shutil.copytree(made, tmp_path_factory.mktemp("by_half_year") / "own")
    return found_again(own, months=7)


@pytest.fixture(scope="session")
def by_month(tmp_path_factory: pytest.TempPathFactory) -> World:
    """Each month a period by itself: two months, each with its edition."""

    def make(folder: Path) -> None:
        with few_trips_are_enough(), unscreened():
            loaded(folder, trips=440, months=2, seed=3)

    made = made_once(tmp_path_factory, "by-month", make)
    own = shutil.copytree(made, tmp_path_factory.mktemp("by_month") / "own")
    return found_again(own, months=2)
