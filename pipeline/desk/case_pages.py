"""The pages of one case and of a batch: what is shown, and what their forms store."""

from __future__ import annotations

from secrets import token_hex
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response

from pipeline.desk.case import CaseView, case_view, drawn_case
from pipeline.desk.doors import form_token
from pipeline.desk.drafts import Fields, draft_of, keep_draft
from pipeline.desk.faults import as_on_the_form, at_fault, quoted
from pipeline.desk.frame import answer, at, form_page, go_to, one, rooms, visitor, worker
from pipeline.desk.open_work import next_to_read
from pipeline.desk.save_case import NOTHING, TEXTS, CaseForm, NotSaved, save_case
from pipeline.desk.waiting import signal_name
from pipeline.errors import Problem
from pipeline.followup.given import FINDINGS as FLAGS
from pipeline.followup.own_signals import signals_behind
from pipeline.followup.screen_text import screened_texts
from pipeline.followup.states import ASKED, AWAITING, CLOSED, OPEN
from pipeline.store.database import open_scratch
from reports.text import words
from schemas.connection import Connection
from schemas.findings import CONTRIBUTED, FINDINGS, MISSED
from schemas.followup import REFER_TO, STATUSES

if TYPE_CHECKING:
    from reports.case.data import CasePage

CAUSE_KEYS = "QWETYUI"
STATE_KEYS = dict(zip(STATUSES, "OARC", strict=True))


def show_case(request: Request) -> Response:
    """A case to be read."""
    trip = request.query_params.get("trip", "")[:64]
    return _case(request, trip)


def save(request: Request, fields: Fields) -> Response:
    """Store a case's form, and go on to the next or stay."""
    own, by = rooms(request), worker(request)
    form = CaseForm(one(fields, "trip")[:64], one(fields, "mark"), fields)
    try:
        with own.desk.writing() as con:
            kept = save_case(con, form, by)
            # within the turn, so that a draft that waits for it sees it
            own.kept_forms.append(one(fields, "shown"))
    except NotSaved as refused:
        with own.desk.writing() as con:
            keep_draft(con, by, form.place, form.mark, _worth_keeping(fields))
        problems = quoted(refused.problems, fields)
        return _case(request, form.trip_id, problems=problems, status=409)
    to = "/case" if one(fields, "go") == "stay" else "/next"
    return go_to(at(to, trip=form.trip_id, said=f"Kept: {form.trip_id}, {kept}."))


def go_on(request: Request) -> Response:
    """On to the case that follows a trip in the reader's list, or to the list."""
    own, by, asked = rooms(request), worker(request), request.query_params
    with own.desk.reading_work() as con:
        order = own.desk.order.setdefault(by, [])
        trip = next_to_read(con, by, order, asked.get("trip", "")[:64])
    said = {"said": asked["said"][:200]} if "said" in asked else {}
    return go_to(at("/case", trip=trip, **said) if trip else at("/", **said))


def draft(request: Request, fields: Fields) -> Response:
    """Keep what stands in a case's form."""
    own, by = rooms(request), visitor(request).by
    if by and (trip := one(fields, "trip")[:64]):
        with own.desk.writing() as con:
            if (shown := one(fields, "shown")) and shown in own.kept_forms:
                return Response(status_code=204)
            form = CaseForm(trip, one(fields, "mark"), fields)
            keep_draft(con, by, form.place, form.mark, _worth_keeping(fields))
        # looked at now, so that saving it need not
        with open_scratch() as con:
            screened_texts(con, {name: one(fields, name) for name in TEXTS})
    return Response(status_code=204)


def _worth_keeping(fields: Fields) -> Fields:
    return {k: v for k, v in fields.items() if k not in ("form", "mark", "go", "place", "shown")}


