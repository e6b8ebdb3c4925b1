"""Which cases have a page, and under which name."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

from reports.text.plain_rows import text
from schemas.record import dataclass

if TYPE_CHECKING:
    from schemas.month_review import MonthReview

FOLDER = "cases"


def case_file(trip_id: str) -> str:
    """The file name of a trip's page: the same in every run, safe whatever the token holds."""
    return hashlib.sha256(trip_id.encode("utf-8", "surrogatepass")).hexdigest()[:16] + ".html"


def case_files(review: MonthReview) -> dict[str, str]:
    """The file of every trip that has a page, by trip_id, in reading order."""
    if review.details is None:
        return {}
    trips = (text(row["trip_id"]) for row in review.details.trips.only(["trip_id"]).records())
    return {trip: case_file(trip) for trip in trips}


@dataclass(frozen=True)
class TripLink:
    """A trip by its token, and its page beside the month's; empty where it has none."""

    trip: str
    href: str


def trip_link(trip: str, files: dict[str, str]) -> TripLink:
    """The trip with its page among `case_files`."""
    return TripLink(trip, f"{FOLDER}/{files[trip]}" if trip in files else "")
