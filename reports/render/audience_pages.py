"""Write the Director and Education pages of a month, and a brief for each base."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from reports.director.data import director_data
from reports.director.figures import director_figures
from reports.education.briefs import briefs_data
from reports.education.data import education_data
from reports.render.templates import filled
from reports.text.drawing import Draw, mark, remove_others
from reports.text.navigation import PageFrame, Site
from reports.year.page import year_page

if TYPE_CHECKING:
    from schemas.month_review import MonthReview

DATA_FILES = [
    f"data/{name}.csv"
    for name in (
        *("charts", "runs", "sizes", "funnels", "power", "before_after"),
        *("occlusion_patterns", "clock_offsets", "measures"),
    )
]


def write_audiences(
    review: MonthReview, folder: Path, site: Site, assets: dict[str, str], draw: Draw
) -> None:
    """Draw `director.html`, `education.html` and `brief-<n>.html` into the month's folder.

    Nothing is written without figures; briefs of an earlier run are removed.
    """
    figures = review.figures
    if figures is None:
        return
    director = director_data(review, figures, site)

    def page(file: str, data: PageFrame, template: str) -> None:
        def made() -> bytes:
            own = director_figures(director) if data is director else {}
            return filled(template, data, own, assets, data_files=DATA_FILES)

        draw(file, mark(data, assets), made)

    page("director.html", director, "director.html")
    page("education.html", education_data(review, figures, site), "education.html")
    page("year.html", year_page(review, figures, site), "year.html")
    # there may be fewer bases than in an earlier run
    remove_others(folder / review.month, r"brief-\d+\.html")
    for file, brief in briefs_data(review, figures, site):
        page(file, brief, "brief.html")
