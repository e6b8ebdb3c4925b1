"""Records that contradict themselves or cannot be: found and shown, not averaged away.

Each has an id, a sentence and one thing to do; `CONTRADICTIONS` lists them all. Nothing is
repaired: the verdicts rest on the records as they are, and these rows say what to look at.
Recorded times are truncated, so an order counts as impossible only where truncation cannot
explain it.
"""

from __future__ import annotations

from collections.abc import Callable

from pipeline.store.sql import is_file_of
from pipeline.timeline.weight_for_age import weight_limit_rows
from schemas.record import dataclass

UNDILUTED = "('wall', 'cylinder')"
CHARTED_WITHIN_S = 300
"""How long before its change a reason may be charted; common practice, no source."""


@dataclass(frozen=True)
class Contradiction:
    """One kind of record that cannot be.

    `rows` returns a SELECT of trip_key, line (of `table`, null where no row is at fault) and
    shown (fills {shown} of the sentence, null where unused) over the trips being judged; None
    where the trips it is about are not judged at all.
    """

    id: str
    sentence: str
    remedy: str
    table: str | None
    column: str | None
    rows: Callable[[], str] | None


def fio2_on_undiluted_gas() -> str:
    """Settings that chart, and leave in force, FiO2 below 1 on the wall or a cylinder."""
    return f"""
    SELECT s.trip_key, s.line, t.source AS shown
    FROM timeline_now t
    JOIN settings_now s ON s.trip_key = t.trip_key AND s.at_s >= t.from_s
        AND s.at_s < t.until_s AND s.fio2 = t.fio2
    WHERE t.source IN {UNDILUTED} AND t.fio2 < 1
    """


def setting_after_handover() -> str:
    """Settings surely after hand-over, whatever the truncation of either time."""
    return """
    SELECT s.trip_key, s.line, NULL AS shown
    FROM settings_now s JOIN (
        SELECT trip_key, handover_s + r_trips AS surely_after_s
        FROM trip_window_now JOIN charted_times_now USING (trip_key)
        WHERE last_s >= surely_after_s
    ) w ON w.trip_key = s.trip_key AND s.at_s >= w.surely_after_s
    """


def milestone_order(first: str, then: str, *, unless: str = "FALSE") -> Callable[[], str]:
    """Trips whose milestone `first` is recorded after `then`, which it must precede.

    Both are of one table and truncated alike, so the recorded order is the true one or a tie.
    """

    def rows() -> str:
        return f"""
        SELECT t.trip_key, t.line, NULL AS shown
        FROM delivered.trips t SEMI JOIN to_judge USING (trip_key)
        WHERE t.{first} > t.{then} AND NOT ({unless})
        """

    return rows


def heated_while_failed() -> str:
    """Settings that give the heater's failure as their reason, and heated as the gas.

    Either in that row, or because heated stays in force for all of the time a crew may take to
    chart the change.
    """
    return f"""
    WITH failed AS (
        SELECT s.trip_key, s.line, s.at_s, coalesce(s.humidification = 'heated', FALSE) AS charted
        FROM settings_now s
        JOIN timeline_now t ON t.trip_key = s.trip_key AND s.at_s >= t.from_s
            AND s.at_s < t.until_s
        WHERE s.reason = 'heater_failed' AND t.humidification = 'heated'
    )
    SELECT f.trip_key, f.line, NULL AS shown
    FROM failed f
    JOIN timeline_now t ON t.trip_key = f.trip_key AND t.until_s > f.at_s
        AND t.from_s <= f.at_s + {CHARTED_WITHIN_S}
    GROUP BY f.trip_key, f.line
    HAVING any_value(f.charted)
        OR (bool_and(coalesce(t.humidification = 'heated', FALSE))
            AND max(t.until_s) > any_value(f.at_s) + {CHARTED_WITHIN_S})
    """


def occlusion_outside_ventilator(*, on_wall: bool) -> Callable[[], str]:
    """Occlusions further than the clock's tolerance from any time the ventilator may have run."""
    source = f"coalesce(o.source IN {UNDILUTED}, FALSE)"

    def rows() -> str:
        return f"""
        SELECT o.trip_key, o.line, o.source AS shown
        FROM occlusion_now o JOIN occlusion_context_now e USING (trip_key, line)
        WHERE e.outside_ventilator AND {source if on_wall else f"NOT {source}"}
        """

    return rows


