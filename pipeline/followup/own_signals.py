"""Signals as somebody's work: how each stands, its trips, what is one change, and its end."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from pipeline.errors import refused
from pipeline.followup.moves import Move, month_under_review, move, standing
from pipeline.followup.states import CLOSED, LOOKED_INTO, OPEN, Facts
from pipeline.store.database import transaction
from schemas.connection import Connection
from schemas.frame import Frame
from schemas.record import dataclass

_KEY = ("month", "measure", "group_by", "group_value")
_CHART = _KEY[1:]

_SAID = f"""
    SELECT concat_ws('|', {", ".join(_KEY)}) AS key, kind, {", ".join(_KEY)}, since, sentence
    FROM loop.signal WHERE side = 'worse'
    QUALIFY signal_no = max(signal_no) OVER (PARTITION BY {", ".join(_KEY)}) AND found
"""
"""SQL of each signal towards worse that was not taken back."""

# as the pages have it: closing a signal closes what was said of its chart before
SIGNALS = f"""
    WITH said AS ({_SAID}),
    moved AS (SELECT * FROM loop.standing WHERE thing = 'signal'),
    closed AS (
        SELECT {", ".join(f"s.{name}" for name in _CHART)}, s.month AS of_month,
               m.owner, m.why, m.recorded_by, m.month AS closed_in
        FROM said s JOIN moved m USING (key) WHERE m.state = '{CLOSED}'
    )
    SELECT s.*, CASE WHEN c.of_month IS NULL THEN coalesce(m.state, '{OPEN}') ELSE '{CLOSED}' END
               AS state,
           coalesce(c.owner, m.owner) AS owner, m.due_month, coalesce(c.why, m.why) AS why,
           c.recorded_by AS closed_by, c.closed_in
    FROM said s LEFT JOIN moved m ON m.key = s.key
    LEFT JOIN closed c ON c.of_month >= s.month
        AND {" AND ".join(f"c.{name} = s.{name}" for name in _CHART)}
    QUALIFY row_number() OVER (PARTITION BY s.key ORDER BY c.of_month) = 1
"""
"""SQL of each signal towards worse as it stands; who closed it is null where it ended by itself."""

ENDED = "Twelve months are at the level before it."

CONCLUSIONS = {
    "care": "Care changed",
    "equipment": "Equipment or supply",
    "children": "Other children, or other trips",
    "recording": "Recorded otherwise; care did not change",
    "chance": "Chance: nothing was found that changed",
    "unknown": "No cause was found",
}
"""What a closed signal may have been; some words on it are asked beside."""


@dataclass(frozen=True)
class SignalNow:
    """A signal as it stands; months are YYYY-MM. `why`: what was found, or the conclusion."""

    key: str
    kind: str
    month: str
    measure: str
    group_by: str
    group_value: str
    since: str
    sentence: str
    state: str
    owner: str | None
    due_month: str | None
    why: str | None
    closed_by: str | None
    closed_in: str | None


@dataclass(frozen=True)
class TripBehind:
    """A trip of a signal since it began; `held` is false while it is unread."""

    trip_id: str
    month: str
    read: bool
    held: bool


def signals_now(con: Connection) -> dict[str, SignalNow]:
    """Every signal towards worse as it stands, by key, the latest first."""
    names = ", ".join(SignalNow.__dataclass_fields__)
    rows = con.execute(f"SELECT {names} FROM ({SIGNALS}) ORDER BY month DESC, key").fetchall()
    return {row[0]: SignalNow(*row) for row in rows}


_COUNTS = """
    WITH chart AS (
        SELECT month, seen, denominator, dense_rank() OVER (ORDER BY month DESC) AS months_ago
        FROM loop.signal_month
        WHERE measure = $measure AND group_by = $group_by AND group_value = $group_value
          AND month <= $now
        QUALIFY worked_no = max(worked_no) OVER (PARTITION BY month)
    )
    SELECT sum(seen) FILTER (month >= $since), sum(denominator) FILTER (month >= $since),
           sum(seen) FILTER (months_ago <= $lately),
           sum(denominator) FILTER (months_ago <= $lately)
    FROM chart
