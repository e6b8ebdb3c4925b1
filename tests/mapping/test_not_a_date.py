"""What is said of a transport every day is not taken for a date, and dates are."""

from __future__ import annotations

import duckdb
import pytest

from pipeline.followup.screen_text import screened_texts

pytestmark = pytest.mark.usefixtures("without_screen")

DATE = "a full date"


@pytest.mark.parametrize(
    "text",
    ["FiO2 1.00 from minute 12", "1.00 from the start", "FiO2 1.00, then 0.60", "rate 30 28 26",
     "flow 8 10.00 L/min", "pH 7.31 20 min in", "rate 2/1.00"],
)  # fmt: skip
def test_numbers_of_a_transport_are_no_date(text: str) -> None:
    with duckdb.connect() as con:
        assert screened_texts(con, {"note": text}) == {}


@pytest.mark.parametrize(
    "text",
    ["on 12.3.24 in the night", "3/12/24", "12-03-24", "31/12/24 at home", "12/31/24", "3 12 24",
     "on 3.12.2024", "3/12-2024", "3 March 2024"],
)  # fmt: skip
def test_dates_are(text: str) -> None:
    with duckdb.connect() as con:
        assert screened_texts(con, {"note": text}) == {"note": DATE}
