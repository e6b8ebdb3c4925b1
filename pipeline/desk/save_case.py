"""A case's form as saved: answers, an action, a query, a second reading; all of it or nothing."""

from __future__ import annotations

import hashlib
import json

from pipeline.desk.case import kept_from, mark_now
from pipeline.desk.drafts import Fields, drop_draft
from pipeline.desk.frame import a_month
from pipeline.desk.piece import after
from pipeline.errors import Problem
from pipeline.followup.answers import check_answers
from pipeline.followup.by_hand import approved_everything
from pipeline.followup.determine import store_answers
from pipeline.followup.moves import Move, month_under_review, move, new_key, standing
from pipeline.followup.screen_text import screened_texts
from pipeline.followup.second_reading import ask_second_reading
from pipeline.followup.sheets import Cells, Row, Sheet
from pipeline.followup.states import AWAITING, CLOSED, DIFFERS, REFERRED
from pipeline.store.sql import literal
from reports.text import words
from schemas.connection import Connection
from schemas.findings import HOLDS, MISSED
from schemas.record import dataclass

FORM = "the form"
TEXTS = ("note", "action", "query")
"""Fields of free text, which are screened."""

NOTHING = "nothing"
"""The answer that nothing was missed, of the audit's question; a sheet says it by closing the
trip without a conclusion."""

MONTHS = ("due_month", "query_due")
SAYS = ("missed", "status", "refer_to", "second", *TEXTS)
"""Fields that say something by themselves."""


class NotSaved(Exception):  # noqa: N818 - it is what the form is
    """Nothing was stored: the trip or its answers changed, or something cannot stand."""

    def __init__(self, problems: list[Problem], *, changed: bool = False) -> None:
        self.problems, self.changed = problems, changed
        super().__init__("; ".join(problem.sentence() for problem in problems))


@dataclass(frozen=True)
class CaseForm:
    """What stands in a case's form."""

    trip_id: str
    mark: str
    fields: Fields

    def one(self, name: str) -> str | None:
        """The one value of a field, stripped; None where it is empty."""
        return next((v.strip() for v in self.fields.get(name, []) if v.strip()), None)

    @property
    def empty(self) -> bool:
        """Whether nothing is chosen and nothing written."""
        named = (*SAYS, *(f"finding {rule}" for rule in self.rules))
        return not any(self.one(name) for name in named)

    @property
    def rules(self) -> list[str]:
        """Every rule the form has a question on, in its order."""
        return self.fields.get("rule", [])

    @property
    def status(self) -> str | None:
        """Where the case is to stand: a new referral or query says it, whatever else is ticked."""
        said, to = self.one("status"), self.one("refer_to")
        if to and to != self.one("was_referred"):
            return REFERRED
        return AWAITING if self.one("query") and said != REFERRED else said

    def month(self, name: str) -> str | None:
        """A month as YYYY-MM; None where none can be read."""
        return a_month(self.one(name) or "")

    @property
    def place(self) -> str:
        """Where its draft is kept."""
        return f"case {self.trip_id}"

    def sheet(self, by: str) -> Sheet:
        """The form as a sheet: a row for each group of rules that is answered alike."""
        said: dict[tuple[str, str], list[str]] = {}
        for rule in self.rules:
            if conclusion := self.one(f"finding {rule}"):
                # what contributed is asked only of what holds; what is ticked from before is none
                ticked = self.fields.get(f"contributed {rule}", []) if conclusion == HOLDS else []
                causes = " ".join(ticked)
                said.setdefault((conclusion, causes), []).append(rule)
        if (missed := self.one("missed")) and missed != NOTHING:
            said.setdefault((MISSED, ""), []).append(missed)
        if not said:
            # nothing is concluded: what is said is of the case alone
            said["", ""] = self.rules
        case: Cells = {
            "trip_id": self.trip_id, "status": self.status, "reviewer": by,
            "note": self.one("note"),
            "refer_to": self.one("refer_to") if self.status == REFERRED else None,
        }  # fmt: skip
        rows = [
            Row(line, {**case, "rules": " ".join(rules) or None, "conclusion": conclusion or None,
                       "contributed": causes or None})
            for line, ((conclusion, causes), rules) in enumerate(said.items(), start=1)
        ]  # fmt: skip
        text = json.dumps([row.cells for row in rows], sort_keys=True, ensure_ascii=False)
        return Sheet(FORM, hashlib.sha256(text.encode()).hexdigest(), rows)


