"""The Year page: its data with the drawing, as the template takes them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.text.navigation import PageFrame, Site, page_frame
from reports.year.data import YearData, year_data
from reports.year.picture import year_picture
from schemas.record import dataclass

if TYPE_CHECKING:
    from markupsafe import Markup

    from schemas.month_review import MeasureFigures, MonthReview


@dataclass(frozen=True)
class YearPage(PageFrame):
    """Everything the Year page shows."""

    year: YearData
    picture: Markup | str


def year_page(review: MonthReview, figures: MeasureFigures, site: Site) -> YearPage:
    """The Year page of a month, ready for the template."""
    year = year_data(review, figures)
    frame = vars(page_frame(review, site, "year"))
    picture = year_picture(year.figures, year.before.months) if year.figures else ""
    return YearPage(**frame, year=year, picture=picture)
