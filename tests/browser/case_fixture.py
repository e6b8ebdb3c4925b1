"""Trips of an invented service, built by hand, for the case pages to be drawn from."""

from __future__ import annotations

from typing import Any

from schemas.case_detail import CASE_TABLES, CaseDetails
from schemas.frame import Frame
from schemas.month_review import RuleFacts
from schemas.work import MonthWork, WorkItem

Rows = dict[str, list[dict[str, Any]]]

FIELDS = ("source", "flow_lpm", "fio2", "humidification", "cannula")

# Wall oxygen from 3 to 33 and from 45 to 80 min: 50 min are full at 65 min. Flow and FiO2 are
# not known from 100 min on.
STRETCHES = [
    (180, 1980, "wall", 8.0, 1.0, "heated", "prong-2"),
    (1980, 2700, "ventilator", 8.0, 0.4, "heated", "prong-2"),
    (2700, 4800, "wall", 8.0, 1.0, "unheated", "prong-2"),
    (4800, 6000, "ventilator", 14.0, 0.4, "heated", "prong-3"),
    (6000, 7200, "ventilator", None, None, "heated", "prong-3"),
]
LIMIT_MIN = 65
"""When the rich trip's wall oxygen reaches 50 min: 30 by 33 min, and 20 more from 45 min on."""

OCCLUSIONS = [(5100, 48.0, 7.0, True), (5160, 51.0, None, True), (6600, None, 9.0, False)]


def details(cases: Frame, hostile: dict[str, str] | None = None) -> CaseDetails:
    """Frames of these cases: the first trip rich, others open, without settings, or plain."""
    rows: Rows = {name: [] for name in CASE_TABLES}
    for index, case in enumerate(cases.records()):
        kind = {0: "rich", 1: "open", 2: "uncharted", 3: "weaned"}.get(index, "plain")
        trip = _trip(case, kind)
        if hostile:
            trip |= {"base": case["base"], "diagnosis_group": hostile["script"],
                     "ventilator_unit": hostile["long"], "heater_unit": hostile["markup"],
                     "file": hostile["quotes"]}  # fmt: skip
        _fill(rows, trip, case, kind)
    if hostile:
        _spoil(rows, hostile)
    frames = {name: _frame(name, found) for name, found in rows.items()}
    return CaseDetails(**frames, not_recorded={})


def _frame(name: str, rows: list[dict[str, Any]]) -> Frame:
    columns = list(CASE_TABLES[name].columns)
    unknown = {key for row in rows for key in row} - set(columns)
    assert not unknown, (name, unknown)
    return Frame.of_rows(rows, columns)


def _trip(case: dict[str, Any], kind: str) -> dict[str, Any]:
    charted = kind != "uncharted"
    end = {"open": 6600, "weaned": 6900}.get(kind, 7200)
    return {
        "reading_order": case["reading_order"], "trip_id": case["trip_id"], "file": "trips.csv",
        "line": 1 + case["reading_order"], "service_month": "2026-06", "base": case["base"],
        "vehicle": case["vehicle"], "age_months": 31, "weight_kg": 8.4,
        "diagnosis_group": "lower-airway", "planned_transit_min": 55.0,
        "sending_cannula": "prong-2", "sending_flow_lpm": 7.0, "sending_fio2": 0.5,
        "departed_s": 2400, "arrived_s": 6300, "handover_s": None if kind == "open" else 7200,
        "outcome": "unchanged", "protocol_version": "2026.1",
        "start_s": 180 if charted else None, "end_s": end if charted else 7200,
        "open_end": kind == "open", "ends_at_handover": kind not in ("open", "weaned"),
        "log_complete": kind != "plain", "contacts_known": True, "observations_known": True,
        "all_settings_unknown": False, "r_trips": 60, "r_settings": 60, "r_device": 1,
        "r_observations": 60, "r_contacts": 60, "clock_offset_s": 42, "clock_removed": True,
        "clock_tolerance_s": 60.0,
    }  # fmt: skip


def _fill(rows: Rows, trip: dict[str, Any], case: dict[str, Any], kind: str) -> None:
    rows["trips"].append(trip)
    of = {"trip_id": trip["trip_id"]}
    first = 100 * int(case["reading_order"])
    if kind != "uncharted":
        for from_s, until_s, *values in STRETCHES:
            until = min(until_s, trip["end_s"])
            rows["timeline"].append(
                {**of, "from_s": from_s, "until_s": until, **dict(zip(FIELDS, values, strict=True))}
            )
        for line, (from_s, _, *values) in enumerate(STRETCHES, start=first):
            reason = "ventilator_failed" if from_s == 2700 else "clinical"
            rows["settings"].append(
                {**of, "file": "settings.csv", "line": line, "at_s": from_s, "reason": reason,
                 **dict(zip(FIELDS, values, strict=True))}
            )  # fmt: skip
    for number in range(14):
        rows["observations"].append(
            {**of, "file": "observations.csv", "line": first + number, "at_s": 60 + 480 * number,
             "spo2_pct": 83.0 if number == 10 else 96.0, "resp_rate": 40.0 + number,
             "behaviour": "crying" if number in (10, 11) else "calm"}
        )  # fmt: skip
    if kind == "rich":
        _fill_rich(rows, of, first)
    _fill_verdicts(rows, of, case, kind, first)


