"""Full oxygen by source as page data: wall and cylinder, and beside them the ventilator at 1.0."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.text import words
from reports.text.rows import Row, records, text

if TYPE_CHECKING:
    from schemas.month_review import MonthReview

ORDER = ("wall", "cylinder", "ventilator", "blender", "other")
ALWAYS = ("wall", "ventilator")
NAMES = {
    "wall": "wall outlet",
    "cylinder": "cylinder",
    "ventilator": "ventilator at FiO2 1.0",
    "blender": "blender at FiO2 1.0",
    "other": "other source at FiO2 1.0",
}


def full_oxygen_data(review: MonthReview) -> Row:
    """Minutes of full oxygen by source, and with an SpO2 above 97 %: the month and all months."""
    frame = review.measures
    rows = records(frame[(frame["group_by"] == "source")])
    own = _by_source(rows, review.month)
    every = _by_source(rows, f"to {review.month}")
    sources = [s for s in ORDER if s in own or s in every or s in ALWAYS]
    nothing: Row = {"minutes": 0.0, "hours": None, "trips": 0, "above": 0.0, "observed": 0.0}
    return {
        "rows": [
            {"name": NAMES[s], "month": _shown_cell(own.get(s, nothing)),
             "all": _shown_cell(every.get(s, nothing))}
            for s in sources
            if every
        ],
        "sentence": _sentence(review.month, own),
    }  # fmt: skip


def _by_source(rows: list[Row], month: str) -> dict[str, Row]:
    found: dict[str, Row] = {}
    for row in rows:
        if text(row["month"]) != month:
            continue
        cell = found.setdefault(text(row["group_value"]), {"above": 0.0, "observed": 0.0})
        if text(row["measure"]) == "full-oxygen":
            cell |= {"minutes": float(row["numerator"]), "hours": float(row["denominator"]),
                     "trips": int(row["trips"])}  # fmt: skip
        else:
            cell |= {"above": float(row["numerator"]), "observed": 60 * float(row["denominator"])}
    return found


def _shown_cell(cell: Row) -> Row:
    return {
        "trips": words.whole(cell["trips"]),
        "minutes": words.whole(cell["minutes"]),
        "above": f"{cell['above']:,.0f} of {cell['observed']:,.0f}" if cell["observed"] else "none",
    }


def _sentence(month: str, own: dict[str, Row]) -> str:
    name = words.month_name(month)
    if not own:
        return f"No time on full oxygen is known of {name}."
    total, hours = sum(c["minutes"] for c in own.values()), next(iter(own.values()))["hours"]
    above, observed = (sum(c[k] for c in own.values()) for k in ("above", "observed"))
    parts = [f"{own[s]['minutes']:,.0f} from the {NAMES[s]}" for s in ORDER if s in own]
    sentence = (
        f"In {name} children were on full oxygen for {total:,.0f}{words.NBSP}min of the"
        f" {words.hours(hours)}{words.NBSP}h in which that is known: {words.listed(parts)}."
    )
    if not observed:
        return f"{sentence} No SpO2 was observed in that time."
    return (
        f"{sentence} Of the {observed:,.0f}{words.NBSP}min with an SpO2, {above:,.0f}"
        f" ({words.percent(above / observed)}) were above 97{words.NBSP}%."
    )
