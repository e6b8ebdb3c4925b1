"""Write the Director and Education pages of a month, and a brief for each base."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reports.charts.figure_json import has_arrow_heads, safe_json
from reports.director.data import director_data
from reports.director.figures import director_figures
from reports.education.briefs import briefs_data
from reports.education.data import education_data
from reports.text.drawing import Draw, mark
from reports.text.navigation import PageFrame, Site
from reports.text.plain_rows import Row
from reports.year.page import year_page

if TYPE_CHECKING:
    from jinja2 import Environment

    from schemas.month_review import MonthReview

DATA_FILES = (
    *("charts", "runs", "sizes", "funnels", "power", "before_after"),
    *("occlusion_patterns", "clock_offsets", "measures"),
)


def write_audiences(  # noqa: PLR0917 - as the other pages' writers
    review: MonthReview,
    folder: Path,
    site: Site,
    assets: dict[str, str],
    environment: Environment,
    draw: Draw,
) -> None:
    """Draw `director.html`, `education.html` and `brief-<n>.html` into the month's folder.

    Nothing is written without figures; briefs of an earlier run are removed.
    """
    target = folder / review.month
    figures = review.figures
    if figures is None:
        return
    director = director_data(review, figures, site)
    education = education_data(review, figures, site)
    pages: list[tuple[str, str, PageFrame, Callable[[Any], dict[str, list[Row]]]]] = [
        ("director.html", "director.html", director, director_figures),
        ("education.html", "education.html", education, lambda _: {}),
        ("year.html", "year.html", year_page(review, figures, site), lambda _: {}),
    ]
    for file, brief in briefs_data(review, figures, site):
        pages.append((file, "brief.html", brief, lambda _: {}))
    _remove_briefs(target)
    for file, template, data, page_figures in pages:
        draw(
            file,
            mark(data, assets),
            partial(_page, environment, template, data, page_figures, assets),
        )


def _page(
    environment: Environment,
    template: str,
    data: PageFrame,
    page_figures: Callable[[Any], dict[str, list[Row]]],
    assets: dict[str, str],
) -> bytes:
    figures = page_figures(data)
    html = environment.get_template(template).render(
        page=data,
        figures=safe_json(figures),
        assets=assets,
        data_files=[f"data/{name}.csv" for name in DATA_FILES],
        figure_ids=sorted(figures),
        cut_figures=sorted(n for n, v in figures.items() if has_arrow_heads(v)),
    )
    return html.encode()


def _remove_briefs(target: Path) -> None:
    """Take away the briefs of an earlier run: there may be fewer bases now."""
    if not target.is_dir():
        return
    for path in sorted(target.iterdir()):
        if re.fullmatch(r"brief-\d+\.html", path.name):
            path.unlink()
