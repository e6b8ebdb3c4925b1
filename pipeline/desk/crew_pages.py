"""Words to a crew: the query, its answer in the crew's own words, and what can be printed."""

from __future__ import annotations

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
from pipeline.desk.letters import (
    ALWAYS,
    ASKED_FIRST,
    CLOSING,
    FIRST_ANSWER,
    LAST_WORDS,
    NAMES,
    NO_FINDING,
    NOTHING_DONE,
    PURPOSE,
    SO_FAR,
    concluded_words,
    letter,
)
from pipeline.desk.piece import after
from pipeline.desk.thing_pages import nothing_there
from pipeline.errors import refused
from pipeline.followup.by_hand import approved_everything
from pipeline.followup.case_states import cases_now
from pipeline.followup.moves import Move, month_under_review, move, new_key, standing
from pipeline.followup.screen_text import check_text
from pipeline.followup.states import CLOSED
from pipeline.judging.versions import versions_in_store
from pipeline.month.cases import month_words
from pipeline.month.gather import confidentiality
from pipeline.store.followup_tables import service_of
from pipeline.store.sql import literal
from reports.text import words
from schemas.connection import Connection

GOOD_CARE = "good-care"
QUERY_FIRST = (
    "the crew was asked something about this trip and has not answered yet: that comes first"
)
NOTHING_GOOD = "a word on good care says what was good"


def show_query(request: Request) -> Response:
    """A query with its answer so far, its letter, and the forms for what comes next."""
    key = request.query_params.get("key", "")
    with rooms(request).desk.reading() as con:
        now, own_words = standing(con, "query", key), _own_words(con, key)
    if now is None:
        return nothing_there(request)
    forms = []
    hidden = ask.hidden("key", key)
    if now.state == "asked":
        label = "What the crew answered, in its own words; take out names"
        fields = [hidden, ask.text("why", label, required=True)]
        forms = [form(request, "/query", "Keep the answer", fields=fields)]
    if now.state == "answered":
        label = "Words of your own in the reply, to the crew; name nobody"
        fields = [hidden, ask.text("own", label, own_words)]
        forms = [
            form(request, "/query", "The reply was sent", fields=[hidden], go="reply"),
            form(request, "/query", "Keep these words", fields=fields, go="own"),
        ]
    facts = [("Trip", now.trip_id or ""), ("State", words.plain(now.state)),
             ("Due", _due(now)), ("Answer", now.why or "none yet")]  # fmt: skip
    printed = ["query"] if now.state == "asked" else ["query", "reply"]
    links = [
        link(f"The {name}, to be printed", at("/letter", key=key, name=name)) for name in printed
    ]
    links.append(link("The case", at("/case", trip=now.trip_id)))
    return form_page(request, "A query to a crew", lines=[now.what], facts=facts, links=links,
                     forms=forms)  # fmt: skip


def save_query(request: Request, fields: Fields) -> Response:
    """Store a crew's answer, a reader's words for the reply, or that the reply was sent."""
    key = one(fields, "key")
    with rooms(request).desk.writing() as con:
        if standing(con, "query", key) is None:
            return nothing_there(request)
        month, by = month_under_review(con), visitor(request).by
        check_text(con, {name: one(fields, name) for name in ("why", "own")})
        if one(fields, "go") == "own":
            move(con, Move("reply", key, "said", month, by, what=one(fields, "own")))
        else:
            state = "replied" if one(fields, "go") == "reply" else "answered"
            move(con, Move("query", key, state, month, by, why=one(fields, "why") or None))
    return go_to(at("/query", key=key, said="Kept."))


def show_letter(request: Request) -> Response:
    """A letter as it is printed; none under limits that nobody has approved."""
    own, asked = rooms(request), request.query_params
    name = asked.get("name", "query")
    if name not in NAMES:
        return nothing_there(request)
    with own.desk.reading_work() as con:
        now = standing(con, "good_care" if name == GOOD_CARE else "query", asked.get("key", ""))
        trip = (now and now.trip_id) or ""
        base, month = _where(con, trip)
        if now is None or not month:
            return nothing_there(request)
        if not approved_everything(con, month):
            return _no_letter(request)
        kept, closed = confidentiality(con), _is_closed(con, trip)
        about = f"base {base}" if asked.get("of") == "base" else f"trip {trip}"
        facts = {
            **_facts(con, now, month, closed=closed), "trip": trip, "base": base,
            "month": words.month_name(month), "about": f"{about}, {words.month_name(month)}",
        }  # fmt: skip
    named = FIRST_ANSWER if NAMES[name] == CLOSING and not closed else NAMES[name]
    return answer(
        request, "desk_letter.html", named, lines=letter(own.desk.folder, name, facts),
        confidential=f"{kept + ' ' if kept else ''}{PURPOSE}",
        back=at("/case", trip=trip) if name == GOOD_CARE else at("/query", key=now.key),
    )  # fmt: skip


def _facts(con: Connection, now: Move, month: str, *, closed: bool) -> dict[str, str]:
    """What the letters may say of a query or a word on good care, and of its trip."""
    trip, rules = now.trip_id or "", (now.rule or "").split()
    found = (
        _found(con, trip, month, rules)
        or f"{NO_FINDING} {_why(con, trip).replace(*ALWAYS)}".strip()
    )
    conclusions, follows = _conclusions(con, trip, rules), _set_about(con, trip)
    concluded = concluded_words(conclusions, closed=closed and not rules)
    return {
        "service": service_of(con), "finding": found, "concluded": concluded,
        "standing": SO_FAR.format(concluded) if conclusions else ASKED_FIRST,
        "follows": " ".join(follows) or NOTHING_DONE,
        "last": LAST_WORDS[CLOSING if closed else FIRST_ANSWER],
        "own": _own_words(con, now.key), "asked": now.what or "", "good": now.what or "",
        "due": _due(now), "answer": now.why or "",
    }  # fmt: skip