"""


def stands_at(con: Connection, signal: SignalNow, now: str) -> list[str]:
    """What its chart counts from the signal's beginning to the month `now`, and lately.

    Empty where no month of the chart was worked out. A signal of `now` itself has said the first.
    """
    from pipeline.measures.signal_words import LATELY, lately, so_far

    key = (signal.measure, signal.group_by, signal.group_value)
    asked = {**dict(zip(_CHART, key, strict=True)), "since": signal.since, "now": now,
             "lately": LATELY}  # fmt: skip
    seen, of, last, of_last = con.execute(_COUNTS, asked).fetchall()[0]
    if of is None or of_last is None:
        return []
    counted = [] if signal.month == now else [so_far(key, seen, of, signal.since, now)]
    return [*counted, lately(key, last, of_last)]


# ---- trips behind


def keep_trips(con: Connection) -> None:
    """Make `judged.signal_trip` anew: key, trip_id, month and rule of the trips of each signal.

    From its beginning to the month under review; those up to its own month are behind it, as its
    pages list them. Leaves their temporary tables.
    """
    from pipeline.measures.occlusion_rate import ventilator_time
    from pipeline.measures.signal_trips import TRIPS, ask, of_occlusions

    now = month_under_review(con)
    con.execute(ventilator_time(), {"month": now})
    said = con.execute(f"SELECT * REPLACE ($now AS month) FROM ({_SAID})", {"now": now})
    ask(con, Frame.read(said))
    con.execute("DELETE FROM judged.signal_trip")
    con.execute(
        f"""INSERT INTO judged.signal_trip
            SELECT DISTINCT s.key, t.trip_id, t.trip_month, t.rule
            FROM ({TRIPS}) t JOIN ({_SAID}) s
            ON s.since = t.since AND {" AND ".join(f"s.{name} = t.{name}" for name in _CHART)}""",
        {"occlusion_rule": of_occlusions()},
    )


SIGNAL_TRIP = """
    CREATE TABLE IF NOT EXISTS judged.signal_trip (
        key VARCHAR, trip_id VARCHAR, month VARCHAR, rule VARCHAR)
