"""What every page shares: its place among the others, the banners, cautions and footer."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

from reports.text import words
from schemas.record import dataclass

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


@dataclass(frozen=True)
class Link:
    """Where a link leads, and its words."""

    label: str
    href: str
    current: bool = False


@dataclass(frozen=True)
class Navigation:
    """Links to the month's pages and to other months, later ones first; only to what was written.

    `assets` leads to the folder of style sheet and scripts.
    """

    assets: str
    pages: tuple[Link, ...]
    months: tuple[Link, ...]


@dataclass(frozen=True)
class VersionInForce:
    """A protocol version, and who approved its limits; empty where nobody did."""

    id: str
    from_month: str
    approved: bool
    approved_by: str
    approved_month: str


@dataclass(frozen=True)
class ProtocolInForce:
    """The versions that judged the month, those not approved, and trips that none judged."""

    versions: tuple[VersionInForce, ...]
    unapproved: tuple[str, ...]
    not_judged: int


@dataclass(frozen=True)
class PageFrame:
    """What the base template needs of every page; `privacy` is (id, words)."""

    month: str
    month_name: str
    service: str
    tool_version: str
    protocol: ProtocolInForce
    privacy: tuple[tuple[str, str], ...]
    nav: Navigation


def page_frame(review: MonthReview, site: Site, here: str, up: str = "") -> PageFrame:
    """The frame of a page; `here` is its id, `up` leads from its folder to the month's: "../"."""
    return PageFrame(
        month=review.month,
        month_name=words.month_name(review.month),
        service=review.service,
        tool_version=review.tool_version,
        protocol=protocol_in_force(review),
        privacy=tuple((b, words.BASIS_WORDS.get(b, b)) for b in review.privacy_basis),
        nav=navigation(review.month, site, here, up),
    )


def navigation(month: str, site: Site, here: str, up: str = "") -> Navigation:
    """Links to the month's pages and to other months; only to what was written."""
    others = [m for m in sorted(site.months, reverse=True) if m != month]
    return Navigation(
        assets=f"{up}../assets/",
        pages=tuple(
            Link(label, f"{up}{file}", page == here)
            for page, (file, label) in PAGES.items()
            if page in site.pages
        ),
        months=tuple(Link(words.month_name(m), f"{up}../{m}/index.html") for m in others),
    )


def protocol_in_force(review: MonthReview) -> ProtocolInForce:
    """The protocol versions in force, and what of them is not approved."""
    versions = tuple(
        VersionInForce(
            id=p.id,
            from_month=words.month_name(p.from_month),
            approved=p.approved_by is not None,
            approved_by=p.approved_by or "",
            approved_month=words.month_name(p.approved_month) if p.approved_month else "",
        )
        for p in review.protocol
    )
    unapproved = tuple(v.id for v in versions if not v.approved)
    return ProtocolInForce(versions, unapproved, review.not_judged)