def save_case(con: Connection, form: CaseForm, by: str) -> str:
    """Store what the form says; in a transaction, which NotSaved must end. What was kept, in words.

    The same rules as for a sheet: `pipeline.followup.answers` and `case_rules`.
    """
    sheet = form.sheet(by)
    checked = check_answers(con, sheet, by)
    trip = checked.trips.get(form.trip_id)
    if trip is None:
        raise NotSaved([Problem(None, None, "trip", "unknown-trip",
                                "the store has no such trip", "Look at the list.")])  # fmt: skip
    if form.mark != mark_now(con, trip, form.trip_id, by):
        raise NotSaved([Problem(
            None, None, form.trip_id, "stale-answer",
            "the trip, its verdicts or an answer to it changed after this form was opened",
            "What stands now is shown beside what you wrote. Look at both, and save again.",
        )], changed=True)  # fmt: skip
    if why := kept_from(checked.standing, form.trip_id, by):
        raise NotSaved([Problem(None, None, form.trip_id, "own-trip", why.rstrip("."), "")])
    audit = checked.standing.cases[form.trip_id].audit
    problems = [*checked.problems, *_nothing_said(form), *_text_problems(con, form),
                *_month_problems(form),
                *_audit_problems(form, audit=audit)]  # fmt: skip
    if problems:
        raise NotSaved(problems)
    store_answers(con, checked, sheet, "desk", by)
    beside = _beside(con, form, by, trip.month)
    drop_draft(con, by, form.place)
    return "; ".join([_stands(con, form), *beside, *_unanswered(con, form)])


def _stands(con: Connection, form: CaseForm) -> str:
    """Where the case stands now, which another reading may keep from where the form puts it."""
    second = standing(con, "second_reading", form.trip_id)
    if second and second.state == DIFFERS:
        return "open: two readers differ, and somebody who has not read it settles that"
    if form.status == REFERRED:
        return f"referred to the {form.one('refer_to')}"
    return words.plain(form.status or "")


def _unanswered(con: Connection, form: CaseForm) -> list[str]:
    """That a case is closed before its crew has answered."""
    if form.status != CLOSED:
        return []
    rows = con.execute(
        "SELECT key FROM loop.standing WHERE thing = 'query' AND state = 'asked' AND trip_id = ?"
        " ORDER BY move_no", [form.trip_id],
    ).fetchall()  # fmt: skip
    return [f"the crew has not answered {key}" for (key,) in rows]


def _nothing_said(form: CaseForm) -> list[Problem]:
    what, remedy = "nothing is chosen and nothing written", "Say something, or pass it over."
    return [Problem(FORM, None, "status", "missing-value", what, remedy)] if form.empty else []


def _month_problems(form: CaseForm) -> list[Problem]:
    what = "must be a month, such as 2026-08 or August 2026"
    return [
        Problem(FORM, None, name, "not-a-token", what, "Write it so.")
        for name in MONTHS if form.one(name) and not form.month(name)
    ]  # fmt: skip


def _audit_problems(form: CaseForm, *, audit: bool) -> list[Problem]:
    """That a trip drawn at random is closed without its one question answered."""
    if not audit or form.status != CLOSED or form.one("missed"):
        return []
    what = "must say whether something was missed on a trip that was drawn at random"
    return [Problem(FORM, None, "missed", "missing-value", what, "Answer it, or leave it open.")]


def _text_problems(con: Connection, form: CaseForm) -> list[Problem]:
    remedy = "Take it out: tokens and what happened are enough."
    texts = {name: form.one(name) for name in TEXTS[1:] if form.one(name)}
    return [
        Problem(FORM, None, name, "private-content", f"it looks like {kind}", remedy)
        for name, kind in screened_texts(con, texts).items()
    ]


def _beside(con: Connection, form: CaseForm, by: str, month: str) -> list[str]:
    """Store what the form asks for beside the answers: an action, a query, a second reading.

    Each in words. A query without a month is due the month after the one under review.
    """
    kept = []
    rules = " ".join(form.rules) or None
    now = month_under_review(con)
    (base,) = con.execute(
        "SELECT base FROM delivered.holding h JOIN delivered.trips USING (trip_key)"
        f" WHERE h.trip_id = {literal(form.trip_id)}"
    ).fetchall()[0]
    if action := form.one("action"):
        key = new_key(con, "action", "A")
        move(con, Move("action", key, "proposed", now, by, trip_id=form.trip_id, rule=rules,
                       base=base, owner=form.one("owner") or by,
                       due_month=form.month("due_month"), what=action))  # fmt: skip
        kept.append(f"action {key}")
    if query := form.one("query"):
        if not approved_everything(con, month):
            raise NotSaved([Problem(FORM, None, "query", "not-approved",
                                    "nothing is sent to a crew under limits nobody has approved",
                                    "Have the limits approved first.")])  # fmt: skip
        key, due = new_key(con, "query", "Q"), form.month("query_due") or after(now)
        move(con, Move("query", key, "asked", now, by, trip_id=form.trip_id, rule=rules, base=base,
                       owner=by, due_month=due, what=query))  # fmt: skip
        kept.append(f"the crew is asked ({key}), due {words.month_name(due)}")
    if form.one("second"):
        ask_second_reading(con, form.trip_id, by)
        kept.append("a second reading is asked for")
    return kept