"""


def trips_behind(con: Connection, keys: Sequence[str]) -> dict[str, list[TripBehind]]:
    """The trips behind each signal, up to its own month, in order of month and token."""
    from pipeline.followup.confirmed import make_flags
    from pipeline.store.answers_view import make_answers
    from schemas.findings import HAPPENED

    make_answers(con)
    make_flags(con, month_under_review(con))
    rows = con.execute(
        f"""WITH flag AS (
                SELECT trip_id, rule, any_value(conclusion) AS conclusion
                FROM rule_flag GROUP BY trip_id, rule)
            SELECT t.key, t.trip_id, t.month, f.conclusion IS NOT NULL,
                   coalesce(f.conclusion IN {tuple(HAPPENED)}, FALSE)
            FROM judged.signal_trip t LEFT JOIN flag f USING (trip_id, rule)
            WHERE list_contains($keys, t.key) AND t.month <= split_part(t.key, '|', 1)
            ORDER BY t.key, t.month, t.trip_id""",
        {"keys": list(keys)},
    ).fetchall()
    found: dict[str, list[TripBehind]] = {key: [] for key in keys}
    for key, *trip in rows:
        found[key].append(TripBehind(*trip))
    return found


def signals_behind(con: Connection, trip_id: str) -> list[SignalNow]:
    """The signals that a trip is behind, the latest first."""
    rows = con.execute(
        "SELECT key FROM judged.signal_trip WHERE trip_id = ? AND month <= split_part(key, '|', 1)",
        [trip_id],
    ).fetchall()
    keys = {key for (key,) in rows}
    return [s for s in signals_now(con).values() if s.key in keys] if keys else []


def grouped(con: Connection, signals: Sequence[SignalNow]) -> list[list[SignalNow]]:
    """Signals that are one change, each group led by a headline of the most trips.

    Of one chart, or sharing at least half the trips of the one that has fewer, up to now.
    """
    by_key = {signal.key: signal for signal in signals}
    counts = dict(con.execute("SELECT key, count(*) FROM judged.signal_trip GROUP BY 1").fetchall())
    shared = con.execute(
        """SELECT a.key, b.key, count(*) FROM judged.signal_trip a
           JOIN judged.signal_trip b ON b.trip_id = a.trip_id AND a.key < b.key
           WHERE list_contains($keys, a.key) AND list_contains($keys, b.key) GROUP BY ALL""",
        {"keys": list(by_key)},
    ).fetchall()
    group = {key: {key} for key in by_key}
    alike = [(a, b) for a, b, n in shared if 2 * n >= min(counts[a], counts[b])]
    of_chart = {(s.measure, s.group_by, s.group_value): s.key for s in signals}
    alike += [(s.key, of_chart[s.measure, s.group_by, s.group_value]) for s in signals]
    for one, other in alike:
        both = group[one] | group[other]
        for key in both:
            group[key] = both
    newest = sorted(signals, key=lambda s: (s.month, s.key), reverse=True)
    led = [
        sorted((s for s in newest if s.key in keys),
               key=lambda s: (s.kind != "headline", -counts.get(s.key, 0)))
        for keys in {id(keys): keys for keys in group.values()}.values()
    ]  # fmt: skip
    return sorted(led, key=lambda own: (max(s.month for s in own), own[0].key), reverse=True)


# ---- what people do about them


def look_into(
    con: Connection, keys: Sequence[str], by: str, said: Mapping[str, str | None]
) -> None:
    """Store that signals are looked into; in a transaction. Whose they are is `by` unless said.

    `said`: owner, due_month and why, as far as known.
    """
    now = month_under_review(con)
    for key in keys:
        before = standing(con, "signal", key)
        owner = said.get("owner") or (before.owner if before else None) or by
        move(con, Move("signal", key, LOOKED_INTO, now, by, owner=owner,
                       due_month=said.get("due_month"), why=said.get("why")))  # fmt: skip


def take_up_again(con: Connection, signal: SignalNow, by: str, why: str | None) -> None:
    """Store that a closed signal is looked into again, with what closed it; in a transaction.

    Refused (not-a-move) where no person closed it, and without a why.
    """
    if not signal.closed_by:
        what = "only a signal that a person closed is taken up again"
        raise refused("not-a-move", None, what)
    chart = (signal.measure, signal.group_by, signal.group_value)
    later = [
        s.key for s in signals_now(con).values()
        if (s.measure, s.group_by, s.group_value) == chart and s.month >= signal.month
    ]  # fmt: skip
    closed = [k for k in later if (own := standing(con, "signal", k)) and own.state == CLOSED]
    look_into(con, closed, by, {"why": why})


def close(con: Connection, keys: Sequence[str], by: str, said: Mapping[str, str]) -> None:
    """Store that signals are closed, the first with those that are the same; in a transaction.

    `said`: conclusion, one of CONCLUSIONS; why, in words; unread, where trips are known to be.
    Refused (not-a-move) without the first two, of a first signal that was not looked into, and with
    trips unread of which that is not said.
    """
    if said.get("conclusion") not in CONCLUSIONS or not said.get("why"):
        what = "closing a signal needs a conclusion: what it was, and a word on how you know"
        raise refused("not-a-move", None, what)
    now, why = month_under_review(con), f"{CONCLUSIONS[said['conclusion']]}: {said['why']}"
    behind = {} if said.get("unread") else trips_behind(con, keys)
    unread = len({t.trip_id for trips in behind.values() for t in trips if not t.read})
    if (first := standing(con, "signal", keys[0])) and first.state == LOOKED_INTO:
        look_into(con, keys[1:], by, {"owner": first.owner})
    for key in keys:
        move(con, Move("signal", key, CLOSED, now, by, why=why), Facts(unread_trips=unread))


def close_ended(con: Connection, signals: Frame) -> int:
    """Store that signals are closed which the figures show to have ended; how many were.

    `signals`: rows of `schemas.signal_outputs.Signals` as of the month under review.
    """
    ended = signals.rows((signals["standing"] == "ended") & (signals["side"] == "worse"))
    closed = 0
    if not len(ended):  # perhaps no trip is judged: then no month is under review
        return closed
    with transaction(con):
        now = month_under_review(con)
        for row in dict.fromkeys(ended.keys(*_KEY)):
            key = "|".join(map(str, row))
            before = standing(con, "signal", key)
            if (before.state if before else OPEN) != CLOSED:
                closed += move(con, Move("signal", key, CLOSED, now, why=ENDED),
                               Facts(worked_out=True))  # fmt: skip
    return closed
