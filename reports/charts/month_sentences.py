"""The month's occlusion rate in sentences, and whether it is ordinary."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.text import sentences, words
from reports.text.rows import Row
from reports.text.sentences import against_before, compare, missing_trips, rate_phrase, ratio_row
from reports.text.signal_lines import rate_stands

if TYPE_CHECKING:
    from schemas.month_review import MonthReview


def occlusion_sentences(review: MonthReview, rates: Row) -> list[str]:
    """The month's occlusion rate, and whether it is ordinary for this service."""
    cell = rates["service"]["month"]
    if cell["estimate"] is None:
        return [
            "No ventilator high-flow time that an occlusion rate could be made from: nothing is"
            " said of the rate."
        ]
    return [
        f"Occlusions ran at {rate_phrase(cell, rates['unit'])}.",
        *filter(None, [ordinary_sentence(review)]),
    ]


def ordinary_sentence(review: MonthReview) -> str:
    """The month against the months before it; empty where no comparison was delivered."""
    ratio = ratio_row(review)
    stands = rate_stands(review)
    if stands:
        return f"{stands} {against_before(ratio)}".rstrip()
    missing = missing_trips(review)
    if missing:
        are = "is" if missing == 1 else "are"
        return (
            f"Whether that is ordinary is not said while {words.many(missing, 'trip')} {are}"
            " missing."
        )
    if not [m for m in review.months if m < review.month]:
        return "There is no earlier month to compare it with."
    return "" if ratio is None else compare(ratio)


def rate_sentences(review: MonthReview, rates: Row) -> Row:
    """What the rate charts show, in words: also their text alternatives."""
    service = rates["service"]
    return {
        "sizes_finding": sentences.sizes_finding(
            review, rates["sizes"], service, "cannula size", "cannula sizes"
        ),
        "sizes_chance": sentences.chance_note(rates["sizes"], "size"),
        "sizes_few": sentences.few_note(rates["sizes"]),
        "shares_finding": sentences.sizes_finding(
            review,
            rates["shares"],
            service,
            "share of the flow range",
            "shares of the flow range",
        ),
        "months_finding": sentences.months_finding(rates),
        "span": _span(min(review.months, default=review.month), review.month),
    }


def _span(first: str, last: str) -> str:
    name = words.month_name(last)
    return name if first >= last else f"{words.month_name(first)} to {name}"
