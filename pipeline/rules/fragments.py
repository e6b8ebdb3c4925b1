"""SQL that several rules share: limits, authorising calls, and values at departure."""

from __future__ import annotations

from schemas.rule_parameters import AtLimit


def within(value: str, limit: str, at_limit: AtLimit) -> str:
    """SQL for 'value keeps to the limit'; `at_limit` says whether the limit itself passes."""
    return f"({value} <= {limit})" if at_limit == "pass" else f"({value} < {limit})"


def beyond(value: str, limit: str, at_limit: AtLimit) -> str:
    """SQL for 'value is past the limit'; the exact opposite of `within`."""
    return f"({value} > {limit})" if at_limit == "pass" else f"({value} >= {limit})"


def excused(verdict: str, authorised: str, contacts_known: str) -> str:
    """A variance, sure or possible, after authorising calls are looked at.

    Where the calls themselves are not known (not recorded, or set aside), a variance that a call
    may have authorised cannot be told from one that none did.
    """
    return f"""CASE WHEN {verdict} NOT IN ('deviation', 'borderline') THEN {verdict}
                WHEN {authorised} THEN 'authorised'
                WHEN NOT {contacts_known} THEN 'cannot_tell'
                ELSE {verdict} END"""


def first_authorisation(code: str) -> str:
    """The earliest call of each trip that authorised `code`."""
    return f"""SELECT trip_key, min(at_s) AS authorised_s FROM contacts_now
               WHERE authorised = '{code}' GROUP BY trip_key"""


def at_departure() -> str:
    """The intervals in force at some instant that may have been the departure.

    Both times are truncated, so the charted departure d and the settings' times allow every
    recorded instant in (d - r_settings, d + r_trips). A departure outside the known part of the
    window, or missing, has no row.
    """
    return """
    SELECT w.trip_key, w.delivery_no, t.source, t.flow_lpm, t.fio2, t.humidification, t.cannula
    FROM version_trips w
    JOIN timeline_now t ON t.trip_key = w.trip_key
        AND t.from_s < w.departed_s + w.r_trips
        AND t.until_s > w.departed_s - w.r_settings + 1
    WHERE w.departed_s >= w.start_s AND w.departed_s < w.end_s
    """


def one_answer(answer: str = "answer") -> str:
    """Several instants' answers as one verdict; no instant at all cannot tell."""
    return f"""CASE WHEN count({answer}) = 0 OR bool_or({answer} = 'cannot_tell')
                         THEN 'cannot_tell'
                    WHEN min({answer}) = max({answer}) THEN min({answer})
                    ELSE 'borderline' END"""


def spo2_in_window(trips: str) -> str:
    """trip_key, at_s, line and spo2_pct of every SpO2 in the review window of `trips`.

    A set-aside observation may have had one: it is there, with spo2_pct null.
    """
    return f"""
        SELECT o.trip_key, o.at_s, o.line, o.spo2_pct
        FROM observations_now o JOIN {trips} w USING (trip_key)
        WHERE o.spo2_pct IS NOT NULL AND o.at_s >= w.start_s
          AND (o.at_s < w.end_s OR w.open_end)
        UNION ALL
        SELECT l.trip_key, l.at_s, l.line, NULL
        FROM lost_now l JOIN {trips} w USING (trip_key)
        WHERE l.table_name = 'observations' AND l.at_s >= w.start_s
          AND (l.at_s < w.end_s OR w.open_end)
    """
