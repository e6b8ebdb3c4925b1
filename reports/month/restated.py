"""Figures of published months that came out otherwise since, and why, as page data."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.charts.control_data import shown
from reports.text import words
from reports.text.plain_rows import Row, grouped, text
from schemas.record import dataclass
from schemas.units import Unit

if TYPE_CHECKING:
    from schemas.month_review import MonthReview

GROUPS_FIRST = {"service": 0, "cannula": 1, "rule": 2, "base": 3}
WHYS_FIRST = 2
"""So many causes stand in the line; all of them in the fold."""


@dataclass(frozen=True)
class RestatedFigure:
    """A published figure as it was, as it is now, by how much it changed, why, and the trips.

    `order` is where its measure stands; `alike`: it reads as it was published.
    """

    month: str
    name: str
    measure: str
    figure: str
    group: str
    order: tuple[int, int]
    alike: bool
    then: str
    now: str
    change: str
    why: str
    trips: tuple[str, ...]


@dataclass(frozen=True)
class Cause:
    """Why figures of a month changed, how many, and all the trips."""

    name: str
    why: str
    figures: int
    trips: tuple[str, ...]


@dataclass(frozen=True)
class Restated:
    """Figures of published months that have changed since, the latest month first."""

    finding: str
    causes: tuple[Cause, ...]
    rows: tuple[RestatedFigure, ...]


def restated(review: MonthReview) -> Restated:
    """Figures of published months that have changed since, the latest month first."""
    rows = sorted(restated_rows(review), key=lambda r: r.month, reverse=True)
    months = sorted({r.month for r in rows})
    causes = [c for month in reversed(months) for c in _causes(month, rows)]
    finding = ""
    if rows:
        named = words.listed([words.month_name(m) for m in months])
        whys = list(dict.fromkeys(c.why.rstrip(".") for c in causes))
        more = f"; {len(whys) - WHYS_FIRST} more causes" if len(whys) > WHYS_FIRST else ""
        finding = f"{words.many(len(rows), 'figure')} of {named}: "
        finding += f"{'; '.join(whys[:WHYS_FIRST])}{more}."
    return Restated(finding, tuple(causes), tuple(rows))


def restated_rows(review: MonthReview) -> list[RestatedFigure]:
    """Restated figures; first those that read otherwise than published, as measures are ordered."""
    rows = review.followup.restatements.records() if review.followup else []
    found = [_restated(row, review) for row in rows]
    return sorted(found, key=lambda r: (r.alike, r.order, r.group))


def _causes(month: str, rows: list[RestatedFigure]) -> list[Cause]:
    """Why a month's figures changed, that of most figures first, each with all of its trips."""
    found = grouped((row for row in rows if row.month == month), lambda row: row.why)
    return [
        Cause(
            words.month_name(month), why, len(own), tuple(sorted({t for r in own for t in r.trips}))
        )
        for why, own in sorted(found.items(), key=lambda item: (-len(item[1]), item[0]))
    ]


def _restated(row: Row, review: MonthReview) -> RestatedFigure:
    facts = review.figures.facts if review.figures else ()
    names = {f.id: f.name for f in facts}
    places = {f.id: n for n, f in enumerate(facts)}
    by, value, unit = text(row["group_by"]), text(row["group_value"]), text(row["unit"])
    measure, month = text(row["measure"]), text(row["month"])
    name = names.get(measure, words.plain(measure.replace("-", " ")))
    labels = {text(c["id"]): text(c["label"]) for c in review.cannulas.records()}
    group = words.rule_title(value) if by == "rule" else labels.get(value, value)
    then, now = (shown(words.some(row[when]), unit) for when in ("then", "now"))
    return RestatedFigure(
        month=month,
        name=words.month_name(month),
        measure=measure,
        figure=name if by == "service" else f"{name}, {group}",
        group=group,
        order=(GROUPS_FIRST.get(by, 4), places.get(measure, len(places))),
        alike=then == now,
        then=_figure(row, "then", unit),
        now=_figure(row, "now", unit),
        change=_change(row, unit),
        why=text(row["why"]),
        trips=tuple(text(row["trips"]).split()),
    )


def _change(row: Row, unit: str) -> str:
    """By how much a figure has changed, a share in points of a hundred; empty without both."""
    then, now = words.some(row["then"]), words.some(row["now"])
    if then is None or now is None:
        return ""
    if unit == Unit.SHARE:
        return f"{100 * (now - then):+.1f} points"
    return f"{now - then:+.1f}"


def _figure(row: Row, when: str, unit: str) -> str:
    """A figure with what it was made from; a dash where there was none."""
    value = words.some(row[when])
    top, bottom = words.some(row[f"{when}_numerator"]), words.some(row[f"{when}_denominator"])
    if top is None or bottom is None:
        return words.DASH
    made = _made_of(top, bottom, unit)
    if value is None:
        return made or words.DASH
    return f"{shown(value, unit)} ({made})" if made else shown(value, unit)


def _made_of(top: float, bottom: float, unit: str) -> str:
    """What a figure was made from, in its own units; empty where that says nothing."""
    if unit == Unit.SHARE:
        return f"{words.whole(top)} of {words.many(round(bottom), 'trip')}"
    if unit.startswith("events"):
        return f"{words.many(round(top), 'event')} in {words.hours(bottom)} h"
    if unit == "minutes":
        return words.many(round(bottom), "trip")
    if unit == "minutes per wall hour":
        return f"{words.whole(top)} min in {words.hours(bottom)} h"
    return ""
