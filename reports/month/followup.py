"""What followed the flags, as page data: readers' answers, restatements, actions, the audit.

Records of numbers and sentences; no HTML. Every function copes with a review without a loop.
"""

from __future__ import annotations

from dataclasses import field
from typing import TYPE_CHECKING

from reports.director.audit import Audit, audit_data
from reports.month.restated import Restated, restated
from reports.text import words
from reports.text.case_links import case_files, trip_link
from reports.text.plain_rows import Row, grouped, text
from reports.text.sentences import share_sentence
from schemas.record import dataclass

if TYPE_CHECKING:
    from schemas.followup_outputs import FollowUpReview
    from schemas.month_review import MonthReview

STATUS_WORDS = {"open": "open", "awaiting_crew": "awaiting the crew", "closed": "closed"}
UNCONCLUDED = "none yet"
CONFIRMED = "confirmed-deviation-share"


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
    listed = review.cases.rows(review.cases["kind"] != "batch")
    if followup is None:
        return FollowUp(False, restated(review), actions(review), len(listed))
    closed = closed_trips(followup)
    cases = [text(c["trip_id"]) for c in listed.only(["trip_id"]).records()]
    read = sum(trip in closed for trip in cases)
    return FollowUp(
        present=True,
        restated=restated(review),
        actions=actions(review),
        left=len(cases) - read,
        read=read,
        publication=publication_sentence(review, followup),
        audit=audit_data(followup, review),
        agreement=agreement_sentence(followup, review),
        corrections=corrections_data(review),
    )


def closed_trips(followup: FollowUpReview) -> set[str]:
    """Trips of the month all of whose answers that hold are closed."""
    status: dict[str, set[str]] = {}
    for row in followup.determinations.records():
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


def actions(review: MonthReview) -> Actions:
    """Actions that readers asked for and nobody has closed, those overdue first."""
    asked = review.followup.follow_ups.records() if review.followup else []
    rows = [_action(r, review) for r in asked]
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
    rules = [words.rule_title(r) for r in text(row["rules"]).split()]
    return Action(
        trip=trip,
        file=trip_link(trip, case_files(review)).href,
        month=words.month_name(text(row["month"])),
        base=text(row["base"]),
        rules=words.listed(rules) or ("the case as a whole" if trip else "no single trip"),
        conclusion=words.plain(text(row["conclusion"])),
        status=_status(row) if trip else "",
        refer_to=text(row["refer_to"]) or text(row["reviewer"]),
        action=text(row["action"]),
        due=due,
        due_name=words.month_name(due) if due else "no month set",
        overdue=bool(row["overdue"]),
    )


def _status(row: Row) -> str:
    status = text(row["status"])
    return STATUS_WORDS.get(status, words.plain(status))


def agreement_sentence(followup: FollowUpReview, review: MonthReview) -> str:
    """How far two readers of one case agree; empty where no case had two."""
    found = {text(r["month"]): r for r in followup.agreement.records()}
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


def corrections_data(review: MonthReview) -> tuple[Correction, ...]:
    """Corrected values in force in trips of the month."""
    if review.followup is None:
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
        for r in review.followup.corrections.records()
        if text(r["month"]) == review.month
    )


def confirmed_by_rule(review: MonthReview) -> dict[str, Confirmed]:
    """Each rule's variance share as readers confirmed it this month, where they read any flag."""
    if review.followup is None:
        return {}
    quality = review.followup.screen_quality
    flags = quality.rows((quality["month"] == review.month) & (quality["verdict"] == "deviation"))
    frame = review.measures
    own = frame.rows((frame["measure"] == CONFIRMED) & (frame["month"] == review.month))
    shares = {text(r["group_value"]): r for r in own.records()}
    found = {}
    for row in flags.records():
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
        for r in followup.follow_ups.records()
        for rule in text(r["rules"]).split() or [""]
    }
    found: dict[str, list[Answer]] = {}
    for row in followup.determinations.records():
        trip = text(row["trip_id"])
        found.setdefault(trip, []).append(_answer(row, asked.get((trip, text(row["rule"])))))
    return found


def corrections_by_trip(review: MonthReview) -> dict[str, list[Correction]]:
    """The corrections in force in the month's trips, by trip."""
    return grouped(corrections_data(review), lambda row: row.trip)


def _answer(row: Row, asked: Row | None) -> Answer:
    rule, readers = text(row["rule"]), int(row["readers"] or 0)
    conclusion = text(row["conclusion"])
    due = text(asked["due_month"]) if asked else ""
    action = text(asked["action"]) if asked else ""
    owner = text(asked["reviewer"]) if asked else ""
    alike = "alike" if row["agreed"] else "not alike: the later holds"
    return Answer(
        title=words.rule_title(rule) if rule else "The case as a whole",
        conclusion=words.plain(conclusion) if conclusion else UNCONCLUDED,
        status=_status(row),
        refer_to=text(row["refer_to"]) or owner,
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
