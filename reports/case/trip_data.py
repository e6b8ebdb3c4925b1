"""A trip as lanes over one time axis: the records of its picture. No SVG."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from reports.case.facts import Cases, milestones
from reports.case.picture_records import (
    Band,
    BehaviourRun,
    Charted,
    Contact,
    Finding,
    FlowRange,
    Notes,
    Observed,
    Occlusion,
    Segment,
    Step,
    Steps,
    Stretch,
    TripPicture,
)  # fmt: skip
from reports.text import words
from reports.text.plain_rows import Row, text

NEAR_S = 1800
"""What lies further than this past the trip's end is not drawn, but counted."""
COUNTED = {"wall", "cylinder", "unheated"}
SHORT = {"ventilator": ("vent.", "V"), "wall": ("wall", "W"), "cylinder": ("cyl.", "C"),
         "blender": ("blend", "B"), "unheated": ("unh.",), "heated": ("heat",)}  # fmt: skip
LOUD = ("crying", "coughing", "agitated")
FAILED = ("heater_failed", "ventilator_failed", "power_lost", "supply_low", "repeated_occlusion")
"""Reasons of a setting that are told at its mark: something failed, or ran low."""

SHOWN = ("deviation", "borderline", "cannot_tell", "authorised")
"""Verdicts whose stretch stands above the picture."""


def picture_data(trip: Row, cases: Cases) -> TripPicture:
    """Everything the picture of a trip shows."""
    domain = _domain(trip)
    after = "no hand-over time: not known from here" if trip["open_end"] else (
        "on other support: not counted"
    )  # fmt: skip
    return TripPicture(
        domain=domain,
        start_s=trip["start_s"],
        end_s=trip["end_s"],
        open_end=bool(trip["open_end"]),
        handover_s=trip["handover_s"],
        resolution_s=trip["r_settings"],
        milestones=milestones(trip),
        findings=findings(trip),
        bands=[
            _band(trip, "source", "Gas source", lambda v: words.SOURCE_WORDS.get(v, v)),
            _band(trip, "humidification", "Humidification", str),
            _band(trip, "cannula", "Cannula", cases.cannula),
        ],
        flow=_steps(trip, "flow_lpm", lambda v: f"{v:g}", " L/min"),
        fio2=_steps(trip, "fio2", lambda v: f"{v:.2f}", ""),
        ranges=_ranges(trip, cases),
        spo2=_points(trip, "spo2_pct", "SpO2", f"{words.NBSP}%"),
        resp_rate=_points(trip, "resp_rate", "Respiratory rate", "/min"),
        behaviour=behaviour_runs(trip["observations"]),
        occlusions=[_occlusion(row, trip) for row in trip["occlusions"]],
        contacts=[_contact(row, trip) for row in trip["contacts"]],
        reasons=[_reason(row, trip) for row in trip["settings"] if text(row["reason"]) in FAILED],
        notes=_notes(trip),
        beyond_axis=_beyond_axis(trip, domain),
        before="before the first setting: the sending hospital's support, not counted",
        after=after,
        no_setting="no setting was charted: nothing is known of the support",
    )


def _moments(trip: Row) -> Iterable[int]:
    yield from (m.at_s for m in milestones(trip))
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


def findings(trip: Row) -> list[Finding]:
    """Verdicts that rest on a stretch or a moment, with when their limit was reached."""
    moments = {text(m["rule"]): m for m in trip["limit_moments"]}
    found = []
    for verdict in trip["verdicts"]:
        rule, word = text(verdict["rule"]), text(verdict["verdict"])
        stretches = _stretches(verdict, trip)
        if word not in SHOWN or not stretches:
            continue
        moment = moments.get(rule)
        found.append(
            Finding(
                rule=rule,
                title=words.rule_title(rule),
                verdict=word,
                word=words.VERDICT_WORDS[word],
                stretches=stretches,
                moment_s=moment["at_s"] if moment else None,
                moment_words=moment_words(verdict, moment, trip),
                reason=text(verdict["reason"]),
            )
        )
    found.sort(key=lambda f: (SHOWN.index(f.verdict), f.stretches[0].from_s, f.rule))
    return [finding._replace(number=n) for n, finding in enumerate(found, 1)]


def _stretches(verdict: Row, trip: Row) -> list[Stretch]:
    """What a verdict rests on: the stretches that count, or may; else from its start to its end."""
    joined: list[Stretch] = []
    for row in trip["stretches"]:
        if row["rule"] != verdict["rule"]:
            continue
        own = Stretch(row["from_s"], row["until_s"], row["counts"])
        if joined and (joined[-1].until_s, joined[-1].counts) == (own.from_s, own.counts):
            joined[-1] = joined[-1]._replace(until_s=own.until_s)
        else:
            joined.append(own)
    if joined or verdict["from_s"] is None:
        return joined
    until = verdict["from_s"] if verdict["until_s"] is None else verdict["until_s"]
    counts = None if verdict["verdict"] == "cannot_tell" else True
    return [Stretch(verdict["from_s"], until, counts)]


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


