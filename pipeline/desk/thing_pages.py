"""Pages of what people look after beside cases: actions, records, trips by hand."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import Response

from pipeline.desk.drafts import Fields
from pipeline.desk.faults import quoted
from pipeline.desk.frame import a_month, answer, form, go_to, one, rooms, visitor
from pipeline.errors import Mistake
from pipeline.followup.by_hand import add_trip
from pipeline.followup.moves import Move, month_under_review, move, new_key, standing
from pipeline.followup.screen_text import check_text
from pipeline.followup.states import THINGS
from pipeline.store.actions_view import ACTIONS
from reports.text import words

if TYPE_CHECKING:
    import duckdb


def nothing_there(request: Request) -> Response:
    """The page where what was asked for is not there."""
    lines = ["There is nothing of that name. It may have been closed by somebody else."]
    return answer(request, "desk_form.html", "Not there", lines=lines, forms=[], facts=[],
                  links=[], status=404)  # fmt: skip


def not_done(request: Request, mistake: Mistake, back: str) -> Response:
    """The page that says why nothing was stored, and what was written."""
    fields: Fields = request.scope.get("fields", {})
    written = [
        (words.plain(name).capitalize(), value)
        for name, values in fields.items()
        if name not in ("form", "mark", "key", "go", "state")
        for value in values
    ]
    return answer(
        request, "desk_form.html", "Not done", status=409, forms=[], facts=written,
        problems=[p.sentence() for p in quoted(mistake.problems, fields)], lines=[],
        links=[{"href": back, "label": "Back"}],
    )  # fmt: skip


# ---- actions


def show_actions(request: Request) -> Response:
    """Every action, the open ones first, and a form for a new one."""
    with rooms(request).desk.reading() as con:
        rows = con.execute(f"""
            SELECT key, state, what, owner, due_month, trip_id FROM ({ACTIONS})
            ORDER BY state NOT IN ('proposed', 'under_way'), due_month NULLS LAST, key LIMIT 500
        """).fetchall()
    links = [
        {"href": f"/action?{urlencode({'key': key})}", "label": what,
         "more": ", ".join(filter(None, [words.plain(state), owner, due and f"due {due}", trip]))}
        for key, state, what, owner, due, trip in rows
    ]  # fmt: skip
    new = form(request, "/action", "Keep", title="A new action", fields=_action_fields({}))
    return answer(request, "desk_form.html", "Actions", lines=[], facts=[], links=links,
                  forms=[new])  # fmt: skip


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
        {"kind": "hidden", "name": "key", "value": key},
        {"kind": "choice", "name": "state", "label": "It is", "value": state,
         "options": _options([state, *ends])},
        *_action_fields(found)[1:],
        {"kind": "long", "name": "why", "label": "What came of it, or why it is not pursued",
         "value": found["why"] or ""},
    ]  # fmt: skip
    facts = [("State", words.plain(state)), ("Opened", words.month_name(found["opened"]))]
    links = [{"href": f"/case?{urlencode({'trip': found['trip_id']})}", "label": found["trip_id"]}
             ] if found["trip_id"] else []  # fmt: skip
    return answer(request, "desk_form.html", "An action", lines=[found["what"]], facts=facts,
                  links=links, forms=[form(request, "/action", "Keep", fields=fields)])  # fmt: skip


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
        return not_done(request, mistake, f"/action?{urlencode({'key': key})}" if key else
                        "/actions")  # fmt: skip
    return go_to(f"/actions?{urlencode({'said': 'Kept.'})}")


def _of_a_sheet(con: duckdb.DuckDBPyConnection, given: Move, found: dict[str, Any]) -> Move:
    """The move of an action that a sheet asked for: as it stood there it is stored first."""
    move(con, Move("action", given.key, "proposed", found["opened"], None,
                   trip_id=found["trip_id"], rule=found["rule"], owner=found["owner"],
                   due_month=found["due_month"], what=found["what"]))  # fmt: skip
    return given


def _action(con: duckdb.DuckDBPyConnection, key: str) -> dict[str, Any]:
    found = con.execute(f"SELECT * FROM ({ACTIONS}) WHERE key = ?", [key])
    names = [column[0] for column in found.description or []]
    rows = found.fetchall()
    return dict(zip(names, rows[0], strict=True)) if rows else {}


def _action_fields(found: dict[str, Any]) -> list[dict[str, Any]]:
    return [
        {"kind": "text", "name": "what", "label": "What is to be done, naming nobody",
         "value": found.get("what") or "", "required": True},
        {"kind": "text", "name": "owner", "label": "For whom, by token", "most": 64,
         "value": found.get("owner") or ""},
        {"kind": "text", "name": "due_month", "label": "Due, such as 2026-08", "most": 20,
         "value": found.get("due_month") or ""},
    ]  # fmt: skip


def due_month_of(text: str) -> str | None:
    """A month that somebody wrote, as YYYY-MM; a Mistake for anything else."""
    from pipeline.errors import refused

    month = a_month(text)
    if text and not month:
        what = "must be a month, such as 2026-08 or August 2026"
        raise refused("not-a-move", None, what, column="due_month", remedy="Write it so.")
    return month


def _options(values: list[str]) -> list[dict[str, str]]:
    return [{"value": v, "word": words.plain(v)} for v in dict.fromkeys(values)]


# ---- a trip by hand


def show_add(request: Request) -> Response:
    """A form for a case by hand."""
    fields = [
        {"kind": "text", "name": "trip", "label": "Token of the trip", "value": "", "most": 64,
         "required": True},
        {"kind": "text", "name": "why", "label": "Why it should be read, naming nobody",
         "value": "", "required": True},
    ]  # fmt: skip
    lines = ["A crew's own report, a complaint, a debrief: the trip is read with the month's."]
    return answer(request, "desk_form.html", "Add a trip", lines=lines, facts=[], links=[],
                  forms=[form(request, "/add", "Add", fields=fields)])  # fmt: skip


def save_add(request: Request, fields: Fields) -> Response:
    """Store that a trip is to be read."""
    trip = one(fields, "trip")
    try:
        with rooms(request).desk.writing() as con:
            add_trip(con, trip, one(fields, "why") or "added by hand", visitor(request).by)
    except Mistake as mistake:
        return not_done(request, mistake, "/add")
    return go_to(f"/case?{urlencode({'trip': trip, 'said': f'{trip} is to be read.'})}")


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
    options = [{"value": "asked", "word": "asked for"},
               {"value": "not_to_be_had", "word": "not to be had"}]  # fmt: skip
    fields: list[dict[str, Any]] = [
        {"kind": "check", "name": "trip", "value": trip, "checked": False,
         "label": f"{trip}, {words.month_name(month)}: {why} ({words.plain(state)})"}
        for trip, why, state, month in rows
    ]  # fmt: skip
    fields.append({"kind": "choice", "name": "state", "label": "The records chosen are",
                   "value": "asked", "options": options})  # fmt: skip
    fields.append({"kind": "hidden", "name": "base", "value": base})
    lines = ["A record that arrives with a delivery leaves the list by itself."]
    return answer(request, "desk_form.html", f"Records to fetch, base {base}", lines=lines,
                  facts=[], links=[],
                  forms=[form(request, "/fetch", "Keep", fields=fields)])  # fmt: skip


def save_fetch(request: Request, fields: Fields) -> Response:
    """Store that records were asked for, or are not to be had."""
    from pipeline.followup.fetch import say
    from schemas.work import SAID_OF_FETCH

    own, trips, state = rooms(request), fields.get("trip", []), one(fields, "state")
    if trips and state in SAID_OF_FETCH:
        try:
            with own.desk.apart():
                say(own.desk.folder, state, trips=trips, by=visitor(request).by)
        except Mistake as mistake:
            return not_done(request, mistake, "/?kind=fetch")
    return go_to(f"/?{urlencode({'kind': 'fetch', 'said': 'Kept.' if trips else ''})}")
