"""A trip as lanes over one time axis: plain data for its picture. No SVG."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from reports.case.facts import Cases, milestones
from reports.text import words
from reports.text.rows import Row, text

NEAR_S = 1800
"""What lies further than this past the trip's end is not drawn, but counted."""
COUNTED = {"wall", "cylinder", "unheated"}
SHORT = {"ventilator": ["vent.", "V"], "wall": ["wall", "W"], "cylinder": ["cyl.", "C"],
         "blender": ["blend", "B"], "unheated": ["unh."], "heated": ["heat"]}  # fmt: skip
LOUD = ("crying", "coughing", "agitated")
SHOWN = ("deviation", "borderline", "cannot_tell", "authorised")
"""Verdicts whose stretch stands above the picture."""


def picture_data(trip: Row, cases: Cases) -> Row:
    """Everything the picture of a trip shows; times are seconds since the bedside."""
    domain = _domain(trip)
    return {
        "domain": domain,
        "start_s": trip["start_s"],
        "end_s": trip["end_s"],
        "open_end": bool(trip["open_end"]),
        "handover_s": trip["handover_s"],
        "milestones": milestones(trip),
        "findings": findings(trip),
        "bands": [
            _band(trip, "source", "Gas source", lambda v: words.SOURCE_WORDS.get(v, v)),
            _band(trip, "humidification", "Humidification", str),
            _band(trip, "cannula", "Cannula", cases.cannula),
        ],
        "flow": _steps(trip, "flow_lpm", lambda v: f"{v:g}", " L/min"),
        "fio2": _steps(trip, "fio2", lambda v: f"{v:.2f}", ""),
        "ranges": _ranges(trip, cases),
        "spo2": _points(trip, "spo2_pct", "SpO2", f"{words.NBSP}%"),
        "resp_rate": _points(trip, "resp_rate", "Respiratory rate", "/min"),
        "behaviour": _behaviour(trip),
        "occlusions": [_occlusion(row, trip) for row in trip["occlusions"]],
        "contacts": [_contact(row, trip) for row in trip["contacts"]],
        "lost": [row for row in trip["lost"] if row["at_s"] is not None],
        "notes": _notes(trip),
        "beyond_axis": _beyond_axis(trip, domain),
    }


def _moments(trip: Row) -> Iterable[int]:
    yield from (m["at_s"] for m in milestones(trip))
    yield from (t for t in (trip["end_s"],) if t is not None)
    for name in ("settings", "observations", "contacts", "occlusions"):
        yield from (row["at_s"] for row in trip[name])