def _fill_rich(rows: Rows, of: dict[str, Any], first: int) -> None:
    for line, (at_s, pressure, cutoff, counted) in enumerate(OCCLUSIONS, start=first):
        rows["occlusions"].append(
            {**of, "at_s": at_s, "device_at_s": at_s + 42, "logged_events": 1,
             "pressure_cmh2o": pressure, "cutoff_s": cutoff, "source": "ventilator",
             "cannula": "prong-3", "flow_lpm": 14.0, "counted": counted,
             "not_counted_because": None if counted else "the flow is unknown",
             "pattern": "child_unsettled", "next_action": "less_flow", "action_after_s": 240,
             "behaviour": "crying", "watched": True, "outside_ventilator": False,
             "spo2_after_pct": 96.0 if counted else None, "heart_rate_after": None,
             "file": "device_events.csv", "line": line}
        )  # fmt: skip
    rows["contacts"].append(
        {**of, "file": "contacts.csv", "line": 17, "at_s": 5400, "contacted": "medical_direction",
         "about": "oxygen", "authorised": None}
    )  # fmt: skip
    rows["lost"].append(
        {**of, "table": "settings", "file": "settings.csv", "line": first + 60, "at_s": 6000}
    )
    rows["problems"].append(
        {**of, "kind": "set_aside", "problem": "not-a-number", "file": "settings.csv",
         "line": first + 60, "column": "flow_lpm", "what": "must be a number from 0 to 80 L/min",
         "remedy": "Write it with a decimal point."}
    )  # fmt: skip
    rows["limit_moments"].append(
        {**of, "rule": "wall-oxygen-time", "at_s": LIMIT_MIN * 60, "due": None}
    )
    for from_s, until_s in ((180, 1980), (2700, 4800)):
        rows["stretches"].append(
            {**of, "rule": "wall-oxygen-time", "from_s": from_s, "until_s": until_s, "counts": True}
        )


def _fill_verdicts(
    rows: Rows, of: dict[str, Any], case: dict[str, Any], kind: str, first: int
) -> None:
    common = {**of, "protocol_version": "2026.1", "limit": 50.0, "unit": "min"}
    answers = [
        ("wall-oxygen-time", "high", 180, 4800, "deviation" if kind == "rich" else "borderline"),
        ("unheated-time", "high", 2700, 4800, "authorised"),
        ("source-choice", "medium", 2400, 2400, "cannot_tell"),
        ("settings-gap", "low", None, None, "met"),
        ("fallback-reason", "medium", None, None, "not_applicable"),
    ]
    sentences = {"deviation": "Undiluted oxygen for 63 to 67 min, past the limit of 50 min.",
                 "borderline": case["why"], "authorised": "A call authorised it in time.",
                 "cannot_tell": "The source at departure is not known.",
                 "met": "The longest time was 12 to 14 min.",
                 "not_applicable": "There was no fallback."}  # fmt: skip
    for rule, severity, from_s, until_s, verdict in answers:
        rows["verdicts"].append(
            {**common, "rule": rule, "severity": severity, "verdict": verdict, "from_s": from_s,
             "until_s": until_s, "observed_low": 63.0, "observed_high": 67.0,
             "reason": sentences[verdict]}
        )  # fmt: skip
    for line in (first, first + 1, first + 2, first + 4):
        rows["evidence"].append(
            {**of, "rule": "wall-oxygen-time", "file": "settings.csv", "line": line}
        )


def _spoil(rows: Rows, hostile: dict[str, str]) -> None:
    """Put a text that tries to be something else wherever a delivery's own words may stand."""
    values = list(hostile.values())
    for name in ("settings", "timeline"):
        for index, row in enumerate(rows[name]):
            row["cannula"] = values[index % len(values)]
    for index, row in enumerate(rows["contacts"] + rows["verdicts"] + rows["problems"]):
        for key in ("about", "reason", "what", "remedy"):
            if key in row:
                row[key] = values[index % len(values)]


def work_of(cases: Frame) -> MonthWork:
    """The cases as work, all of it open, and two records to fetch."""
    rows = [{name: "" if v is None else v for name, v in row.items()} for row in cases.records()]
    items = [
        WorkItem(c["kind"], c["trip_id"], c["base"], c["why"], c["leading_rule"], c["severity"], n,
                 "open", tuple(str(c["rules"]).split()))
        for n, c in enumerate(rows, 1)
    ]  # fmt: skip
    missing = [
        WorkItem("fetch", c["trip_id"], c["base"], "Device log not downloaded.", "",
                 "high", n, "open")
        for n, c in enumerate(rows[:2], 1)
    ]  # fmt: skip
    return MonthWork((*items, *missing))


def rule_facts(rules: list[tuple[str, str, str]]) -> tuple[RuleFacts, ...]:
    return tuple(
        RuleFacts(
            **{"question": asks, "asks": asks},
            rule=rule,
            text="As the local protocol words it.",
            severity=severity,
            source="local protocol",
            fit="Outside" if rule in ("cannula-flow-range", "cannula-weight") else "",
        )
        for rule, severity, asks in rules
    )
