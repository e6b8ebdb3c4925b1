"""Packs: one file for mail and paper, its pictures inside it, no script and nothing fetched."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from reports.charts.static_rendering import svg
from reports.month.restated import restated_rows
from reports.render.templates import HERE, environment, named
from reports.text import words
from reports.text.navigation import PageFrame, Site
from reports.text.plain_rows import Row

if TYPE_CHECKING:
    from jinja2 import Environment

    from schemas.month_review import MonthReview

PAPER_WIDTH = 696
TITLES = {"committee": "for the committee", "director": "for the medical director",
          "education": "for the education team", "base": "for one base",
         "teaching": "to teach with"}  # fmt: skip
TEACHING = "High-flow transport: a case to teach with"
INSIDE = (
    "Stays in the service.",
    "It names trips by their tokens: for quality review inside the service only.",
)
PREVIEW = (
    "Preview.",
    "Not handed over: for the service's own eyes, before it decides.",
)


def pack(review: MonthReview, audience: str) -> str:
    """The month's pack for `committee`, `director` or `education` as one HTML document."""
    page, page_figures = _page(review, audience)
    html = _environment().get_template(f"{audience}.html").render(
        page=page,
        pack=_frame(review, audience),
        drawings=drawings(page_figures),
        data_files=[],
        **named(page_figures),
    )  # fmt: skip
    return unlinked(html)


def teaching_pack(review: MonthReview, trip_id: str) -> str:
    """A trip to teach with, as one HTML document: no token, no month; what was found comes last."""
    from reports.education.teaching import teaching_data

    frame = {**_frame(review, "teaching"), "title": TEACHING, "notices": ()}
    html = _environment().get_template("teaching.html").render(
        page=teaching_data(review, trip_id), pack=frame, figure_ids=[],
    )  # fmt: skip
    return unlinked(html)


def base_pack(safe: MonthReview, base: str, *, preview: bool = False) -> str:
    """The pack of one base, drawn from a shared edition's review alone: nothing small is in it.

    A `preview` says on its first page that it was not handed over.
    """
    from reports.shared.data import base_data

    frame = _frame(safe, "base")
    notices = [PREVIEW, *frame["notices"]] if preview else frame["notices"]
    title = f"{safe.service}, base {base}: high-flow transports"
    html = _environment().get_template("base_pack.html").render(
        page=base_data(safe, base),
        pack={**frame, "title": title, "notices": notices},
        figure_ids=[],
    )  # fmt: skip
    return unlinked(html)


def drawings(figures: dict[str, list[Row]]) -> dict[str, Any]:
    """Every figure as an SVG element that fits on paper, by its element id."""
    from markupsafe import Markup

    return {
        name: Markup(svg(figure_at(v, PAPER_WIDTH), v[0].get("paper_width", PAPER_WIDTH)))
        for name, v in figures.items()
    }


def figure_at(variants: list[Row], width: int) -> Row:
    """Of a figure's variants the one for that width, its data with it."""
    chosen = [v for v in variants if v["least"] <= width][-1]
    return {"data": chosen.get("data") or variants[0]["data"], "layout": chosen["layout"]}


def unlinked(html: str) -> str:
    """The document with the words of links that lead out of it, and not the links."""
    return re.sub(r'<a [^>]*href="(?!#)[^"]*"[^>]*>(.*?)</a>', r"\1", html, flags=re.DOTALL)


def _page(review: MonthReview, audience: str) -> tuple[PageFrame, dict[str, list[Row]]]:
    """What a pack shows, and its figures."""
    from reports.committee.data import committee_data
    from reports.director.data import director_data
    from reports.director.figures import director_figures
    from reports.education.data import education_data

    assert review.figures is not None
    if audience == "committee":
        return committee_data(review, review.figures), {}
    if audience == "director":
        page = director_data(review, review.figures, Site())
        return page, director_figures(page)
    # without what leads out of it, and without the token of a trip
    education = education_data(review, review.figures, Site())
    return replace(education, briefs=(), to_teach=None), {}


def _frame(review: MonthReview, audience: str) -> Row:
    """What stands round a pack: its title, notices, the service's own statement, the styles."""
    month = words.month_name(review.month)
    notices = []
    if audience == "director":
        notices.append(INSIDE)
    own = sum(r.month == review.month for r in restated_rows(review))
    if own:
        notices.append((
            "Restated.",
            f"{month} was published, and {words.many(own, 'figure')} of it changed since: this pack"
            " shows them as they are now.",
        ))  # fmt: skip
    unapproved = [p.id for p in review.protocol if p.approved_by is None]
    if unapproved:
        versions = f"Nobody has approved protocol version {words.listed(unapproved)}"
        notices.append(("Limits not approved.", f"{versions}: read every verdict as a trial."))
    return {
        "audience": audience,
        "title": f"{review.service}: high-flow transports, {month}, {TITLES[audience]}",
        "notices": notices,
        "confidentiality": review.confidentiality,
        "style": styles(),
    }


def styles() -> Any:
    """The pages' style sheet and the packs' own, to stand in the document."""
    from markupsafe import Markup

    both = [(HERE / "assets" / name).read_text("utf-8") for name in ("page.css", "pack.css")]
    return Markup("\n".join(both))


def _environment() -> Environment:
    """The pages' environment, with the pack's frame in place of the site's."""
    import jinja2

    pages = environment()
    assert pages.loader is not None
    frame, _, _ = pages.loader.get_source(pages, "pack_base.html")
    loader = jinja2.ChoiceLoader([jinja2.DictLoader({"base.html": frame}), pages.loader])
    return pages.overlay(loader=loader)
