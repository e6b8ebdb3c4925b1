"""What followed the flags, as page data: readers' answers, restatements, actions, the audit.

Records of numbers and sentences; no HTML. Every function copes with a review without a loop.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from reports.charts.control_data import shown
from reports.director.audit import Audit, audit_data
from reports.text import words
from reports.text.case_links import FOLDER, case_files
from reports.text.rows import Row, records, text
from reports.text.sentences import share_sentence
from schemas.units import Unit

if TYPE_CHECKING:
    from schemas.followup_outputs import FollowUpReview
    from schemas.month_review import MonthReview

WHYS_FIRST = 2
"""So many causes stand in the line; all of them in the fold."""
STATUS_WORDS = {"open": "open", "awaiting_crew": "awaiting the crew", "closed": "closed"}
UNCONCLUDED = "none yet"
GROUPS_FIRST = {"service": 0, "cannula": 1, "rule": 2, "base": 3}
CONFIRMED = "confirmed-deviation-share"


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


@dataclass(frozen=True)
class Action:
    """What a reader asked for, and when it is due; `file` is the trip's page where it has one."""

    trip: str
    file: str
    month: str
    base: str
    rules: str
    conclusion: str
    status: str
    refer_to: str
    action: str
    due: str
    due_name: str
    overdue: bool


@dataclass(frozen=True)
class Actions:
    """Actions that nobody has closed, those overdue first."""

    rows: tuple[Action, ...]
    overdue: int
    finding: str


@dataclass(frozen=True)
class Correction:
    """A value of a record that stands corrected, from what, why and by whom."""

    trip: str
    place: str
    at: str
    column: str
    original: str
    value: str
    reason: str
    by: str


@dataclass(frozen=True)
class Answer:
    """What a reader concluded on a finding, and what was asked for with it."""

    title: str
    conclusion: str
    status: str
    refer_to: str
    reviewer: str
    readers: str
    action: str


@dataclass(frozen=True)
class Confirmed:
    """A rule's variance share as readers confirmed it, and how many flags they read."""

    share: str
    brief: str
    reading: str


@dataclass(frozen=True)
class FollowUp:
    """What the Month page shows of the follow-up; `left` and `read` are cases."""

    present: bool
    restated: Restated
    actions: Actions
    left: int
    read: int = 0
    publication: str = ""
    audit: Audit = field(default_factory=Audit)
    agreement: str = ""
    corrections: tuple[Correction, ...] = ()


def followup_data(review: MonthReview) -> FollowUp:
    """What the Month page shows of the follow-up; everything empty where the review has none."""
    followup = review.followup
    listed = review.cases[review.cases["kind"] != "batch"]
    if followup is None:
        return FollowUp(False, restated(None, review), actions(None, review), len(listed))
    closed = closed_trips(followup)
    cases = [text(c["trip_id"]) for c in records(listed[["trip_id"]])]
    read = sum(trip in closed for trip in cases)
    return FollowUp(
        present=True,
        restated=restated(followup, review),
        actions=actions(followup, review),
        left=len(cases) - read,
        read=read,
        publication=publication_sentence(review, followup),
        audit=audit_data(followup, review),
        agreement=agreement_sentence(followup, review),
        corrections=corrections_data(followup, review),
    )


def closed_trips(followup: FollowUpReview) -> set[str]:
    """Trips of the month all of whose answers that hold are closed."""
    status: dict[str, set[str]] = {}
    for row in records(followup.determinations):
        status.setdefault(text(row["trip_id"]), set()).add(text(row["status"]))
    return {trip for trip, found in status.items() if found == {"closed"}}


def publication_sentence(review: MonthReview, followup: FollowUpReview) -> str:
    """Whether the month is history, published, or still open."""
    name = words.month_name(review.month)
    if followup.baseline:
        return f"{name} was loaded as history: it sets limits and opens no cases."
    if not followup.published:
        return f"{name} has not been published: its figures may still change without a trace."
    times = "once" if followup.published == 1 else f"{followup.published} times"
    return f"{name} has been published {times}; what changes from then on is listed here."