def implausible_weight() -> str:
    """Weights outside WHO's flags for the age in whole months; older children are not checked."""
    return f"""
    SELECT t.trip_key, t.line, NULL AS shown
    FROM delivered.trips t SEMI JOIN to_judge USING (trip_key)
    JOIN ({weight_limit_rows()}) l(age_months, lowest_kg, highest_kg) USING (age_months)
    WHERE t.weight_kg < l.lowest_kg OR t.weight_kg > l.highest_kg
    """


def two_at_once(field: str) -> Callable[[], str]:
    """The last row of each recorded time at which rows chart different values of a field."""

    def rows() -> str:
        return f"""
        SELECT trip_key, max(line) AS line, NULL AS shown
        FROM charted_twice_now WHERE {field} IS NOT NULL
        GROUP BY trip_key, at_s HAVING min({field}) <> max({field})
        """

    return rows


def cannula_unlisted() -> str:
    """The first row of each cannula of a trip that its delivery's catalogue does not list."""
    return """
    SELECT s.trip_key, min(s.line) AS line, NULL AS shown
    FROM settings_now s
    JOIN to_judge j USING (trip_key)
    LEFT JOIN delivered.cannula c ON c.delivery_no = j.delivery_no AND c.id = s.cannula
    WHERE s.cannula IS NOT NULL AND c.id IS NULL
    GROUP BY s.trip_key, s.cannula
    """


def clock_offset() -> str:
    """Device clocks further off than the export lets be removed, at the start that shows it."""
    return """
    SELECT k.trip_key, min(e.line) AS line, any_value(k.offset_s)::VARCHAR AS shown
    FROM clock_now k
    JOIN device_events_now e ON e.trip_key = k.trip_key AND e.at_s = k.started_s
        AND e.event = 'started'
    WHERE k.offset_s IS NOT NULL AND NOT k.removed
    GROUP BY k.trip_key
    """


CONTRADICTIONS: dict[str, Contradiction] = {
    found.id: found
    for found in (
        Contradiction(
            "fio2-on-undiluted-gas",
            "FiO2 below 1.0 is charted while the source is {shown}, which gives undiluted oxygen",
            "Ask the crew whether the source or the FiO2 was charted wrongly.",
            "settings", "fio2", fio2_on_undiluted_gas,
        ),
        Contradiction(
            "setting-after-handover",
            "a setting is charted after hand-over; it was left out",
            "Check the hand-over time, and whether the row belongs to this trip.",
            "settings", "at_s", setting_after_handover,
        ),
        Contradiction(
            "departure-after-arrival",
            "departure is recorded after arrival",
            "Correct the two times in the export.",
            "trips", "departed_s", milestone_order("departed_s", "arrived_s"),
        ),
        Contradiction(
            "arrival-after-handover",
            "arrival is recorded after hand-over",
            "Correct the two times in the export.",
            "trips", "arrived_s", milestone_order("arrived_s", "handover_s"),
        ),
        Contradiction(
            "departure-after-handover",
            "departure is recorded after hand-over",
            "Correct the two times in the export.",
            "trips", "departed_s",
            milestone_order("departed_s", "handover_s", unless="t.arrived_s IS NOT NULL"),
        ),
        Contradiction(
            "heated-while-heater-failed",
            "the heater is charted as failed while heated gas is in force",
            "Ask the crew when the heater failed, and whether the gas was heated after that.",
            "settings", "humidification", heated_while_failed,
        ),
        Contradiction(
            "occlusion-on-wall",
            "the ventilator logged an occlusion while the source was {shown}, further from any"
            " ventilator time than its clock may be off; the rates leave it out",
            "Check the charted sources, the device's clock, and whether the log is this trip's.",
            "device_events", "at_s", occlusion_outside_ventilator(on_wall=True),
        ),
        Contradiction(
            "occlusion-outside-ventilator-time",
            "the ventilator logged an occlusion further from any ventilator time than its clock may"
            " be off; the rates leave it out",
            "Check the charted sources, the device's clock, and whether the log is this trip's.",
            "device_events", "at_s", occlusion_outside_ventilator(on_wall=False),
        ),
        Contradiction(
            "weight-for-age",
            "the weight is outside what growth references hold possible at this age (WHO: z below"
            " -6 or above +5)",
            "Check weight and age; a child born early may rightly weigh less.",
            "trips", "weight_kg", implausible_weight,
        ),
        Contradiction(
            "two-cannulas-at-once",
            "settings of one recorded time name different cannulas; the later row holds",
            "Find out which cannula was on.",
            "settings", "cannula", two_at_once("cannula"),
        ),
        Contradiction(
            "two-sources-at-once",
            "settings of one recorded time name different sources; the later row holds",
            "Find out which source was in use.",
            "settings", "source", two_at_once("source"),
        ),
        Contradiction(
            "cannula-not-in-catalogue",
            "a cannula is charted that the catalogue does not list, so the rules about cannulas"
            " cannot judge it",
            "Correct its id at the source, or add it to cannulas.toml.",
            "settings", "cannula", cannula_unlisted,
        ),
        Contradiction(
            "clock-offset",
            "the device's clock differs from the charts by {shown} s, more than the export's limit,"
            " so the difference was not removed",
            "Set the device's clock, and check its times in this trip.",
            "device_events", "at_s", clock_offset,
        ),
        Contradiction(
            "no-protocol-version",
            "no version of the protocol was in force in this month, so the trip was not judged",
            "Add the version that was in force to protocol.toml.",
            None, None, None,
        ),
    )
}  # fmt: skip
"""Every contradiction by its id."""


