"""Deliveries of the invented service with small numbers planted in them, judged and shared.

The full edition's pages and charts are left out: they are most of a review's time and none of them
is read here. The services are small, so a period is made to need fewer trips.
"""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd
import pytest

import reports
from pipeline import measures
from pipeline.sharing import periods
from schemas.measure_outputs import MEASURE_OUTPUTS
from tests.shared.kit import World, loaded, reviewed


@pytest.fixture(scope="session")
def by_half_year(tmp_path_factory: pytest.TempPathFactory) -> Iterator[World]:
    """Months pooled to half a year; the editions of its sixth and of its seventh month."""
    empty = {
        name: pd.DataFrame(columns=list(model.to_schema().columns))
        for name, model in MEASURE_OUTPUTS.items()
    }
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(reports, "write_pages", lambda review, folder: folder / review.month)
        patch.setattr(measures, "figures", lambda *_: empty)
        patch.setattr(periods, "ENOUGH_TRIPS", {1: 1000, 3: 600, 6: 150, 12: 0})
        yield reviewed(tmp_path_factory.mktemp("by_half_year"), trips=280, months=7, seed=8)


@pytest.fixture(scope="session")
def by_month(tmp_path_factory: pytest.TempPathFactory) -> World:
    """Each month a period by itself: two months, each with its edition."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(periods, "ENOUGH_TRIPS", {1: 100, 3: 600, 6: 300, 12: 0})
        return loaded(tmp_path_factory.mktemp("by_month"), trips=500, months=2, seed=3)