def restated(followup: FollowUpReview | None, review: MonthReview) -> Restated:
    """Figures of published months that have changed since, the latest month first."""
    rows = sorted(restated_rows(followup, review), key=lambda r: r.month, reverse=True)
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


def restated_rows(followup: FollowUpReview | None, review: MonthReview) -> list[RestatedFigure]:
    """Restated figures; first those that read otherwise than published, as measures are ordered."""
    rows = [_restated(r, review) for r in records(followup.restatements)] if followup else []
    return sorted(rows, key=lambda r: (r.alike, r.order, r.group))


def _causes(month: str, rows: list[RestatedFigure]) -> list[Cause]:
    """Why a month's figures changed, that of most figures first, each with all of its trips."""
    found: dict[str, list[RestatedFigure]] = {}
    for row in rows:
        if row.month == month:
            found.setdefault(row.why, []).append(row)
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
    labels = {text(c["id"]): text(c["label"]) for c in records(review.cannulas)}
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


def actions(followup: FollowUpReview | None, review: MonthReview) -> Actions:
    """Actions that readers asked for and nobody has closed, those overdue first."""
    rows = [_action(r, review) for r in records(followup.follow_ups)] if followup else []
    rows.sort(key=lambda r: (not r.overdue, r.due or "9", r.trip, r.action))
    overdue = sum(r.overdue for r in rows)
    finding = ""
    if rows:
        is_are = "is" if len(rows) == 1 else "are"
        finding = f"{words.many(len(rows), 'action')} {is_are} open"
        finding += f", {overdue} of them overdue." if overdue else ", none overdue."
    return Actions(tuple(rows), overdue, finding)


def _action(row: Row, review: MonthReview) -> Action:
    due, trip = text(row["due_month"]), text(row["trip_id"])
    file = case_files(review).get(trip, "")
    rules = [words.rule_title(r) for r in text(row["rules"]).split()]
    return Action(
        trip=trip,
        file=f"{FOLDER}/{file}" if file else "",
        month=words.month_name(text(row["month"])),
        base=text(row["base"]),
        rules=words.listed(rules) or "the case as a whole",
        conclusion=words.plain(text(row["conclusion"])),
        status=STATUS_WORDS.get(text(row["status"]), words.plain(text(row["status"]))),
        refer_to=text(row["refer_to"]),
        action=text(row["action"]),
        due=due,
        due_name=words.month_name(due) if due else "no month set",
        overdue=bool(row["overdue"]),
    )


def agreement_sentence(followup: FollowUpReview, review: MonthReview) -> str:
    """How far two readers of one case agree; empty where no case had two."""
    found = {text(r["month"]): r for r in records(followup.agreement)}
    row = found.get(f"to {review.month}")
    if row is None or not row["cases"]:
        return ""
    sentence = (
        f"Two readers concluded on {words.many(int(row['cases']), 'finding')}, alike on"
        f" {int(row['same'])}"
    )
    kappa, low, high = (words.some(row[k]) for k in ("kappa", "low", "high"))
    if kappa is None:
        return f"{sentence}; too few or too alike for a kappa."
    span = "no interval" if low is None or high is None else f"{low:.2f} to {high:.2f}"
    return f"{sentence}: kappa {kappa:.2f} (95{words.NBSP}% {span}; {text(row['method'])})."


def corrections_data(
    followup: FollowUpReview | None, review: MonthReview
) -> tuple[Correction, ...]:
    """Corrected values in force in trips of the month."""
    if followup is None:
        return ()
    return tuple(
        Correction(
            trip=text(r["trip_id"]),
            place=f"{text(r['table'])}:{int(r['line'])}",
            at="" if r["at_s"] is None else words.moment(int(r["at_s"]), 60),
            column=text(r["column"]),
            original=text(r["original"]) or "empty",
            value=text(r["value"]) or "empty",
            reason=text(r["reason"]),
            by=text(r["by"]),
        )
        for r in records(followup.corrections)
        if text(r["month"]) == review.month
    )