def charted_twice() -> str:
    """The rows of settings whose recorded time another row of the trip has, too."""
    return """
    CREATE OR REPLACE TEMP TABLE charted_twice_now AS
    SELECT trip_key, at_s, line, source, cannula FROM settings_now
    -- rows of one time stand together: `settings_now` is in order
    QUALIFY trip_key = lag(trip_key) OVER () AND at_s = lag(at_s) OVER ()
         OR trip_key = lead(trip_key) OVER () AND at_s = lead(at_s) OVER ()
    """


def contradiction() -> str:
    """The contradictions of the trips being judged: trip_key, problem, line, shown."""
    found = "\nUNION ALL\n".join(
        f"SELECT trip_key, '{kind.id}' AS problem, line::INTEGER AS line, shown::VARCHAR AS shown"
        f" FROM ({kind.rows()})"
        for kind in CONTRADICTIONS.values()
        if kind.rows is not None
    )
    return f"CREATE OR REPLACE TEMP TABLE contradiction_now AS\n{found}"


def month_contradictions() -> str:
    """The contradictions of $month as rows of problems, in no order; needs what was judged."""
    return f"""
    SELECT 'contradiction' AS kind, k.problem, w.delivery_no AS delivery, f.file, c.line,
           k."column", w.trip_id,
           replace(k.what, '{{shown}}', coalesce(c.shown, '')) AS what, k.remedy
    FROM judged.contradiction c
    JOIN judged.trip_window w USING (trip_key)
    JOIN ({_words()}) k(problem, "table", "column", what, remedy) USING (problem)
    LEFT JOIN delivered.file f ON f.delivery_no = w.delivery_no AND c.line IS NOT NULL
        AND {is_file_of('k."table"', "f.file")}
    WHERE w.service_month = $month
    UNION ALL
    SELECT 'contradiction', k.problem, h.delivery_no, NULL, NULL, NULL, h.trip_id, k.what, k.remedy
    FROM delivered.holding h
    JOIN delivered.trips t USING (trip_key)
    JOIN ({_words()}) k(problem, "table", "column", what, remedy)
        ON k.problem = 'no-protocol-version'
    ANTI JOIN judged.trip_window w USING (trip_key)
    WHERE t.service_month = $month
    """


def _words() -> str:
    cells = [(k.id, k.table, k.column, k.sentence, k.remedy) for k in CONTRADICTIONS.values()]
    return "VALUES " + ", ".join(f"({', '.join(map(_quoted, row))})" for row in cells)


def _quoted(text: str | None) -> str:
    return "NULL" if text is None else "'" + text.replace("'", "''") + "'"
