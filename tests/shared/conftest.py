"""Deliveries of the invented service with small numbers planted in them, judged and shared."""

from __future__ import annotations

import pytest

from tests.shared.editions import World, few_trips_are_enough, loaded, reviewed, without_full_pages


@pytest.fixture(scope="session")
def by_half_year(tmp_path_factory: pytest.TempPathFactory) -> World:
    """Months pooled to half a year; the editions of its sixth and of its seventh month."""
    with without_full_pages(), few_trips_are_enough():
        return reviewed(tmp_path_factory.mktemp("by_half_year"), trips=280, months=7, seed=7)


@pytest.fixture(scope="session")
def by_month(tmp_path_factory: pytest.TempPathFactory) -> World:
    """Each month a period by itself: two months, each with its edition."""
    with few_trips_are_enough():
        return loaded(tmp_path_factory.mktemp("by_month"), trips=440, months=2, seed=3)