def _domain(trip: Row) -> tuple[int, int]:
    """From the bedside to hand-over, or the last record; with what lies a little outside."""
    core = trip["handover_s"] or max((t for t in _moments(trip)), default=0)
    near = [t for t in _moments(trip) if -NEAR_S <= t <= core + NEAR_S]
    low, high = min([0, *near]), max([core, *near, 60])
    return low, high + (max(300, (high - low) // 20) if trip["open_end"] else 0)


def _beyond_axis(trip: Row, domain: tuple[int, int]) -> int:
    return sum(not domain[0] <= t <= domain[1] for t in _moments(trip))


def findings(trip: Row) -> list[Row]:
    """Verdicts that rest on a stretch or a moment, with when their limit was reached."""
    moments = {text(m["rule"]): m for m in trip["limit_moments"]}
    rows: list[Row] = []
    for verdict in trip["verdicts"]:
        rule = text(verdict["rule"])
        stretches = _stretches(verdict, trip)
        if verdict["verdict"] not in SHOWN or not stretches:
            continue
        moment = moments.get(rule)
        rows.append(
            {
                "rule": rule,
                "title": words.rule_title(rule),
                "verdict": text(verdict["verdict"]),
                "stretches": stretches,
                "moment_s": moment["at_s"] if moment else None,
                "moment_words": moment_words(verdict, moment, trip),
                "reason": text(verdict["reason"]),
            }
        )
    rows.sort(key=lambda r: (SHOWN.index(r["verdict"]), r["stretches"][0]["from_s"], r["rule"]))
    return [{**row, "number": n} for n, row in enumerate(rows, 1)]


def _stretches(verdict: Row, trip: Row) -> list[Row]:
    """What a verdict rests on: the stretches that count, or may; else from its start to its end."""
    counted = [row for row in trip["stretches"] if row["rule"] == verdict["rule"]]
    joined: list[Row] = []
    for row in counted:
        if joined and joined[-1]["until_s"] == row["from_s"] and (
            joined[-1]["counts"] == row["counts"]
        ):  # fmt: skip
            joined[-1] = {**joined[-1], "until_s": row["until_s"]}
        else:
            joined.append(row)
    if joined or verdict["from_s"] is None:
        return joined
    until = verdict["from_s"] if verdict["until_s"] is None else verdict["until_s"]
    counts = None if verdict["verdict"] == "cannot_tell" else True
    return [{"from_s": verdict["from_s"], "until_s": until, "counts": counts}]


def moment_words(verdict: Row, moment: Row | None, trip: Row) -> str:
    """'limit of 50 min reached at 66 min'; empty where no limit was reached in known time."""
    if moment is None:
        return ""
    at = words.moment(moment["at_s"], trip["r_settings"])
    limit = words.number(words.some(verdict["limit"]))
    if moment["due"]:
        return f"{moment['due']} due by about {round(moment['at_s'] / 60)} min"
    reached = f"limit of {limit} {text(verdict['unit'])} reached at {at}"
    # charted too coarsely to be sure of
    return f"as charted, {reached}" if verdict["verdict"] == "borderline" else reached


def _held(trip: Row, field: str) -> Iterator[tuple[Any, Row]]:
    """Each value of one field of the timeline, neighbours of one value joined, with its ends."""
    for value, rows in itertools.groupby(trip["timeline"], key=lambda r: r[field]):
        joined = list(rows)
        yield value, {"from_s": joined[0]["from_s"], "until_s": joined[-1]["until_s"]}


def _band(trip: Row, field: str, label: str, named: Callable[[str], str]) -> Row:
    """One field of the timeline as segments."""
    segments = [
        {
            **ends,
            "known": value is not None,
            "text": named(value) if value is not None else "not known",
            "short": SHORT.get(text(value), []),
            "fill": "counted" if value in COUNTED else "plain",
        }
        for value, ends in _held(trip, field)
    ]
    if field == "cannula":
        for index, segment in enumerate(segments):
            segment["fill"] = "plain" if index % 2 == 0 else "pale"
    return {"label": label, "segments": segments}


def _steps(trip: Row, field: str, shown: Callable[[float], str], unit: str) -> Row:
    """One numeric field as steps of what is known, and its charted values as dots."""
    segments = [
        {**ends, "value": value, "text": "" if value is None else shown(value)}
        for value, ends in _held(trip, field)
    ]
    sending, start = f"sending_{field}", trip["start_s"]
    return {
        "segments": segments,
        "unit": unit,
        "sending": None if start is None or trip[sending] is None else (trip[sending], start),
        "charted": [
            {"at_s": r["at_s"], "value": r[field], "text": f"{shown(r[field])}{unit}"}
            for r in trip["settings"]
            if r[field] is not None
        ],
    }


def _ranges(trip: Row, cases: Cases) -> list[Row]:
    """The catalogue's flow range of the cannula in use, stretch by stretch."""
    found = []
    for key, rows in itertools.groupby(trip["timeline"], key=lambda r: r["cannula"]):
        stretch, limits = list(rows), cases.flow_range(key)
        if limits:
            ends = {"from_s": stretch[0]["from_s"], "until_s": stretch[-1]["until_s"]}
            found.append({**ends, "low": limits[0], "high": limits[1], "of": cases.cannula(key)})
    return found


def _points(trip: Row, field: str, name: str, unit: str) -> list[Row]:
    resolution = trip["r_observations"]
    return [
        {
            "at_s": row["at_s"],
            "value": row[field],
            "text": f"{row[field]:g}",
            "title": f"{name} {row[field]:g}{unit} at {words.moment(row['at_s'], resolution)}",
        }
        for row in trip["observations"]
        if row[field] is not None
    ]


def _behaviour(trip: Row) -> list[Row]:
    """Runs of observations with one behaviour, ended by one without; between runs none is known."""
    runs = []
    for value, rows in itertools.groupby(trip["observations"], key=lambda r: r["behaviour"]):
        times = [row["at_s"] for row in rows]
        if value is not None:
            runs.append({"text": text(value), "times": times, "loud": value in LOUD})
    return runs


def _occlusion(row: Row, trip: Row) -> Row:
    at = words.moment(row["at_s"], trip["r_device"])
    pressure, cutoff = words.some(row["pressure_cmh2o"]), words.some(row["cutoff_s"])
    parts = [
        f"{pressure:g} cmH2O" if pressure is not None else "pressure not logged",
        f"flow cut {cutoff:g} s" if cutoff is not None else "",
        text(row.get("behaviour")),
    ]
    label = ", ".join(filter(None, parts))
    not_counted = text(row["not_counted_because"])
    because = f"; not in the rates: {not_counted}" if not_counted else ""
    tolerance = words.some(trip["clock_tolerance_s"]) or 0.0
    after = words.some(row["spo2_after_pct"]), words.some(row["heart_rate_after"])
    return {
        "after": after,
        "at_s": row["at_s"],
        "tolerance_s": tolerance,
        "pressure": pressure,
        "counted": not not_counted,
        "short": f"{pressure:g}" if pressure is not None else "?",
        "words": label,
        "title": f"Occlusion at {at} (clock uncertain by {tolerance:g} s): {label}{because};"
        f" {_after_words(after)}",
    }


def _after_words(after: tuple[float | None, float | None]) -> str:
    """'SpO2 94 % and heart rate 150/min at the lowest within 10 min after'."""
    spo2, heart = after
    parts = [] if spo2 is None else [f"SpO2 {spo2:g}{words.NBSP}%"]
    parts += [] if heart is None else [f"heart rate {heart:g}/min"]
    if not parts:
        return "neither SpO2 nor heart rate charted within 10 min after"
    return f"{words.listed(parts)} at the lowest within 10 min after"


def _contact(row: Row, trip: Row) -> Row:
    at = words.moment(row["at_s"], trip["r_contacts"])
    who = words.plain(text(row["contacted"]))
    given = f", authorised {words.plain(row['authorised'])}" if row["authorised"] else ""
    about = f", about {words.isolated(text(row['about']))}" if row["about"] else ""
    return {
        "at_s": row["at_s"],
        "words": f"{who}{given}",
        "short": who,
        "title": f"Call at {at} to {who}{about}{given}",
    }


def _notes(trip: Row) -> dict[str, Any]:
    """What an empty lane means."""
    ventilated = any(row["source"] in (None, "ventilator") for row in trip["timeline"])
    if not trip["timeline"]:
        occlusions = "no setting charted"
    elif not ventilated:
        occlusions = "the ventilator was not in use"
    elif not trip["log_complete"]:
        occlusions = "device log not complete: occlusions may be missing"
    else:
        occlusions = "none logged"
    contacts = "no call recorded"
    if "contacts" in trip["not_recorded"]:
        contacts = "not recorded by the service"
    elif not trip["contacts_known"]:
        contacts = "a row of calls was set aside: one may be missing"
    observed = "none charted"
    if "observations" in trip["not_recorded"]:
        observed = "not recorded by the service"
    return {
        "occlusions": occlusions,
        "log_unknown": ventilated and not trip["log_complete"],
        "contacts": contacts,
        "calls_unknown": not trip["contacts_known"],
        "observations": observed,
    }