def _held(trip: Row, field: str) -> Iterator[tuple[Any, tuple[int, int]]]:
    """Each value of one field of the timeline, neighbours of one value joined, with its ends."""
    for value, rows in itertools.groupby(trip["timeline"], key=lambda r: r[field]):
        joined = list(rows)
        yield value, (joined[0]["from_s"], joined[-1]["until_s"])


def _band(trip: Row, field: str, label: str, named: Callable[[str], str]) -> Band:
    """One field of the timeline as segments."""
    segments = []
    for place, (value, ends) in enumerate(_held(trip, field)):
        fill = "counted" if value in COUNTED else "plain"
        if field == "cannula" and place % 2:
            fill = "pale"
        shown = named(value) if value is not None else "not known"
        short = SHORT.get(text(value), ())
        segments.append(Segment(*ends, value is not None, shown, short, fill))
    return Band(label, segments)


def _steps(trip: Row, field: str, shown: Callable[[float], str], unit: str) -> Steps:
    """One numeric field as steps of what is known, and its charted values as dots."""
    sending, start = trip[f"sending_{field}"], trip["start_s"]
    return Steps(
        segments=[
            Step(*ends, value, "" if value is None else shown(value))
            for value, ends in _held(trip, field)
        ],
        sending=None if start is None or sending is None else (sending, start),
        charted=[
            Charted(r["at_s"], r[field], f"{shown(r[field])}{unit}")
            for r in trip["settings"]
            if r[field] is not None
        ],
    )


def _ranges(trip: Row, cases: Cases) -> list[FlowRange]:
    """The catalogue's flow range of the cannula in use, stretch by stretch."""
    return [
        FlowRange(*ends, *limits, cases.cannula(key))
        for key, ends in _held(trip, "cannula")
        if (limits := cases.flow_range(key))
    ]


def _points(trip: Row, field: str, name: str, unit: str) -> list[Observed]:
    resolution = trip["r_observations"]
    return [
        Observed(
            row["at_s"], row[field], f"{row[field]:g}",
            f"{name} {row[field]:g}{unit} at {words.moment(row['at_s'], resolution)}",
        )
        for row in trip["observations"]
        if row[field] is not None
    ]  # fmt: skip


def behaviour_runs(observations: list[Row]) -> list[BehaviourRun]:
    """Runs of observations with one behaviour, ended by one without; between runs none is known."""
    return [
        BehaviourRun(text(value), [row["at_s"] for row in rows], value in LOUD)
        for value, rows in itertools.groupby(observations, key=lambda r: r["behaviour"])
        if value is not None
    ]


def _occlusion(row: Row, trip: Row) -> Occlusion:
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
    return Occlusion(
        at_s=row["at_s"],
        after=after,
        tolerance_s=tolerance,
        pressure=pressure,
        counted=not not_counted,
        short=f"{pressure:g}" if pressure is not None else "?",
        words=label,
        title=f"Occlusion at {at} (clock uncertain by {tolerance:g} s): {label}{because};"
        f" {_after_words(after)}",
    )


def _after_words(after: tuple[float | None, float | None]) -> str:
    """'SpO2 94 % and heart rate 150/min at the lowest within 10 min after'."""
    spo2, heart = after
    parts = [] if spo2 is None else [f"SpO2 {spo2:g}{words.NBSP}%"]
    parts += [] if heart is None else [f"heart rate {heart:g}/min"]
    if not parts:
        return "neither SpO2 nor heart rate charted within 10 min after"
    return f"{words.listed(parts)} at the lowest within 10 min after"


def _contact(row: Row, trip: Row) -> Contact:
    at = words.moment(row["at_s"], trip["r_contacts"])
    who = words.plain(text(row["contacted"]))
    given = f", authorised {words.plain(row['authorised'])}" if row["authorised"] else ""
    about = f", about {words.isolated(text(row['about']))}" if row["about"] else ""
    return Contact(row["at_s"], f"{who}{given}", f"Call at {at} to {who}{about}{given}")


def _reason(row: Row, trip: Row) -> Contact:
    why = words.plain(text(row["reason"]))
    at = words.moment(row["at_s"], trip["r_settings"])
    return Contact(row["at_s"], why, f"{words.capital(why)}, charted at {at}")


def _notes(trip: Row) -> Notes:
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
    return Notes(
        occlusions, ventilated and not trip["log_complete"], contacts, not trip["contacts_known"],
        observed,
    )  # fmt: skip
