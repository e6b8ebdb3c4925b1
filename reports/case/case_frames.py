"""The frames of the case pages as plain rows by trip, read once for all pages of a month."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.text import words
from reports.text.rows import Row, records, text

if TYPE_CHECKING:
    from schemas.case_detail import CaseDetails
    from schemas.month_review import MonthReview

MANY = (
    "timeline", "settings", "observations", "contacts", "occlusions", "lost", "verdicts",
    "evidence", "limit_moments", "stretches", "problems",
)  # fmt: skip


class Cases:
    """Rows of every frame by trip, and what rules and cannulas are called."""

    def __init__(self, review: MonthReview, details: CaseDetails) -> None:
        self.trips = records(details.trips)
        self.not_recorded = details.not_recorded
        self.by_trip = {name: _by_trip(records(getattr(details, name))) for name in MANY}
        self.cases = {text(row["trip_id"]): row for row in records(review.cases)}
        self.rules = {facts.rule: facts for facts in review.rules}
        self.cannulas = {text(row["id"]): row for row in records(review.cannulas)}

    def trip(self, facts: Row) -> Row:
        """One trip: its facts and, under the name of each frame, its rows in their order."""
        trip_id = text(facts["trip_id"])
        rows = {name: frame.get(trip_id, []) for name, frame in self.by_trip.items()}
        return {**facts, **rows, "not_recorded": self.not_recorded.get(trip_id, ())}

    def cannula(self, key: str | None) -> str:
        """The catalogue's label of a cannula; its id where the catalogue has none."""
        entry = self.cannulas.get(text(key))
        return (text(entry["label"]) if entry else "") or text(key)

    def flow_range(self, key: str | None) -> tuple[float, float] | None:
        """The catalogue's flow range of a cannula, L/min."""
        entry = self.cannulas.get(text(key)) or {}
        low, high = words.some(entry.get("flow_min_lpm")), words.some(entry.get("flow_max_lpm"))
        return None if low is None or high is None else (low, high)

    def range_words(self, key: str) -> str:
        """' for 2–12 L/min, 3–8 kg': the catalogue's ranges as far as it gives them."""
        entry, flows = self.cannulas.get(key) or {}, self.flow_range(key)
        parts = [f"{flows[0]:g}{words.DASH}{flows[1]:g} L/min"] if flows else []
        low, high = words.some(entry.get("weight_min_kg")), words.some(entry.get("weight_max_kg"))
        if low is not None and high is not None:
            parts.append(f"{low:g}{words.DASH}{high:g} kg")
        elif low is not None or high is not None:
            parts.append(f"from {low:g} kg" if low is not None else f"up to {high:g} kg")
        return f", for {', '.join(parts)}" if parts else ""


def _by_trip(rows: list[Row]) -> dict[str, list[Row]]:
    grouped: dict[str, list[Row]] = {}
    for row in rows:
        grouped.setdefault(text(row["trip_id"]), []).append(row)
    return grouped
