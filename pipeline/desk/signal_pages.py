"""Signals: every one as it stands, each change once; one with its trips, looked into and closed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from pipeline.desk import ask
from pipeline.desk.drafts import Fields
from pipeline.desk.frame import (
    answer,
    at,
    form,
    form_page,
    go_to,
    link,
    one,
    rooms,
    visitor,
    worker,
)
from pipeline.desk.kept_work import keep_work
from pipeline.desk.thing_pages import due_field, due_month_of, nothing_there
from pipeline.desk.trips_share import trips_share
from pipeline.desk.waiting import also, due_month, signal_name, signal_piece
from pipeline.errors import problem
from pipeline.errors.mistakes import Refused
from pipeline.followup.moves import Move, month_under_review, move, new_key
from pipeline.followup.own_signals import (
    CONCLUSIONS,
    SignalNow,
    TripBehind,
    close,
    grouped,
    look_into,
    signals_now,
    stands_at,
    take_up_again,
    trips_behind,
)
from pipeline.followup.screen_text import check_text
from pipeline.followup.states import CLOSED, LOOKED_INTO
from reports.text import words
from reports.text.signal_lines import signal_parts
from schemas.connection import Connection

KINDS = {
    "headline": ("Worse", "About one such signal a year comes by chance."),
    "watch": ("To watch", "About four such a year come by chance: something to read closely."),
}
RANGE = (
    "The range in brackets is a 95 % interval. These months were chosen because they were high, so"
    " the ratio is likely nearer 1."
)
AGAIN = "again"
"""What a form says that takes up a closed signal, so that none opened before can do it."""

MOST_TRIPS = 200
"""Trips behind a signal that its page lists."""


def show_signals(request: Request) -> Response:
    """Every signal: those that stand, each change once, and how the others were closed."""
    with rooms(request).desk.reading_work() as con:
        found = signals_now(con)
        still = [s for s in found.values() if s.state != CLOSED]
        groups = grouped(con, still)
        behind = trips_behind(con, list(found))
        now = month_under_review(con)
        stands = {own[0].key: " ".join(stands_at(con, own[0], now)) for own in groups}
    pieces = [(signal_piece(own, now), own) for own in groups]
    pieces.sort(key=lambda row: (not row[0].late, row[0].due))
    return answer(
        request, "desk_signals.html", "Signals",
        open=[{
            "href": piece.href, "kind": KINDS[own[0].kind][0], "stands": stands[own[0].key],
            "said": words.month_name(own[0].month),
            "what": signal_parts(own[0].sentence)[0], "sentence": own[0].sentence,
            "state": piece.state,
            "owner": piece.owner, "opened": words.month_name(piece.opened),
            "due": words.month_name(piece.due), "late": piece.late, "age": piece.age,
            "trips": counted([trip for s in own for trip in behind[s.key]]),
            "also": [{"href": _href(s), "name": signal_name(s)} for s in own[1:]],
        } for piece, own in pieces],
        closed=[{
            "href": _href(s), "what": signal_parts(s.sentence)[0], "sentence": s.sentence,
            "conclusion": s.why or "",
            "by": s.closed_by or "", "month": words.month_name(s.closed_in) if s.closed_in else "",
            "trips": counted(behind[s.key]),
        } for s in found.values() if s.state == CLOSED],
    )  # fmt: skip


def _href(signal: SignalNow) -> str:
    return at("/signal", key=signal.key)


def counted(trips: Sequence[TripBehind]) -> str:
    """'12 trips: 5 read, 3 held.', each trip once."""
    every = {trip.trip_id for trip in trips}
    read = {trip.trip_id for trip in trips if trip.read}
    held = {trip.trip_id for trip in trips if trip.held}
    if not every:
        return "No trips."
    of_read = f"{len(read)} read, {len(held)} held" if read else "none read"
    return f"{words.many(len(every), 'trip')}: {of_read}."


def show_signal(request: Request) -> Response:
    """One signal with its trips, to be looked into and closed."""
    key = request.query_params.get("key", "")
    with rooms(request).desk.reading_work() as con:
        found = signals_now(con)
        if key not in found:
            return nothing_there(request)
        signal = found[key]
        others = _same(con, found, signal)
        behind = trips_behind(con, [key, *(s.key for s in others)])
        now = month_under_review(con)
        stands = stands_at(con, signal, now)
        trips = behind[key]
        common = trips_share(con, [t.trip_id for t in trips], signal.since, signal.month)
    by = visitor(request).by
    rooms(request).desk.order[by or ""] = [t.trip_id for t in trips if not t.read]
    links = [
        link(t.trip_id, at("/case", trip=t.trip_id),
             f"{words.month_name(t.month)}, {common.of_trip[t.trip_id]}; {_of_trip(t)}")
        for t in trips[:MOST_TRIPS]
    ]  # fmt: skip
    cut = f", the first {MOST_TRIPS}" if len(trips) > MOST_TRIPS else ""
    every = counted([t for own in behind.values() for t in own])
    lines = [
        f"Said in {words.month_name(signal.month)}: {signal.sentence}", " ".join(stands),
        KINDS[signal.kind][1], RANGE if "times (" in signal.sentence else "",
        f"{counted(trips)[:-1]}{cut}.",
        f"{also(others)} With these {every}" if others else "", " ".join(common.shared),
    ]  # fmt: skip
    return form_page(request, "A signal", lines=[*filter(None, lines)], links=links,
                     facts=_facts(signal, now), forms=_forms(request, signal, others, behind),
                     )  # fmt: skip


def _of_trip(trip: TripBehind) -> str:
    return ("it held" if trip.held else "it did not hold") if trip.read else "unread"


def _same(con: Connection, found: dict[str, SignalNow], signal: SignalNow) -> list[SignalNow]:
    """The other signals of the same change that are not closed."""
    among = [s for s in found.values() if s.state != CLOSED or s.key == signal.key]
    own = next(group for group in grouped(con, among) if signal in group)
    return [s for s in own if s.key != signal.key]


def _facts(signal: SignalNow, now: str) -> list[tuple[str, str]]:
    facts = [("State", words.plain(signal.state)), ("Said in", words.month_name(signal.month))]
    if signal.state == CLOSED:
        closed = words.month_name(signal.closed_in) if signal.closed_in else ""
        return [*facts, ("Closed in", closed), ("By", signal.closed_by or "worked out"),
                ("Conclusion", signal.why or "")]  # fmt: skip
    due = due_month(signal)
    when = f"{words.month_name(due)}{', late' if due < now else ''}"
    return [*facts, ("Due", when), ("Whose", signal.owner or "nobody's"),
            ("Found so far", signal.why or "nothing yet")]  # fmt: skip


def _forms(
    request: Request,
    signal: SignalNow,
    others: Sequence[SignalNow],
    behind: dict[str, list[TripBehind]],
) -> list[dict[str, Any]]:
    """To look into it, and once that was done, to close it; to take up what a person closed."""
    hidden = ask.hidden("key", signal.key)
    if signal.state == CLOSED:
        why = ask.text("why", "Why it is taken up again, naming nobody", required=True)
        again = form(request, "/signal", "Keep", title="Take it up again", fields=[hidden, why],
                     go=AGAIN)  # fmt: skip
        return [again] if signal.closed_by else []
    look = [
        hidden,
        ask.line("owner", "Whose it is, by token", signal.owner or visitor(request).by, most=64),
        due_field(signal.due_month),
        ask.text("why", "What was found so far, naming nobody", signal.why),
        *_also(others),
    ]
    forms = [form(request, "/signal", "Keep", title="Look into it", fields=look, go=LOOKED_INTO)]
    if signal.state != LOOKED_INTO:
        return forms
    end = [hidden, *_closing(others, behind[signal.key])]
    return [*forms, form(request, "/signal", "Close it", title="Close it",
                         lines=[counted(behind[signal.key])], fields=end, go=CLOSED)]  # fmt: skip


def _closing(others: Sequence[SignalNow], trips: list[TripBehind]) -> list[dict[str, Any]]:
    """What is asked of whoever closes a signal with these trips behind it."""
    unread = len({t.trip_id for t in trips if not t.read})
    left = f"{unread} of its {words.many(len(trips), 'trip')} {'is' if unread == 1 else 'are'}"
    same = f"{left} unread. Close it all the same."
    found = {"": "choose one", **CONCLUSIONS}
    return [
        ask.choice("conclusion", "What it was", "", found, required=True),
        ask.text("why", "How you know, in a few words, naming nobody", required=True),
        *_also(others),
        *([ask.tick("unread", same, required=True)] if unread else []),
        ask.line("what", "An action that follows, if any, naming nobody"),
        ask.line("owner", "For whom, by token", most=64),
        due_field(),
    ]


def _also(others: Sequence[SignalNow]) -> list[dict[str, Any]]:
    return [ask.tick("also", f"The same for {signal_name(s)}", s.key) for s in others]


def save_signal(request: Request, fields: Fields) -> Response:
    """Store that signals are looked into, or are closed."""
    key, by = one(fields, "key"), worker(request)
    with rooms(request).desk.writing() as con:
        keep_work(con)
        found = signals_now(con)
        if key not in found:
            return nothing_there(request)
        check_text(con, {n: one(fields, n) for n in ("why", "what", "owner")})
        same = {s.key for s in _same(con, found, found[key])} & set(fields.get("also", []))
        keys = [key, *sorted(same)]
        due = due_month_of(one(fields, "due_month"))
        said = {n: one(fields, n) for n in ("owner", "why", "conclusion", "unread")}
        if one(fields, "go") == CLOSED:
            close(con, keys, by, said)
            _act(con, fields, by, due)
        elif one(fields, "go") == AGAIN:
            take_up_again(con, found[key], by, said["why"])
        elif found[key].state == CLOSED:  # since the form was opened
            raise Refused(problem("not-a-move", None, "the signal is closed by now"))
        else:
            look_into(con, keys, by, {**said, "due_month": due})
    return go_to(at("/signals", said="Kept."))


def _act(con: Connection, fields: Fields, by: str, due: str | None) -> None:
    """The action that follows from a signal, where one is asked for."""
    if what := one(fields, "what"):
        move(con, Move("action", new_key(con, "action", "A"), "proposed", month_under_review(con),
                       by, owner=one(fields, "owner") or by, due_month=due, what=what))  # fmt: skip
