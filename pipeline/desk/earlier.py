"""Months before those whose work is counted: what they hold, and how one of them is taken up."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response

from pipeline.desk import ask
from pipeline.desk.drafts import Fields
from pipeline.desk.frame import at, form, form_page, go_to, one, rooms, worker
from pipeline.desk.thing_pages import nothing_there
from pipeline.followup.moves import Move, month_under_review, move
from pipeline.store.answers_view import READ_TRIPS
from reports.text import words
from schemas.connection import Connection
from schemas.record import dataclass


@dataclass(frozen=True)
class Earlier:
    """A month nobody took up: its cases that must be read and nobody has, and deaths among them."""

    month: str
    unread: int
    deaths: int

    @property
    def words(self) -> str:
        """'9 unread cases, 2 of them deaths'."""
        cases = words.many(self.unread, "unread case")
        if not self.deaths:
            return f"{cases}, none of them a death"
        return f"{cases}, {self.deaths} of them {'a death' if self.deaths == 1 else 'deaths'}"


def earlier_months(con: Connection) -> list[Earlier]:
    """The months that were not taken up and hold such cases, the first one first."""
    rows = con.execute(f"""
        SELECT month, count(*), count(*) FILTER (died) FROM judged.earlier
        WHERE trip_id NOT IN ({READ_TRIPS})
        GROUP BY month ORDER BY month
    """).fetchall()
    return [Earlier(*row) for row in rows]


def earlier_line(con: Connection) -> str:
    """From which month on work is counted, and what the months before it hold; empty if nothing."""
    left = earlier_months(con)
    if not left:
        return ""
    since = con.execute(
        "SELECT min(service_month) FROM judged.trip_window WHERE service_month > ?",
        [left[-1].month],
    ).fetchall()[0][0]
    every = Earlier("", sum(m.unread for m in left), sum(m.deaths for m in left))
    months = words.many(len(left), "month")
    return (
        f"Work is counted from {words.month_name(str(since))} on. {months} before it that nobody"
        f" took up {'holds' if len(left) == 1 else 'hold'} {every.words}."
    )


def show_earlier(request: Request) -> Response:
    """The months that were not taken up, each with a button that takes it up."""
    with rooms(request).desk.reading_work() as con:
        left = earlier_months(con)
    lines = ["A month that is taken up joins open work as a whole, with its due months."]
    forms = [
        form(request, "/earlier", f"Take up {words.month_name(m.month)}",
             title=words.month_name(m.month), lines=[f"{words.capital(m.words)}."],
             fields=[ask.hidden("month", m.month)])
        for m in reversed(left)
    ]  # fmt: skip
    return form_page(request, "Months before", lines=lines, forms=forms)


def save_earlier(request: Request, fields: Fields) -> Response:
    """Take up a month; the ledger keeps by whom."""
    month, by = one(fields, "month"), worker(request)
    with rooms(request).desk.writing() as con:
        if month not in {m.month for m in earlier_months(con)}:
            return nothing_there(request)
        move(con, Move("month", month, "taken_up", month_under_review(con), by))
    return go_to(at("/", month=month, said=f"{words.month_name(month)} is taken up."))
