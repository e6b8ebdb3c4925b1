"""What changed since a month was published, by what happened to its trips."""

from __future__ import annotations

from pathlib import Path

from pipeline.review import review

from . import reviewed_store
from .test_publish import late, late_rule, published, published_once

__all__ = ["late", "late_rule", "published", "published_once"]
MONTH, OTHER = reviewed_store.MONTH, "2026-01"


def test_every_trip_behind_a_restated_month_is_named_by_what_happened_to_it(
    published: Path, clean_delivery: Path, late: list[str], tmp_path: Path
) -> None:
    """Two come late, one has another outcome, one was of another month after all."""
    changed, moved = [
        trip for trip, month in reviewed_store.trips_of(clean_delivery)
        if month == MONTH and trip not in late
    ][:2]  # fmt: skip
    newer = reviewed_store.delivery_like(clean_delivery, tmp_path / "newer", edits={
        ("trips", changed): {"outcome": "intubated"}, ("trips", moved): {"service_month": OTHER},
    })  # fmt: skip
    followup = review(newer, published).month.followup
    assert followup is not None
    rows = followup.restatements.records()
    assert {row["month"] for row in rows} == {MONTH}
    behind = {trip for row in rows for trip in row["trips"].split()}
    assert behind == {*late, changed, moved}
    causes = ("late", "replaced", "corrected", "rejudged", "determinations")
    assert [max(row[cause] for row in rows) for cause in causes] == [len(late), 2, 0, 0, 0]
    trips = next(r for r in rows if (r["measure"], r["group_by"]) == ("all-rules-share", "service"))
    # two more came than went, and one went
    assert trips["now_denominator"] - trips["then_denominator"] == 1
