"""What every page shares: its place among the others, the banners, cautions and footer."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from reports.text import words
from reports.text.rows import Row

if TYPE_CHECKING:
    from schemas.month_review import MonthReview

PAGES = {
    "month": ("index.html", "Month"),
    "director": ("director.html", "Director"),
    "education": ("education.html", "Education"),
    "year": ("year.html", "Year"),
}
"""Pages of a month that the navigation names, by id: file and label."""

SHARED = ("month", "director", "education")
"""Those of them that the shared edition has, each with a template `shared_<id>.html`."""

MONTHS_LINKED = 12


@dataclass(frozen=True)
class Site:
    """What may be linked to: the pages written for this month, and months that have pages."""

    pages: tuple[str, ...] = ("month",)
    months: tuple[str, ...] = ()


def pages_of(review: MonthReview) -> tuple[str, ...]:
    """The pages this month has: all but the first are drawn from its figures."""
    return tuple(PAGES) if review.figures is not None else ("month",)


def months_written(folder: Path) -> tuple[str, ...]:
    """The months of a store folder that have a Month page, sorted."""
    if not folder.is_dir():
        return ()
    return tuple(
        sorted(
            path.name
            for path in folder.iterdir()
            if re.fullmatch(r"\d{4}-\d{2}", path.name) and (path / "index.html").is_file()
        )
    )


def common_data(review: MonthReview, site: Site, here: str, up: str = "") -> Row:
    """What the base template needs of every page.

    `here` is a page's id; `up` leads from the page's folder to the month's, e.g. "../".
    """
    return {
        "month": review.month,
        "month_name": words.month_name(review.month),
        "service": review.service,
        "tool_version": review.tool_version,
        "protocol": protocol_data(review),
        "privacy": [(b, words.BASIS_WORDS.get(b, b)) for b in review.privacy_basis],
        "nav": navigation(review.month, site, here, up),
    }


def navigation(month: str, site: Site, here: str, up: str = "") -> Row:
    """Links to the month's pages and to other months; only to what was written."""
    others = [m for m in sorted(site.months, reverse=True) if m != month]
    links = [{"name": words.month_name(m), "href": f"{up}../{m}/index.html"} for m in others]
    return {
        "assets": f"{up}../assets/",
        "pages": [
            {"label": label, "href": f"{up}{file}", "current": page == here}
            for page, (file, label) in PAGES.items()
            if page in site.pages
        ],
        "months": links[:MONTHS_LINKED],
        "earlier": links[MONTHS_LINKED:],
    }


def protocol_data(review: MonthReview) -> Row:
    """The protocol versions in force, and what of them is not approved."""
    versions = [
        {
            "id": p.id,
            "from_month": words.month_name(p.from_month),
            "approved": p.approved_by is not None,
            "approved_by": p.approved_by or "",
            "approved_month": words.month_name(p.approved_month) if p.approved_month else "",
        }
        for p in review.protocol
    ]
    return {
        "versions": versions,
        "unapproved": [v["id"] for v in versions if not v["approved"]],
        "not_judged": review.not_judged,
    }