def _case(
    request: Request, trip: str, problems: list[Problem] | None = None, status: int = 200
) -> Response:
    from reports.case.pages import rendered

    own, by = rooms(request), worker(request)
    with own.desk.reading_work() as con:
        view = case_view(con, trip, by)
        drawn = drawn_case(con, trip, own.version) if view else None
        kept = draft_of(con, by, f"case {trip}")
        beside = _beside(con, trip)
    if view is None or drawn is None:
        lines = ["The store has no such trip, or no protocol version judged it."]
        return form_page(request, "No such trip", lines=lines, status=404)
    return answer(
        request, "desk_case.html", f"Trip {trip}", status=status,
        problems=as_on_the_form(problems or []), faults=at_fault(problems or []),
        service=drawn.service, protocol=drawn.protocol, case=drawn, rendered=rendered(drawn),
        place=f"case {trip}", shown=token_hex(8), draft=_of_draft(kept, view, problems),
        form_token=form_token(visitor(request), "/case"),
        draft_token=form_token(visitor(request), "/draft"),
        **_stands(view, by), **beside,
        **_asked(drawn, view, kept[1] if kept else {}, by, drafted=kept is not None),
    )  # fmt: skip


def _stands(view: CaseView, by: str) -> dict[str, Any]:
    """Where the case stands, and what was said of it as a whole."""
    now = view.now
    return {
        "state": words.plain(now.state), "refer_to": now.refer_to or "",
        "answered": now.answered and now.state == AWAITING, "second": now.second or "",
        "amends": now.second == ASKED and by in now.readers,
        "kept_from": view.kept_from, "mark": view.mark, "notes": view.notes,
    }  # fmt: skip


def _asked(
    drawn: CasePage, view: CaseView, fields: Fields, by: str, *, drafted: bool
) -> dict[str, Any]:
    """What the form asks, with what was said and chosen before."""
    return {
        "flags": _flags(drawn, view, fields, drafted=drafted),
        "said_of_case": _said_beside(drawn, view),
        "audit": view.now.audit, "may_miss": _may_miss(drawn, view, fields),
        "nothing": NOTHING, "nothing_missed": _nothing_missed(view, fields, by),
        "asks_words": "" if by in view.now.closers else view.now.asks_words,
        "states": _states(view, fields),
        "refer": _choices(REFER_TO, fields.get("refer_to", [view.now.refer_to or ""])),
        "fields": {n: one(fields, n) for n in ("note", "action", "owner", "due_month", "query",
                                               "query_due", "second")},
    }  # fmt: skip


def _beside(con: Connection, trip: str) -> dict[str, Any]:
    """What stands beside a case: words to its crew, signals it is behind, why it was added."""
    standing = "FROM loop.standing WHERE thing = ? AND trip_id = ? ORDER BY move_no"
    queries = con.execute(f"SELECT key, what, state, why {standing}", ["query", trip]).fetchall()
    praise = con.execute(f"SELECT key, what {standing}", ["good_care", trip]).fetchall()
    added = con.execute(f"SELECT what {standing}", ["added", trip]).fetchall()
    return {
        "queries": [{"key": key, "what": what, "state": state, "answer": why or ""}
                    for key, what, state, why in queries],
        "praise": [{"key": key, "what": what} for key, what in praise],
        "may_praise": not any(state == ASKED for _, _, state, _ in queries),
        "added": added[0][0] if added else "",
        "signals": [
            {"href": at("/signal", key=s.key), "name": signal_name(s)}
            for s in signals_behind(con, trip) if s.state != CLOSED
        ],
    }  # fmt: skip


def _of_draft(
    kept: tuple[str, Fields] | None, view: CaseView, problems: list[Problem] | None
) -> str:
    if kept is None or problems:
        return ""
    if kept[0] != view.mark:
        return (
            "Your draft is of an earlier state: the trip, its verdicts or an answer has changed"
            " since. What stands now is shown beside it."
        )
    return "A draft that you did not save yet."


