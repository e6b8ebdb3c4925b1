"""Open work that is no case: signals, each change once; limits to approve; months to publish."""

from __future__ import annotations

from collections.abc import Sequence
from urllib.parse import urlencode

from pipeline.desk.piece import Piece, after
from pipeline.followup.by_hand import versions_to_approve
from pipeline.followup.own_signals import SignalNow, grouped, signals_now
from pipeline.followup.states import CLOSED
from reports.text import words
from reports.text.signal_lines import signal_parts
from schemas.connection import Connection
from schemas.months import month_number

DIRECTOR = "director"
"""Whom cases are referred to, limits and publishing wait for: `schemas.followup.REFER_TO`."""


def waiting_pieces(con: Connection, now: str) -> list[Piece]:
    """Signals that are not closed, and what waits for the director beside them."""
    still = [s for s in signals_now(con).values() if s.state != CLOSED]
    signals = [signal_piece(own, now) for own in grouped(con, still)] if still else []
    return [*signals, *_limits(con, now), *_months(con, now)]


def due_month(signal: SignalNow) -> str:
    """When a signal is due: the month its owner says, else the one after that which gave it."""
    return signal.due_month or after(signal.month)


def signal_piece(own: Sequence[SignalNow], now: str) -> Piece:
    """A change and the signals it is seen in as one piece: as old, and as late, as the oldest.

    A watch before the first headline does not make it older, as on the Director page.
    """
    lead = own[0]
    asked = [signal for signal in own if signal.kind == lead.kind]
    opened, due = min(signal.month for signal in asked), min(map(due_month, asked))
    owner = next((signal.owner for signal in own if signal.owner), "")
    return Piece(
        "signal", "", len(own), f"{lead.sentence} {also(own[1:])}".strip(), owner,
        words.plain(lead.state), opened, due, _age(now, opened), due < now,
        f"/signal?{urlencode({'key': lead.key})}",
    )  # fmt: skip


def signal_name(signal: SignalNow) -> str:
    """'Occlusions at prong 2 (1.8 mm), said in March 2026', within a sentence."""
    what = signal_parts(signal.sentence)[0]
    return f"{what}, said in {words.month_name(signal.month)}"


def also(others: Sequence[SignalNow]) -> str:
    """'Also seen in: ...', the other signals of one change; empty without any."""
    return f"Also seen in: {'; '.join(map(signal_name, others))}." if others else ""


def _limits(con: Connection, now: str) -> list[Piece]:
    """Protocol versions that judged trips and whose limits nobody has approved."""
    waiting = versions_to_approve(con)
    since = dict(con.execute("""
        SELECT p.id, min(w.service_month) FROM judged.trip_window w
        JOIN delivered.protocol p USING (protocol_no) GROUP BY 1
    """).fetchall())  # fmt: skip
    return [
        Piece("limits", "", 1, f"Nobody has approved the limits of protocol version {version}.",
              DIRECTOR, "not approved", since[version], after(since[version]),
              _age(now, since[version]), after(since[version]) < now, "/decisions")
        for version in waiting if version in since
    ]  # fmt: skip


def _months(con: Connection, now: str) -> list[Piece]:
    """Months that were opened for work and never published."""
    rows = con.execute("""
        SELECT month FROM judged.work_mark m SEMI JOIN (
            SELECT DISTINCT service_month AS month FROM judged.trip_window) j USING (month)
        WHERE month NOT IN (SELECT month FROM loop.publication) ORDER BY 1
    """).fetchall()
    return [
        Piece("publish", "", 1, f"{words.month_name(month)} is not published.", DIRECTOR,
              "not published", month, after(month), _age(now, month), after(month) < now,
              f"/publish?{urlencode({'month': month})}")
        for (month,) in rows
    ]  # fmt: skip


def _age(now: str, month: str) -> int:
    return max(0, month_number(now) - month_number(month))
