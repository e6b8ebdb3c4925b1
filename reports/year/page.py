"""The Year page: its data with the drawing, as the template takes them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from reports.text.navigation import Site, common_data
from reports.year.data import action_words, year_data
from reports.year.picture import year_picture

if TYPE_CHECKING:
    from schemas.month_review import MeasureFigures, MonthReview


def year_page(review: MonthReview, figures: MeasureFigures, site: Site) -> dict[str, Any]:
    """Everything the Year page shows, ready for the template."""
    year = year_data(review, figures)
    return {
        **common_data(review, site, "year"),
        "year": year,
        "actions_words": action_words(year.actions),
        "picture": year_picture(year.figures) if year.figures else "",
    }