def _flags(drawn: CasePage, view: CaseView, fields: Fields, *, drafted: bool) -> list[Any]:
    """The findings with what was said of each and the form's choices."""
    found = []
    for group in drawn.groups:
        for row in group.rows:
            if group.verdict not in FLAGS[:2]:
                continue
            rule = row.rule
            own = view.own.get(rule, {})
            chosen = fields.get(f"finding {rule}", []) if drafted else [own.get("conclusion")]
            causes = (
                fields.get(f"contributed {rule}", [])
                if drafted else (own.get("contributed") or "").split()
            )  # fmt: skip
            found.append({
                **row._asdict(), "said": [_said(a) for a in view.said.get(rule, [])],
                "options": _choices(FINDINGS, chosen, words.FINDING_WORDS, "1234"),
                "causes": _choices(CONTRIBUTED, causes, words.CONTRIBUTED_WORDS, CAUSE_KEYS),
            })  # fmt: skip
    return found


def _said(row: dict[str, Any], unsaid: str = "closed without a conclusion") -> dict[str, str]:
    conclusion = words.FINDING_WORDS.get(row["conclusion"] or "", unsaid)
    if row["conclusion"] is None and row["status"] != CLOSED:
        conclusion = "not concluded"
    causes = [words.CONTRIBUTED_WORDS.get(c, c) for c in (row["contributed"] or "").split()]
    return {
        "words": f"{conclusion}{': ' + ', '.join(causes) if causes else ''}",
        "reviewer": row["reviewer"],
        "stale": "; the record has changed since" if row["stale"] else "",
    }


def _said_beside(drawn: CasePage, view: CaseView) -> list[dict[str, str]]:
    """What was said of the case as a whole, and of rules that do not flag it, or no more."""
    flagged = {row.rule for group in drawn.groups if group.verdict in FLAGS[:2]
               for row in group.rows}  # fmt: skip
    found = []
    for rule, rows in view.said.items():
        if rule not in flagged:
            title = f"{words.rule_title(rule)}: " if rule else ""
            for row in rows:
                said = _said(row, _unsaid(view, row["reviewer"]))
                found.append({**said, "words": title + said["words"]})
    return found


def _unsaid(view: CaseView, reader: str) -> str:
    """What a reader has said who closed a case and concluded on no rule."""
    if view.now.audit:
        return "nothing missed"
    noted = any(reader == who for _, who in view.notes)
    return "closed with a note" if noted else "closed, nothing written"


def _may_miss(drawn: CasePage, view: CaseView, fields: Fields) -> list[dict[str, Any]]:
    """Rules that did not flag the trip, and may have missed something."""
    said = [rule for rule, own in view.own.items() if own["conclusion"] == MISSED]
    chosen = one(fields, "missed") or next(iter(said), "")
    return [
        {"rule": row.rule, "title": row.title, "chosen": row.rule == chosen}
        for group in drawn.groups if group.verdict not in FLAGS[:2]
        for row in group.rows
    ]  # fmt: skip


def _nothing_missed(view: CaseView, fields: Fields, by: str) -> bool:
    """Whether the reader has said that nothing was missed; it is never taken for granted."""
    if "missed" in fields:
        return one(fields, "missed") == NOTHING
    said = any(own["conclusion"] == MISSED for own in view.own.values())
    return by in view.now.closers and view.now.audit and not said


def _states(view: CaseView, fields: Fields) -> list[dict[str, Any]]:
    # of an open case nothing is chosen beforehand: whether it is closed, the answers say
    chosen = fields.get("status") or [view.now.state if view.now.state != OPEN else ""]
    return _choices(STATUSES, chosen, {}, "".join(STATE_KEYS.values()))


def _choices(
    values: list[str], chosen: list[Any], called: dict[str, str] | None = None, keys: str = ""
) -> list[dict[str, Any]]:
    return [
        {
            "value": value,
            "word": (called or {}).get(value, words.plain(value)),
            "checked": value in chosen,
            "key": keys[place] if place < len(keys) else "",
        }
        for place, value in enumerate(values)
    ]