def confirmed_by_rule(review: MonthReview) -> dict[str, Confirmed]:
    """Each rule's variance share as readers confirmed it this month, where they read any flag."""
    if review.followup is None:
        return {}
    quality = review.followup.screen_quality
    flags = quality[(quality["month"] == review.month) & (quality["verdict"] == "deviation")]
    frame = review.measures
    shares = {
        text(r["group_value"]): r
        for r in records(frame[(frame["measure"] == CONFIRMED) & (frame["month"] == review.month)])
    }
    found = {}
    for row in records(flags):
        read, missed = int(row["reviewed"] or 0), int(row["missed"] or 0)
        outdated = int(row["outdated"] or 0)
        if not read and not missed and not outdated:
            continue
        unread = int(row["flags"] or 0) - read
        found[text(row["rule"])] = Confirmed(
            share_sentence(shares.get(text(row["rule"]))) if read else "",
            f"{int(row['confirmed'] or 0):,}/{read:,}",
            _read_words(read, int(row["flags"] or 0), unread, missed, outdated),
        )
    return found


def _read_words(read: int, flags: int, unread: int, missed: int, outdated: int) -> str:
    parts = [f"{read:,} of {words.many(flags, 'flag')} read"]
    if unread and read:
        parts.append("the others may add to it")
    if missed:
        parts.append(f"{missed:,} more found by readers")
    if outdated:
        parts.append(f"{outdated:,} to be read again: the verdict has changed")
    return "; ".join(parts)


def answers_by_trip(review: MonthReview) -> dict[str, list[Answer]]:
    """The answers that hold, with the action each asks for; notes are in none."""
    followup = review.followup
    if followup is None:
        return {}
    asked = {
        (text(r["trip_id"]), rule): r
        for r in records(followup.follow_ups)
        for rule in text(r["rules"]).split() or [""]
    }
    found: dict[str, list[Answer]] = {}
    for row in records(followup.determinations):
        trip = text(row["trip_id"])
        found.setdefault(trip, []).append(_answer(row, asked.get((trip, text(row["rule"])))))
    return found


def corrections_by_trip(review: MonthReview) -> dict[str, list[Correction]]:
    """The corrections in force in the month's trips, by trip."""
    found: dict[str, list[Correction]] = {}
    for row in corrections_data(review.followup, review):
        found.setdefault(row.trip, []).append(row)
    return found


def _answer(row: Row, asked: Row | None) -> Answer:
    rule, readers = text(row["rule"]), int(row["readers"] or 0)
    conclusion = text(row["conclusion"])
    due = text(asked["due_month"]) if asked else ""
    action = text(asked["action"]) if asked else ""
    alike = "alike" if row["agreed"] else "not alike: the later holds"
    return Answer(
        title=words.rule_title(rule) if rule else "The case as a whole",
        conclusion=words.plain(conclusion) if conclusion else UNCONCLUDED,
        status=STATUS_WORDS.get(text(row["status"]), words.plain(text(row["status"]))),
        refer_to=text(row["refer_to"]),
        reviewer=text(row["reviewer"]),
        readers="" if readers < 2 else f"{readers} readers, {alike}",
        action=f"{action} (due {words.month_name(due)})" if action and due else action,
    )


def status_by_trip(review: MonthReview) -> dict[str, str]:
    """For trips with an answer: 'closed: practice', 'open', 'awaiting the crew'."""
    statuses = {}
    for trip, answers in answers_by_trip(review).items():
        unclosed = [a.status for a in answers if a.status != STATUS_WORDS["closed"]]
        status = unclosed[0] if unclosed else STATUS_WORDS["closed"]
        concluded = sorted({a.conclusion for a in answers} - {UNCONCLUDED})
        statuses[trip] = f"{status}: {words.listed(concluded)}" if concluded else status
    return statuses
