"""Write the Director and Education pages of a month, and a brief for each base."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

from reports.charts.figure_json import has_arrow_heads, safe_json
from reports.director.data import director_data
from reports.director.figures import director_figures
from reports.education.briefs import briefs_data
from reports.education.data import education_data
from reports.text.navigation import PageFrame, Site
from reports.text.rows import Row
from reports.year.page import year_page

if TYPE_CHECKING:
    from jinja2 import Environment

    from schemas.month_review import MonthReview

DATA_FILES = (
    *("charts", "runs", "sizes", "funnels", "power", "before_after"),
    *("occlusion_patterns", "clock_offsets", "measures"),
)


def write_audiences(
    review: MonthReview, folder: Path, site: Site, assets: dict[str, str], environment: Environment
) -> list[Path]:
    """Write `director.html`, `education.html` and `brief-<n>.html` into the month's folder.

    Nothing is written without figures; briefs of an earlier run are removed.
    """
    target = folder / review.month
    figures = review.figures
    if figures is None:
        return []
    director = director_data(review, figures, site)
    education = education_data(review, figures, site)
    pages: list[tuple[str, str, PageFrame, dict[str, list[Row]]]] = [
        ("director.html", "director.html", director, director_figures(director)),
        ("education.html", "education.html", education, {}),
        ("year.html", "year.html", year_page(review, figures, site), {}),
        *((file, "brief.html", brief, {}) for file, brief in briefs_data(review, figures, site)),
    ]
    _remove_briefs(target)
    target.mkdir(parents=True, exist_ok=True)
    written = []
    for file, template, data, page_figures in pages:
        html = environment.get_template(template).render(
            page=data,
            figures=safe_json(page_figures),
            assets=assets,
            data_files=[f"data/{name}.csv" for name in DATA_FILES],
            figure_ids=sorted(page_figures),
            cut_figures=sorted(n for n, v in page_figures.items() if has_arrow_heads(v)),
        )
        path = target / file
        path.write_text(html, encoding="utf-8", newline="\n")
        written.append(path)
    return written


def _remove_briefs(target: Path) -> None:
    """Take away the briefs of an earlier run: there may be fewer bases now."""
    if not target.is_dir():
        return
    for path in sorted(target.iterdir()):
        if re.fullmatch(r"brief-\d+\.html", path.name):
            path.unlink()
