"""Deliveries of the invented service with small numbers planted in them, reviewed and shared.

The full edition's pages and charts are left out: they are most of a review's time and none of them
is read here.
"""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd
import pytest

import reports
from pipeline import measures
from schemas.measure_outputs import MEASURE_OUTPUTS
from tests.shared.kit import World, reviewed


@pytest.fixture(scope="session")
def without_full_pages() -> Iterator[None]:
    empty = {
        name: pd.DataFrame(columns=list(model.to_schema().columns))
        for name, model in MEASURE_OUTPUTS.items()
    }
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(reports, "write_pages", lambda review, folder: folder / review.month)
        patch.setattr(measures, "figures", lambda *_: empty)
        yield


@pytest.fixture(scope="session")
def by_month(without_full_pages: None, tmp_path_factory: pytest.TempPathFactory) -> World:
    """A service so large that each month is a period: two months, each with its edition."""
    return reviewed(tmp_path_factory.mktemp("by_month"), trips=640, months=2, seed=3)


@pytest.fixture(scope="session")
def by_half_year(without_full_pages: None, tmp_path_factory: pytest.TempPathFactory) -> World:
    """A service whose months are pooled to half a year; editions of its sixth and seventh month."""
    return reviewed(tmp_path_factory.mktemp("by_half_year"), trips=385, months=7, seed=8)
