"""Write the case pages of a month, and remove those of trips that are no case any more."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING

from reports.case import tables
from reports.case.data import undrawn_cases
from reports.case.trip_picture import trip_picture
from reports.charts import svg
from reports.text.case_links import FOLDER
from reports.text.drawing import WHOLE, Draw, Part, mark, remove_others
from reports.text.navigation import Site

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup

    from reports.case.data import CasePage
    from schemas.month_review import MonthReview


def write_cases(  # noqa: PLR0917 - as the other pages' writers
    review: MonthReview,
    folder: Path,
    site: Site,
    assets: dict[str, str],
    environment: Environment,
    draw: Draw,
    part: Part = WHOLE,
) -> None:
    """Draw a page for each case trip that the review has details of, or for a part of them.

    The pages are `folder/<month>/cases/<name>.html`; a trip's name is the same in every run.
    """

    def drawn(data: Callable[[], CasePage]) -> bytes:
        page = data()
        template = environment.get_template("case.html")
        shown = {"page": page, "rendered": rendered(page), "tables": tables}
        return template.render(shown, assets=assets).encode()

    names = set()
    for page in undrawn_cases(review, site, part):
        data = cache(page.whole)
        known_by = mark(review.records, page.beside, assets) if review.records else ""
        made_from = partial(_made_from, data, assets)
        draw(f"{FOLDER}/{page.file}", made_from, partial(drawn, data), known_by)
        names.add(page.file)
    if part == WHOLE:
        # of trips that are no case any more
        remove_others(folder / review.month / FOLDER, r"[0-9a-f]{16}\.html", names)


def _made_from(data: Callable[[], CasePage], assets: dict[str, str]) -> str:
    return mark(data(), assets)


def rendered(page: CasePage) -> dict[str, Markup]:
    """The picture for wide screens and paper, for narrow screens, and the key's patterns."""
    from markupsafe import Markup

    key = svg.tag("svg", svg.patterns("key"), class_="patterns", width=0, height=0,
                  aria_hidden="true", focusable="false")  # fmt: skip
    return {
        "wide": trip_picture(page.picture, page.heading, page.described, narrow=False),
        "narrow": trip_picture(page.picture, page.heading, page.described, narrow=True),
        "key": Markup(key),
    }
