"""Signals and what came one by one, as every lead says them; the sentences are the pipeline's."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import TYPE_CHECKING

from reports.text import words
from reports.text.plain_rows import Row, chart_key, grouped, text

if TYPE_CHECKING:
    from schemas.month_review import MonthReview

NAMED_MOST = 3
RECORD = "incomplete-log-share"
BY_CHANCE = "About one such signal a year comes with nothing changed."


def signal_parts(sentence: str) -> tuple[str, str]:
    """What a signal's sentence is about, and its counts: '7 of 13 trips since March 2026, ...'.

    The range of its beginning, how big it is, what is missing and what it revises are in the
    sentence alone.
    """
    what, _, rest = re.sub(r"^As of [^:]*: ", "", sentence).partition(": ")
    counts, before, _ = rest.partition(" before")
    return what, re.sub(r" \([^)]*\)", "", f"{counts}{before}").rstrip(".")


@lru_cache(maxsize=4)
def standing(review: MonthReview, kind: str, side: str = "worse") -> list[Row]:
    """The signals of a kind that stand, care before the record, newest first, a chart's last one.

    With the month in which that change was first said, its counts up to now and what stands of the
    chart beside it; how many trips are behind each, how many were read, and how many held; and the
    units that most of them share.
    """
    figures = review.figures
    if figures is None:
        return []
    rows = [
        r for r in figures.signals.records()
        if (r["kind"], r["side"], r["standing"]) == (kind, side, "stands")
    ]  # fmt: skip
    rows.sort(key=lambda r: text(r["month"]), reverse=True)
    behind = [frame.records() for frame in (figures.signal_trips, figures.signal_units)]
    found = []
    by_chart = grouped(rows, chart_key)
    for said in sorted(by_chart.values(), key=lambda said: said[0]["measure"] == RECORD):
        row = said[0]
        trips, units = ([r for r in rows if _said_in(r) == _said_in(row)] for rows in behind)
        shared = " ".join(map(unit_words, units))
        found.append({
            **row,
            "sentence": _until(row, review.month),
            "trips": [text(t["trip_id"]) for t in trips],
            "first_said": min(text(r["month"]) for r in said if r["since"] == row["since"]),
            "so_far": f"{text(row['so_far'])}{_earlier(said)}".strip(),
            "earlier": _earlier(said),
            "units": shared,
            "read_words": f"{_read(trips)} {shared}".strip(),
            "noticed": words.some(row["noticed_in_100"]),
        })  # fmt: skip
    return found


def _until(row: Row, now: str) -> str:
    """The sentence of a signal, which stays as first said: an earlier month's says how far it goes.

    Else its counts would be read as those of all months since.
    """
    sentence, month, since = (text(row[name]) for name in ("sentence", "month", "since"))
    if month >= now or not since:
        return sentence
    begun, ended = words.month_name(since), words.month_name(month)
    span = f"in {begun}" if since == month else f"from {begun} to {ended}"
    return sentence.replace(f" since {begun}", f" {span}", 1)


def _earlier(said: list[Row]) -> str:
    """' An earlier one, since March 2026, stands, too.': another change of the same chart."""
    since = {text(r["since"]) for r in said} - {text(said[0]["since"])}
    return f" An earlier one, since {words.month_name(min(since))}, stands, too." if since else ""


def _said_in(row: Row) -> tuple[str, ...]:
    return text(row["month"]), text(row["kind"]), *chart_key(row)


def _read(trips: list[Row]) -> str:
    """'Said of 12 trips: 5 read, 3 confirmed.', as its counts may go on to later trips."""
    if not trips:
        return ""
    read, held = (sum(bool(t[name]) for t in trips) for name in ("read", "held"))
    none = "none read" if not read else f"{read} read, {held} confirmed"
    return f"Said of {words.many(len(trips), 'trip')}: {none}."


def unit_words(row: Row) -> str:
    """'Heater H-2: 3 of these 4 trips, 5 of 37 others of the same ...', a row of `SignalUnits`."""
    unit = f"{words.capital(text(row['unit_kind']))} {words.plain(text(row['unit']))}"
    of, others, of_others = (int(row[name]) for name in ("of", "others", "of_others"))
    return (
        f"{unit}: {int(row['trips'])} of these {words.many(of, 'trip')}, {others} of"
        f" {of_others} others of the same bases and months."
    )


def lead_lines(review: MonthReview) -> list[str]:
    """Headline signals, what came one by one, and what missing trips leave open; else 'no signal'.

    Empty where the review holds no figures of signals.
    """
    if review.figures is None or not review.protocol:
        return []
    own = standing(review, "headline")
    lines = [
        " ".join(filter(None, (row["sentence"], row["so_far"], row["read_words"])))
        for row in own[:NAMED_MOST]
    ]
    more = len(own) - NAMED_MOST
    if more > 0:
        lines.append(f"{words.many(more, 'more signal')} {'stands' if more == 1 else 'stand'}.")
    if own:
        lines.append(BY_CHANCE)
    lines += [text(row["sentence"]) for row in one_by_one(review) if row["came"]]
    return [*(lines or [_none(review)]), *filter(None, [_open(review)])]


def one_by_one(review: MonthReview) -> list[Row]:
    """Each rule whose variances are shown one by one, and how many came this month."""
    return review.figures.one_by_one.records() if review.figures else []


def charts_now(review: MonthReview) -> list[Row]:
    """What each chart of the family makes of the month under review."""
    if review.figures is None:
        return []
    frame = review.figures.signal_charts
    return frame.rows(frame["month"] == review.month).records()


def watched(review: MonthReview) -> bool:
    """Whether any chart has months enough for a signal."""
    return any(words.some(r["threshold"]) is not None for r in charts_now(review))


def _none(review: MonthReview) -> str:
    if not watched(review):
        return "Too few months to say: signals start after six months of the service."
    return "No signal, and none of the graver variances."


def _open(review: MonthReview) -> str:
    """How many charts the missing trips leave open; empty where none."""
    charts = charts_now(review)
    depends = sum(r["certainty"] == "depends" for r in charts)
    if not depends:
        return ""
    return (
        f"On {depends} of {words.many(len(charts), 'chart')} whether there is a signal depends on"
        " the missing trips."
    )


def chart_months(review: MonthReview, key: tuple[str, ...]) -> list[Row]:
    """The months of one chart of the family, up to the one under review."""
    if review.figures is None:
        return []
    frame = review.figures.signal_charts
    measure, by, value, month = (
        frame[name] for name in ("measure", "group_by", "group_value", "month")
    )
    own = (measure == key[0]) & (by == key[1]) & (value == key[2]) & (month <= review.month)
    return frame.rows(own).sorted_by("month").records()
