"""A case to teach with: the trip's picture and questions, then what was found; no token in it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.case.data import case_data
from reports.case.facts import Cases
from reports.case.picture_records import TripPicture
from reports.case.trip_picture import trip_picture
from reports.text import words
from reports.text.case_links import case_files
from reports.text.navigation import PageFrame, Site, page_frame
from reports.text.plain_rows import Row, text
from schemas.record import dataclass

if TYPE_CHECKING:
    from markupsafe import Markup

    from reports.case.records import VerdictGroup
    from schemas.month_review import MonthReview

AGES = (
    (1, "under 1 month"),
    (6, "1 to 5 months"),
    (12, "6 to 11 months"),
    (24, "1 year"),
    (60, "2 to 4 years"),
    (144, "5 to 11 years"),
)
OLDER = "12 years or more"
"""Ages in bands, each below so many months; the bands are this project's own."""
WEIGHTS = (3, 5, 8, 12, 20, 30)
HEADING = "A trip on one time axis"
GENERAL = (
    "What do you see first, and what would you do next?",
    "What would have shown it sooner?",
    "Was it practice, logistics, equipment, or the record?",
)


@dataclass(frozen=True)
class Answer:
    """A finding as the rules have it, with the limit, and what a reader concluded."""

    number: int | None
    title: str
    word: str
    sentence: str
    asks: str
    concluded: str


@dataclass(frozen=True)
class TeachingPage(PageFrame):
    """The page handed out: `asked` without the findings, `answered` with them."""

    child: str
    planned: str
    asked: Markup
    questions: tuple[str, ...]
    answered: Markup
    answers: tuple[Answer, ...]


def trips_to_teach(review: MonthReview) -> list[str]:
    """The trips of the month that have a picture."""
    return list(case_files(review))


def teaching_data(review: MonthReview, trip_id: str) -> TeachingPage:
    """The teaching page of one of `trips_to_teach`."""
    assert review.details is not None
    cases = Cases(review, review.details)
    trip = cases.trip(next(t for t in cases.trips if text(t["trip_id"]) == trip_id))
    case = case_data(trip, cases)
    picture = without_tokens(case.picture)
    answers = tuple(_answers(case.groups, review, trip_id))
    drawn = [
        trip_picture(shown, HEADING, "", narrow=False, name=name)
        + trip_picture(shown, HEADING, "", narrow=True, name=f"{name}-narrow")
        for name, shown in (("asked", picture._replace(findings=[])), ("answered", picture))
    ]
    planned = words.some(trip["planned_transit_min"])
    return TeachingPage(
        **vars(page_frame(review, Site(), "teaching")),
        child=child_words(trip),
        planned="" if planned is None else f"transit planned {planned:g} min",
        asked=drawn[0],
        questions=_questions(case.groups, picture, cases),
        answered=drawn[1],
        answers=answers,
    )


def child_words(trip: Row) -> str:
    """Age and weight in bands, and the group of the diagnosis."""
    months, weight = words.some(trip["age_months"]), words.some(trip["weight_kg"])
    age = "age not recorded"
    if months is not None:
        age = next((name for below, name in AGES if months < below), OLDER)
    return ", ".join(filter(None, [age, _weight(weight), text(trip["diagnosis_group"])]))


def _weight(weight: float | None) -> str:
    if weight is None:
        return ""
    above = next((w for w in WEIGHTS if weight < w), None)
    if above is None:
        return f"{WEIGHTS[-1]} kg or more"
    below = max((w for w in WEIGHTS if w <= weight), default=None)
    return f"under {above} kg" if below is None else f"{below} to {above} kg"


def without_tokens(picture: TripPicture) -> TripPicture:
    """The picture's data with whom a call reached, but neither its topic nor any token."""
    calls = [c._replace(title=f"Call: {c.words}") for c in picture.contacts]
    return picture._replace(contacts=calls)


def _questions(groups: list[VerdictGroup], picture: TripPicture, cases: Cases) -> tuple[str, ...]:
    """The general ones, and what each rule that was not kept asks."""
    asked = [
        cases.rules[row.rule].question
        for group in groups
        if group.verdict in ("deviation", "borderline")
        for row in group.rows
        if row.rule in cases.rules
    ]
    cuts = ["What stands just before each cut of flow, and what followed?"]
    return (GENERAL[0], *asked, *(cuts if picture.occlusions else []), *GENERAL[1:])


def _answers(groups: list[VerdictGroup], review: MonthReview, trip_id: str) -> list[Answer]:
    rows = review.followup.determinations.records() if review.followup is not None else []
    concluded = {
        text(r["rule"]): words.plain(text(r["conclusion"]))
        for r in rows
        if text(r["trip_id"]) == trip_id and r["conclusion"]
    }
    return [
        Answer(
            row.number, row.title, group.word, row.sentence, row.asks, concluded.get(row.rule, ""),
        )
        for group in groups
        if group.verdict in ("deviation", "borderline", "cannot_tell")
        for row in group.rows
    ]  # fmt: skip
