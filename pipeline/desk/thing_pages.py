"""Pages of what people look after beside cases: actions, records, trips by hand."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from pipeline.desk import ask
from pipeline.desk.drafts import Fields
from pipeline.desk.faults import quoted
from pipeline.desk.frame import a_month, at, form, form_page, go_to, link, one, rooms, visitor
from pipeline.errors import Mistake
from pipeline.followup.by_hand import add_trip
from pipeline.followup.moves import Move, month_under_review, move, new_key, standing
from pipeline.followup.screen_text import check_text
from pipeline.followup.states import THINGS
from pipeline.store.actions_view import ACTIONS
from reports.text import words
from schemas.connection import Connection


def nothing_there(request: Request) -> Response:
    """The page where what was asked for is not there."""
    lines = ["There is nothing of that name. It may have been closed by somebody else."]
    return form_page(request, "Not there", lines=lines, status=404)


def not_done(request: Request, mistake: Mistake, back: str) -> Response:
    """The page that says why nothing was stored, and what was written."""
    fields: Fields = request.scope.get("fields", {})
    written = [
        (words.plain(name).capitalize(), value)
        for name, values in fields.items()
        if name not in ("form", "mark", "key", "go", "state")
        for value in values
    ]
    problems = [p.sentence() for p in quoted(mistake.problems, fields)]
    return form_page(request, "Not done", status=409, facts=written, problems=problems,
                     links=[link("Back", back)])  # fmt: skip


# ---- actions


def show_actions(request: Request) -> Response:
    """Every action, the open ones first, and a form for a new one."""
    with rooms(request).desk.reading() as con:
        rows = con.execute(f"""
            SELECT key, state, what, owner, due_month, trip_id FROM ({ACTIONS})
            ORDER BY state NOT IN ('proposed', 'under_way'), due_month NULLS LAST, key LIMIT 500
        """).fetchall()
    links = [
        link(what, at("/action", key=key),
             ", ".join(filter(None, [words.plain(state), owner, due and f"due {due}", trip])))
        for key, state, what, owner, due, trip in rows
    ]  # fmt: skip
    new = form(request, "/action", "Keep", title="A new action", fields=_action_fields({}))
    return form_page(request, "Actions", links=links, forms=[new])


def show_action(request: Request) -> Response:
    """One action, and where it may go."""
    key = request.query_params.get("key", "")
    with rooms(request).desk.reading() as con:
        found = _action(con, key)
    if not found:
        return nothing_there(request)
    state = found["state"]
    ends = [after_ for (before, after_) in THINGS["action"].moves if before == state]
    fields = [
        ask.hidden("key", key),
        ask.choice("state", "It is", state, {s: words.plain(s) for s in (state, *ends)}),
        *_action_fields(found)[1:],
        ask.text("why", "What came of it, or why it is not pursued", found["why"]),
    ]
    facts = [("State", words.plain(state)), ("Opened", words.month_name(found["opened"]))]
    trip = found["trip_id"]
    return form_page(request, "An action", lines=[found["what"]], facts=facts,
                     links=[link(trip, at("/case", trip=trip))] if trip else [],
                     forms=[form(request, "/action", "Keep", fields=fields)])  # fmt: skip


def save_action(request: Request, fields: Fields) -> Response:
    """Store a new action, or where one goes."""
    key, what = one(fields, "key"), one(fields, "what")
    try:
        with rooms(request).desk.writing() as con:
            check_text(con, {n: one(fields, n) for n in ("what", "why", "owner", "due_month")})
            by, now = visitor(request).by, month_under_review(con)
            due = due_month_of(one(fields, "due_month"))
            found = _action(con, key) if key else None
            if key and not found:
                return nothing_there(request)
            given = Move(
                "action", key or new_key(con, "action", "A"),
                one(fields, "state") or "proposed", now, by,
                owner=one(fields, "owner") or None, due_month=due,
                what=what or None, why=one(fields, "why") or None,
            )  # fmt: skip
            if found and standing(con, "action", key) is None:
                given = _of_a_sheet(con, given, found)
            move(con, given)
    except Mistake as mistake:
        return not_done(request, mistake, at("/action", key=key) if key else "/actions")
    return go_to(at("/actions", said="Kept."))


def _of_a_sheet(con: Connection, given: Move, found: dict[str, Any]) -> Move:
    """The move of an action that a sheet asked for: as it stood there it is stored first."""
    move(con, Move("action", given.key, "proposed", found["opened"], None,
                   trip_id=found["trip_id"], rule=found["rule"], owner=found["owner"],
                   due_month=found["due_month"], what=found["what"]))  # fmt: skip
    return given


def _action(con: Connection, key: str) -> dict[str, Any]:
    found = con.execute(f"SELECT * FROM ({ACTIONS}) WHERE key = ?", [key])
    names = [column[0] for column in found.description or []]
    rows = found.fetchall()
    return dict(zip(names, rows[0], strict=True)) if rows else {}


def _action_fields(found: dict[str, Any]) -> list[dict[str, Any]]:
    return [
        ask.line("what", "What is to be done, naming nobody", found.get("what"), required=True),
        ask.line("owner", "For whom, by token", found.get("owner"), most=64),
        due_field(found.get("due_month")),
    ]


def due_field(value: str | None = "") -> dict[str, Any]:
    """The month something is due."""
    return ask.line("due_month", "Due, such as 2026-08", value, most=20)


def due_month_of(text: str) -> str | None:
    """A month that somebody wrote, as YYYY-MM; a Mistake for anything else."""
    from pipeline.errors import refused

    month = a_month(text)
    if text and not month:
        what = "must be a month, such as 2026-08 or August 2026"
        raise refused("not-a-move", None, what, column="due_month", remedy="Write it so.")
    return month


# ---- a trip by hand


def show_add(request: Request) -> Response:
    """A form for a case by hand."""
    fields = [
        ask.line("trip", "Token of the trip", most=64, required=True),
        ask.line("why", "Why it should be read, naming nobody", required=True),
    ]
    lines = ["A crew's own report, a complaint, a debrief: the trip is read with the month's."]
    add = form(request, "/add", "Add", fields=fields)
    return form_page(request, "Add a trip", lines=lines, forms=[add])


def save_add(request: Request, fields: Fields) -> Response:
    """Store that a trip is to be read."""
    trip = one(fields, "trip")
    with rooms(request).desk.writing() as con:
        add_trip(con, trip, one(fields, "why") or "added by hand", visitor(request).by)
    return go_to(at("/case", trip=trip, said=f"{trip} is to be read."))


# ---- records to fetch


def show_fetch(request: Request) -> Response:
    """What one base is asked for, a line a trip."""
    base = request.query_params.get("base", "")
    with rooms(request).desk.reading_work() as con:
        rows = con.execute(
            "SELECT trip_id, why, state, month FROM judged.work WHERE kind = 'fetch' AND base = ?"
            " AND state <> 'arrived' ORDER BY place", [base],
        ).fetchall()  # fmt: skip
    if not rows:
        return nothing_there(request)
    options = {"asked": "asked for", "not_to_be_had": "not to be had"}
    fields = [
        ask.tick("trip", f"{trip}, {words.month_name(month)}: {why} ({words.plain(state)})", trip)
        for trip, why, state, month in rows
    ]
    fields.append(ask.choice("state", "The records chosen are", "asked", options))
    fields.append(ask.hidden("base", base))
    lines = ["A record that arrives with a delivery leaves the list by itself."]
    keep = form(request, "/fetch", "Keep", fields=fields)
    return form_page(request, f"Records to fetch, base {base}", lines=lines, forms=[keep])


def save_fetch(request: Request, fields: Fields) -> Response:
    """Store that records were asked for, or are not to be had."""
    from pipeline.followup.fetch import say
    from schemas.work import SAID_OF_FETCH

    own, trips, state = rooms(request), fields.get("trip", []), one(fields, "state")
    if trips and state in SAID_OF_FETCH:
        with own.desk.apart():
            say(own.desk.folder, state, trips=trips, by=visitor(request).by)
    return go_to(at("/", kind="fetch", said="Kept." if trips else "Nothing kept: tick the trips."))
