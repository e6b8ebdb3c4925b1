"""The whole text of a page, kept beside the tests: what changed in it shows as a difference.

Renewed, after a look at the difference, by `python -m tests.browser.golden`.
"""

from __future__ import annotations

import dataclasses
import sys
import tempfile
from collections.abc import Callable
from functools import cache, partial
from html.parser import HTMLParser
from pathlib import Path

from reports.text.case_links import FOLDER as FOLDER_OF_CASES
from reports.text.case_links import case_file
from reports.text.navigation import Site
from schemas.followup_outputs import FOLLOWUP_OUTPUTS, MONTH_TABLES, FollowUpReview
from schemas.frame import Frame, stacked
from schemas.month_review import MonthReview
from schemas.units import Unit
from tests.browser import fixture_figures
from tests.browser.fixture import table
from tests.frames import frame_of

FOLDER = Path(__file__).parent / "golden"
RULE = "wall-oxygen-time"
BLOCKS = {
    "address", "article", "caption", "dd", "details", "div", "dl", "dt", "figcaption", "figure",
    "footer", "h1", "h2", "h3", "h4", "header", "li", "main", "nav", "ol", "p", "section",
    "summary", "svg", "table", "tbody", "thead", "tr", "ul",
}  # fmt: skip
CELLS = {"td", "th", "text", "title", "span", "br", "label", "option"}
UNREAD = {"script", "style", "head"}


class _Text(HTMLParser):
    """Blocks on lines of their own, cells apart; what no one reads left out."""

    def __init__(self) -> None:
        super().__init__()
        self.lines: list[str] = [""]
        self.unread: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        # what is drawn for 390 px says the same once more
        if (
            self.unread
            or tag in UNREAD
            or ("class", "picture narrow") in attrs
            or (
                "class",
                "trip narrow",
            )
            in attrs
        ):
            self.unread += [tag] if tag in UNREAD or tag == "svg" else []
            return
        if tag in BLOCKS:
            self.lines.append("")
        elif tag in CELLS and self.lines[-1]:
            self.lines[-1] += " | "

    def handle_endtag(self, tag: str) -> None:
        if self.unread:
            self.unread = self.unread[:-1] if tag == self.unread[-1] else self.unread
        elif tag in BLOCKS:
            self.lines.append("")

    def handle_data(self, data: str) -> None:
        if not self.unread:
            self.lines[-1] += data


def text_of(html: str) -> str:
    """The page's text, folds open, pictures' labels and titles with it; a line a block."""
    reader = _Text()
    reader.feed(html)
    lines = (" ".join(line.replace("\u00a0", " ").split()) for line in reader.lines)
    return "\n".join(line for line in lines if line) + "\n"


def month_review() -> MonthReview:
    """The invented month with what its first screen needs besides: rules kept, logs by base."""
    review = fixture_figures.full()
    shares = [
        ["all-rules-share", m, "service", "all", k, 50, Unit.SHARE, k / 50, k / 50 - 0.1,
         k / 50 + 0.1, "Wilson score", 50, 4, None, None]
        for m, k in zip(review.months, range(20, 20 + len(review.months)), strict=True)
    ] + [
        ["incomplete-log-share", review.month, by, value, k, n, Unit.SHARE, k / n, 0.1, 0.5,
         "Wilson score", n, 0, None, None]
        for by, value, k, n in (("service", "all", 5, 27), ("base", "elm", 4, 9),
                                ("base", "cedar", 1, 12), ("base", "alder", 0, 6))
    ]  # fmt: skip
    measures = stacked([review.measures, table("measures", shares)])
    changes = {"expected": 56, "late": {"2026-05": 2}, "one_by_one": 3}
    return dataclasses.replace(review, measures=measures, **changes)


def month_text() -> str:
    """The Month page of that month."""
    from reports import write_month

    with tempfile.TemporaryDirectory() as folder:
        page = write_month(month_review(), Path(folder), Site(("month", "director")))
        return text_of(page.read_text(encoding="utf-8"))


@cache
def pages_text() -> dict[str, str]:
    """The month's other pages by name, the first case, the committee's pack, a case to teach."""
    from reports import write_pages
    from reports.education.teaching import trips_to_teach
    from reports.render.packs import pack, teaching_pack

    review = followed_review()
    with tempfile.TemporaryDirectory() as folder:
        month = write_pages(review, Path(folder)).parent
        case = month / FOLDER_OF_CASES / case_file(str(review.cases["trip_id"][0]))
        files = {name: month / f"{name}.html" for name in ("director", "education", "year")}
        files |= {"case": case, "brief": month / "brief-3.html"}
        found = {name: path.read_text(encoding="utf-8") for name, path in files.items()}
    found["committee"] = pack(review, "committee")
    found["teaching"] = teaching_pack(review, trips_to_teach(review)[0])
    return {name: text_of(html) for name, html in found.items()}


def followed_review() -> MonthReview:
    """The same month with a goal, and with what readers concluded, referred and asked for."""
    review = month_review()
    rules = tuple(dataclasses.replace(r, goal=0.05) if r.rule == RULE else r for r in review.rules)
    trip = str(review.cases["trip_id"][1])
    row = {"trip_id": trip, "month": review.month, "base": "cedar", "rules": RULE}
    frames = {name: Frame.of_rows([], model.to_schema().columns)
              for name, model in FOLLOWUP_OUTPUTS.items() if name in MONTH_TABLES}  # fmt: skip
    practice = {"month": review.month, "rule": RULE, "base": "cedar", "judged": 20, "flags": 4,
                "reviewed": 3, "practice": 2, "missed": 0}  # fmt: skip
    frames |= {
        "practice_variances": frame_of([practice]),
        "referred": frame_of([{**row, "refer_to": "director", "reviewer": "R1"}]),
        "year_actions": frame_of([
            {**row, "action": "check the heater", "due_month": "2026-05", "state": state}
            for state in ("overdue", "closed")
        ]),
    }  # fmt: skip
    followup = FollowUpReview(baseline=False, published=0, ledger_head="0" * 64, **frames)
    return dataclasses.replace(review, rules=rules, followup=followup)


OTHERS = ("director", "education", "year", "case", "brief", "committee", "teaching")
PAGES: dict[str, Callable[[], str]] = {
    "month": month_text,
    **{name: partial(lambda key: pages_text()[key], name) for name in OTHERS},
}


def kept(name: str) -> str:
    """The text as it was last looked at."""
    return (FOLDER / f"{name}.txt").read_text(encoding="utf-8")


def renew() -> None:
    """Write every page's text anew."""
    FOLDER.mkdir(exist_ok=True)
    for name, text in PAGES.items():
        (FOLDER / f"{name}.txt").write_text(text(), encoding="utf-8")


if __name__ == "__main__":
    sys.exit(renew())
