"""The month's outlying trips with the reasons they are outlying, as page data."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.text import words
from reports.text.case_links import FOLDER, case_files
from reports.text.rows import Row, records, text

if TYPE_CHECKING:
    from schemas.month_review import MonthReview

SHOWN = 12
SEVERAL = 2
CLUSTER_LEAST = 3


def outliers_data(review: MonthReview) -> Row:
    """Trips always read, with a high-severity variance, or with several rules; and clusters."""
    files = case_files(review)
    cases = sorted(records(review.cases), key=lambda c: int(c["reading_order"]))
    chosen = [c for c in cases if _outlying(c)]
    rows = [_row(c, files) for c in chosen[:SHOWN]]
    return {
        "rows": rows,
        "total": len(chosen),
        "cases": len(cases),
        "hidden": len(chosen) - len(rows),
        "clusters": _clusters(review, files),
    }


def _outlying(case: Row) -> bool:
    group, severity = text(case["group"]), text(case["severity"])
    if group == "always_read" or (group == "deviation" and severity == "high"):
        return True
    return group == "deviation" and len(_rules(case)) >= SEVERAL


def _rules(case: Row) -> list[str]:
    return text(case["rules"]).split()


def _row(case: Row, files: dict[str, str]) -> Row:
    trip, group = text(case["trip_id"]), text(case["group"])
    return {
        "n": int(case["reading_order"]),
        "trip": trip,
        "href": _href(trip, int(case["reading_order"]), files),
        "base": text(case["base"]),
        "vehicle": words.VEHICLE_WORDS.get(text(case["vehicle"]), text(case["vehicle"])),
        "group": group,
        "group_word": words.GROUP_WORDS.get(group, group),
        "severity": text(case["severity"]),
        "why": text(case["why"]),
        "rules": [words.rule_title(r) for r in _rules(case)],
    }


def _href(trip: str, order: int, files: dict[str, str]) -> str:
    """The trip's own page where there is one, else its row on the Month page."""
    if trip in files:
        return f"{FOLDER}/{files[trip]}"
    return f"index.html#case-{order}"


def _clusters(review: MonthReview, files: dict[str, str]) -> list[Row]:
    """Trips that hold at least three of the month's counted occlusions, most first."""
    counted = [text(r["trip_id"]) for r in records(review.occlusions) if r["counted"]]
    orders = {text(c["trip_id"]): int(c["reading_order"]) for c in records(review.cases)}
    by_trip = {trip: counted.count(trip) for trip in sorted(set(counted))}
    many = sorted((t for t in by_trip if by_trip[t] >= CLUSTER_LEAST), key=lambda t: -by_trip[t])
    return [
        {
            "trip": trip,
            "href": _href(trip, orders[trip], files) if trip in orders else "",
            "events": by_trip[trip],
            "of": len(counted),
        }
        for trip in many
    ]