def _no_letter(request: Request) -> Response:
    why = "Nobody has approved the limits this trip was judged by, so nothing is sent to a crew"
    return form_page(request, "No letter", status=409, lines=[f"{why} under them."],
                     links=[link("Decisions", "/decisions")])  # fmt: skip


def show_good_care(request: Request) -> Response:
    """A form for a word on good care: what was good is said, and by whom it is printed."""
    trip = request.query_params.get("trip", "")[:64]
    with rooms(request).desk.reading() as con:
        base, month = _where(con, trip)
        asked = _asked(con, trip)
        if not month:
            return nothing_there(request)
        if not approved_everything(con, month):
            return _no_letter(request)
    case = [link("The case", at("/case", trip=trip))]
    if asked:
        lines = [f"{words.capital(QUERY_FIRST)}."]
        return form_page(request, NAMES[GOOD_CARE], lines=lines, links=case)
    fields = [
        ask.hidden("trip", trip),
        ask.text("what", "What was good, in a sentence or two, naming nobody", required=True),
        ask.choice("of", "To", "trip", {"trip": f"the crew of {trip}", "base": f"base {base}"}),
    ]
    forms = [form(request, "/good-care", "Keep, to be printed", fields=fields)]
    lines = [f"About trip {trip}."]
    return form_page(request, NAMES[GOOD_CARE], lines=lines, links=case, forms=forms)


def save_good_care(request: Request, fields: Fields) -> Response:
    """Store what was good on a trip, and show its letter."""
    trip, what, by = one(fields, "trip")[:64], one(fields, "what"), worker(request)
    with rooms(request).desk.writing() as con:
        base, month = _where(con, trip)
        if not month:
            return nothing_there(request)
        if not approved_everything(con, month):
            return _no_letter(request)
        if _asked(con, trip) or not what:
            raise refused("not-a-move", None, QUERY_FIRST if what else NOTHING_GOOD)
        check_text(con, {"what": what})
        key = new_key(con, "good_care", "G")
        move(con, Move("good_care", key, "said", month_under_review(con), by, trip_id=trip,
                       base=base, what=what))  # fmt: skip
    of = {"of": "base"} if one(fields, "of") == "base" else {}
    return go_to(at("/letter", name=GOOD_CARE, key=key, **of))


def _asked(con: Connection, trip: str) -> bool:
    """Whether the trip's crew was asked something and has not answered."""
    rows = con.execute(
        "SELECT 1 FROM loop.standing WHERE thing = 'query' AND state = 'asked' AND trip_id = ?",
        [trip],
    ).fetchall()
    return bool(rows)


def _conclusions(con: Connection, trip: str, rules: list[str]) -> list[tuple[str, str, str | None]]:
    """What holds now of each of these rules: conclusion and what contributed."""
    return con.execute(
        """SELECT rule, any_value(finding), any_value(contributed) FROM loop.answer
           WHERE trip_id = $trip AND list_contains($rules, rule) AND holds AND finding IS NOT NULL
           GROUP BY rule ORDER BY rule""",
        {"trip": trip, "rules": rules},
    ).fetchall()


def _due(query: Move) -> str:
    """The month a query is due; one of an earlier version may say none, and is due the month after
    it was asked.
    """
    return words.month_name(query.due_month or after(query.month))


def _is_closed(con: Connection, trip: str) -> bool:
    now = cases_now(con, f"SELECT {literal(trip)} AS trip_id").get(trip)
    return now is not None and now.state == CLOSED


def _why(con: Connection, trip: str) -> str:
    """Why a person reads the trip; empty where nothing asks for it."""
    asked = "SELECT any_value(why) FROM judged.work WHERE trip_id = ? AND kind = 'read'"
    rows = con.execute(asked, [trip]).fetchall()
    return str(rows[0][0] or "")


def _set_about(con: Connection, trip: str) -> list[str]:
    """What is to be done after the trip, each as a sentence."""
    asked = (
        "SELECT what FROM loop.standing WHERE thing = 'action' AND trip_id = ?"
        " AND state <> 'not_pursued' ORDER BY move_no"
    )
    return [f"{str(what).rstrip('.')}." for (what,) in con.execute(asked, [trip]).fetchall()]


def _own_words(con: Connection, key: str) -> str:
    """What a reader says to the crew in the reply to a query; empty where nothing yet."""
    said = standing(con, "reply", key)
    return (said and said.what) or ""


def _found(con: Connection, trip: str, month: str, rules: list[str]) -> str:
    """What each of these rules found on the trip, in its sentence."""
    month_words(con, versions_in_store(con), month, trip)
    rows = con.execute("SELECT rule, reason FROM month_verdict ORDER BY rule").fetchall()
    return " ".join(f"{words.rule_title(r)}: {said}" for r, said in rows if r in rules and said)


def _where(con: Connection, trip: str) -> tuple[str, str]:
    """Base and month of a trip; empty where it is not judged."""
    rows = con.execute(
        "SELECT t.base, w.service_month FROM judged.trip_window w"
        " JOIN delivered.trips t USING (trip_key) WHERE w.trip_id = ?", [trip],
    ).fetchall()  # fmt: skip
    return (str(rows[0][0] or ""), str(rows[0][1])) if rows else ("", "")
