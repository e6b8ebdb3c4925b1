"""An estimate writes itself the same everywhere, by the pages' own rules; nothing published."""

from __future__ import annotations

import pytest

from pipeline.measures.registry import MEASURES
from reports.charts.rate_data import rate_cell
from reports.text.estimates import Estimate, estimate
from schemas.units import Unit, severity_rank

SHARE = {"estimate": 5 / 38, "low": 0.058, "high": 0.273, "numerator": 5, "denominator": 38}
RATE = {"estimate": 32.1, "low": 25.0, "high": 41.0, "numerator": 176, "denominator": 579.4}


def _written(found: Estimate) -> tuple[str, str, str]:
    return found.of, found.cell, str(found).replace("\u00a0", " ")


@pytest.mark.parametrize(
    ("row", "unit", "written"),
    [
        (SHARE, Unit.SHARE, ("5 of 38", "5/38", "13 % (6–27)")),
        (RATE, Unit.RATE, ("176 in 579\u00a0h", "176/579", "32.1 (25.0–41.0)")),
        ({**RATE, "numerator": 2, "denominator": 1.84}, Unit.RATE,
         ("2 in 1.8\u00a0h", "2/1.8", "32.1 (25.0–41.0)")),
        (None, Unit.SHARE, ("0 of 0", "0/0", "0 of 0")),
        ({**SHARE, "numerator": 1204, "denominator": 3000, "low": 0.38, "high": 0.42,
          "estimate": 0.4}, Unit.SHARE, ("1,204 of 3,000", "1,204/3,000", "40 % (38–42)")),
    ],
)  # fmt: skip
def test_an_estimate_writes_itself(row, unit, written):
    assert _written(estimate(row, unit)) == written


def test_few_trips_say_what_they_are_made_of_and_no_interval():
    rate = estimate({**RATE, "low": None, "numerator": 2, "denominator": 1.8}, Unit.RATE)
    share = estimate({**SHARE, "numerator": 2, "denominator": 4, "low": 0.1, "high": 0.9},
                     Unit.SHARE)  # fmt: skip
    assert (rate.few, str(rate), rate.with_counts) == (True, "2 in 1.8\u00a0h", "2 in 1.8\u00a0h")
    assert rate.span == "at most 41.0"
    assert (share.few, str(share), share.with_counts) == (True, "2 of 4", "2 of 4")


def test_a_bound_beyond_anything_meant_is_left_out():
    """The bound of five events an hour is our own; below ten trips there is no lower one."""
    few = {**RATE, "low": None, "trips": 1}
    assert estimate({**few, "high": 499.0}, Unit.RATE).span == "at most 499"
    assert estimate({**few, "high": 1_208_184.0}, Unit.RATE).span == "cannot be said"
    assert estimate({**RATE, "low": 0.4, "high": 5_000.0}, Unit.RATE).span == "0.40 or more"
    assert rate_cell({**few, "high": 1_208_184.0}).range_text == "too few to say"


def test_columns_of_another_table_can_be_named():
    row = {"now": 0.25, "now_low": 0.2, "now_high": 0.3, "k": 25, "n": 100}
    found = estimate(row, Unit.SHARE, estimate="now", low="now_low", high="now_high",
                     numerator="k", denominator="n")  # fmt: skip
    assert found.with_counts.replace("\u00a0", " ") == "25 of 100, 25 % (20–30)"


def test_every_measure_has_a_known_unit():
    assert {m.unit for m in MEASURES.values()} <= set(Unit)


def test_severities_rank_from_the_first_read():
    assert [severity_rank(s) for s in ("high", "medium", "low", "", None)] == [0, 1, 2, 3, 3]
