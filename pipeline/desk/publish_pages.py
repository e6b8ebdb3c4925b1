"""Publishing a month: what stands against it, each count with the things it counts."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from pipeline.desk import ask
from pipeline.desk.drafts import Fields
from pipeline.desk.frame import answer, at, form, form_page, go_to, link, one, rooms, visitor
from pipeline.desk.thing_pages import nothing_there
from pipeline.desk.waiting import signal_name
from pipeline.followup.own_signals import signals_now
from pipeline.followup.readiness import Unfinished, unfinished
from pipeline.store.ledger import entries
from pipeline.store.months import months_in_store
from reports.text import words
from schemas.connection import Connection

NAMED = 8
"""So many things are named beside their count, more are behind it; what says why is named."""
MOST_LISTED = 1000
PUBLISHING = "Publishing: the pages are drawn, which takes up to a minute or two"
ADDRESSES = {"trip": ("/case", "trip"), "action": ("/action", "key"), "signal": ("/signal", "key"),
             "month": ("/publish", "month")}  # fmt: skip
"""Where each kind of thing is, and by what it is asked for."""


def show_publish(request: Request) -> Response:
    """What stands against publishing a month, and the form that asks once more."""
    own = rooms(request)
    with own.desk.reading() as con:
        months = months_in_store(con)
        month = request.query_params.get("month", "") or own.desk.month or months[-1]
        if month not in months:
            return nothing_there(request)
        left = unfinished(con, month)
        published = _published(con, month)
        named = [_things(con, line) if line.why or len(line.keys) <= NAMED else [] for line in left]
    lines = published or ["Not published yet."]
    if not left:
        lines.append("Nothing is unread, open, overdue, restated, missing or undecided.")
    anyway = "I have read this list. Publish anyway; the ledger keeps what was left."
    fields = [
        ask.hidden("month", month),
        ask.tick("sure", anyway if left else "Yes, publish it."),
    ]
    links = [link(words.month_name(m), at("/publish", month=m)) for m in months[::-1] if m != month]
    return answer(
        request, "desk_publish.html", f"Publish {words.month_name(month)}", lines=lines,
        left=[{"kind": line.kind.capitalize(), "words": line.words, "things": things,
               "href": at("/left", month=month, line=n) if line.of else ""}
              for n, (line, things) in enumerate(zip(left, named, strict=True))],
        months=links[:24],
        forms=[form(request, "/publish", "Publish", fields=fields, busy=PUBLISHING)],
    )  # fmt: skip


def show_left(request: Request) -> Response:
    """All things of one count of a month's list; reading goes on from trip to trip of it."""
    own, asked = rooms(request), request.query_params
    with own.desk.reading_work() as con:
        month = asked.get("month", "")
        left = unfinished(con, month) if month in months_in_store(con) else []
        line = next((line for n, line in enumerate(left) if str(n) == asked.get("line")), None)
        if line is None:
            return nothing_there(request)
        things = _things(con, line)
    if line.of == "trip":
        own.desk.order[visitor(request).by or ""] = list(line.keys)
    lines = [f"{line.kind.capitalize()} of {words.month_name(month)}: {line.words}."]
    links = [*things[:MOST_LISTED], link("Back to publishing", at("/publish", month=month))]
    return form_page(request, "Before publishing", lines=lines, links=links)


def _things(con: Connection, line: Unfinished) -> list[dict[str, Any]]:
    """Each thing of a count as a link: a trip with why it is read, others by what they say."""
    if not line.of:
        return []
    to, name = ADDRESSES[line.of]
    called, more = _called(con, line)
    return [link(called.get(k, k), at(to, **{name: k}), more.get(k, "")) for k in line.keys]


def _called(con: Connection, line: Unfinished) -> tuple[dict[str, str], dict[str, str]]:
    """What things are called where it is not their key, and what is said of each."""
    if line.of == "signal":
        signals = signals_now(con)
        return {key: signal_name(signals[key]) for key in line.keys}, {}
    if line.of == "month":
        return {key: words.month_name(key) for key in line.keys}, {}
    if line.why:
        return {}, {trip: f": {why}" for trip, why in zip(line.keys, line.why, strict=True)}
    if line.of == "trip":
        rows = con.execute(
            "SELECT trip_id, any_value(why) FROM judged.work WHERE kind <> 'fetch'"
            " AND list_contains($keys, trip_id) GROUP BY 1", {"keys": list(line.keys)},
        ).fetchall()  # fmt: skip
        return {}, {trip: f": {why}" for trip, why in rows if why}
    return {}, {}


def _published(con: Connection, month: str) -> list[str]:
    """Each time a month was published: by whom, and what was left then, as the ledger keeps it."""
    told = [
        entry.parsed for entry in entries(con) if entry.what == "publication"
        and entry.parsed.get("month") == month
    ]  # fmt: skip
    lines = []
    for number, one_time in enumerate(told, start=1):
        left = ", ".join(f"{n} {kind}" for kind, n in (one_time.get("anyway") or {}).items())
        who = one_time.get("by") or "nobody named"
        lines.append(
            f"{words.month_name(month)} is published{f' again ({number})' if number > 1 else ''},"
            f" by {who}; left then: {left or 'nothing'}."
        )
    return lines


def save_publish(request: Request, fields: Fields) -> Response:
    """Publish a month, if the form was ticked; refused with the list else."""
    from pipeline import review as steps

    own, month = rooms(request), one(fields, "month")
    if not one(fields, "sure"):
        return go_to(at("/publish", month=month, said="Not published: tick the box to do it."))
    with own.desk.apart():
        told = steps.publish(own.desk.folder, month, visitor(request).by, anyway=True)
    return go_to(at("/publish", month=month, said=told.splitlines()[0]))
