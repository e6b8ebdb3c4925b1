"""The trips of the case pages: their rows read once for a month, and a trip in facts and sentences.

No HTML.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.case.picture_records import Milestone
from reports.text import words
from reports.text.plain_rows import Row, grouped, text

if TYPE_CHECKING:
    from schemas.case_detail import CaseDetails
    from schemas.month_review import MonthReview

NOT_RECORDED = "not recorded"
MANY = (
    "timeline", "settings", "observations", "contacts", "occlusions", "lost", "verdicts",
    "evidence", "limit_moments", "stretches", "problems",
)  # fmt: skip


class Cases:
    """Rows of every frame by trip, and what rules and cannulas are called."""

    def __init__(self, review: MonthReview, details: CaseDetails) -> None:
        self.trips = details.trips.records()
        self.not_recorded = details.not_recorded
        self.by_trip = {
            name: grouped(getattr(details, name).records(), lambda row: text(row["trip_id"]))
            for name in MANY
        }
        self.cases = {text(row["trip_id"]): row for row in review.cases.records()}
        self.rules = {facts.rule: facts for facts in review.rules}
        self.cannulas = {text(row["id"]): row for row in review.cannulas.records()}

    def trip(self, facts: Row) -> Row:
        """One trip: its facts and, under the name of each frame, its rows in their order."""
        trip_id = text(facts["trip_id"])
        rows = {name: frame.get(trip_id, []) for name, frame in self.by_trip.items()}
        return {**facts, **rows, "not_recorded": self.not_recorded.get(trip_id, ())}

    def cannula(self, key: str | None) -> str:
        """The catalogue's label of a cannula; its id where the catalogue has none."""
        entry = self.cannulas.get(text(key))
        return (text(entry["label"]) if entry else "") or text(key)

    def flow_range(self, key: str | None) -> tuple[float, float] | None:
        """The catalogue's flow range of a cannula, L/min."""
        entry = self.cannulas.get(text(key)) or {}
        low, high = words.some(entry.get("flow_min_lpm")), words.some(entry.get("flow_max_lpm"))
        return None if low is None or high is None else (low, high)

    def range_words(self, key: str) -> str:
        """' for 2–12 L/min, 3–8 kg': the catalogue's ranges as far as it gives them."""
        entry, flows = self.cannulas.get(key) or {}, self.flow_range(key)
        parts = [f"{flows[0]:g}{words.DASH}{flows[1]:g} L/min"] if flows else []
        low, high = words.some(entry.get("weight_min_kg")), words.some(entry.get("weight_max_kg"))
        if low is not None and high is not None:
            parts.append(f"{low:g}{words.DASH}{high:g} kg")
        elif low is not None or high is not None:
            parts.append(f"from {low:g} kg" if low is not None else f"up to {high:g} kg")
        return f", for {', '.join(parts)}" if parts else ""


def milestones(trip: Row) -> list[Milestone]:
    """What the trip passed, in order of time: first setting, departure, arrival, hand-over."""
    named = (
        ("first setting", "start_s"),
        ("departure", "departed_s"),
        ("arrival", "arrived_s"),
        ("hand-over", "handover_s"),
    )
    found = [(label, trip[key]) for label, key in named if trip[key] is not None]
    other = trip["end_s"] is not None and not trip["open_end"] and not trip["ends_at_handover"]
    if other and trip["end_s"] > (trip["start_s"] or 0):
        found.append(("other support", trip["end_s"]))
    return [
        Milestone(label, at_s, words.clock(at_s, trip["r_trips"]))
        for label, at_s in sorted(found, key=lambda m: m[1])
    ]


def facts(trip: Row, cases: Cases) -> list[tuple[str, str]]:
    """What is known of the trip, label and value; a missing value says so."""
    log = "complete" if trip["log_complete"] else "not complete"
    pairs = [
        ("Base", _base(trip)),
        ("Child", _child(trip)),
        ("Sending hospital ran", _sending(trip, cases)),
        *_cannulas(trip, cases),
        ("Times", _times(trip)),
        ("Transit planned", _minutes(trip["planned_transit_min"])),
        ("Outcome", words.plain(text(trip["outcome"])) or NOT_RECORDED),
        ("Device log", f"{log}{_equipment(trip)}"),
    ]
    if text(trip.get("outcome_24h")):
        pairs.append(("A day later", words.plain(text(trip["outcome_24h"]))))
    if trip.get("blend_ordered") is not None:
        barred = "barred by an order" if trip["blend_ordered"] else "no order bars it"
        pairs.append(("Undiluted oxygen", barred))
    if trip["spo2_exempt"]:
        pairs.append(("SpO2 target", "an order sets another"))
    elif trip["spo2_exempt"] is None:
        pairs.append(("SpO2 target", f"{NOT_RECORDED}, judged by the protocol's"))
    if trip["protocol_version"]:
        pairs.append(
            ("Judged by", f"protocol version {words.isolated(text(trip['protocol_version']))}")
        )
    return pairs


def trip_line(trip: Row) -> str:
    """'birch, rotor; 22 months, 12.4 kg; transit 121 min, planned 122' as far as it is known."""
    weight = words.number(words.some(trip["weight_kg"]))
    child = [words.age(words.some(trip["age_months"])), f"{weight} kg" if weight else ""]
    departed, arrived = trip["departed_s"], trip["arrived_s"]
    planned = words.some(trip["planned_transit_min"])
    transit = []
    if departed is not None and arrived is not None:
        transit.append(f"transit {round((arrived - departed) / 60)} min")
    if planned is not None:
        transit.append(f"planned {planned:g}")
    parts = [
        _base(trip),
        ", ".join(filter(None, child)),
        ", ".join(transit),
    ]
    return "; ".join(filter(None, parts))


def _base(trip: Row) -> str:
    return f"{words.isolated(text(trip['base']))}, {words.plain(text(trip['vehicle']))}"


def _child(trip: Row) -> str:
    weight = words.number(words.some(trip["weight_kg"]))
    parts = [
        words.age(words.some(trip["age_months"])) or "age not recorded",
        f"{weight} kg" if weight else "weight not recorded",
        words.isolated(text(trip["diagnosis_group"])),
    ]
    return ", ".join(parts)


def _sending(trip: Row, cases: Cases) -> str:
    flow, fio2 = words.some(trip["sending_flow_lpm"]), words.some(trip["sending_fio2"])
    parts = [
        words.isolated(cases.cannula(trip["sending_cannula"])) or "cannula not recorded",
        f"{flow:g} L/min" if flow is not None else "flow not recorded",
        f"FiO2 {fio2:.2f}" if fio2 is not None else "FiO2 not recorded",
    ]
    return ", ".join(parts)


def _cannulas(trip: Row, cases: Cases) -> list[tuple[str, str]]:
    """The cannulas used, each with the flows and weights it is for."""
    used = list(dict.fromkeys(row["cannula"] for row in trip["timeline"] if row["cannula"]))
    named = [f"{words.isolated(cases.cannula(key))}{cases.range_words(key)}" for key in used[:3]]
    return [("Cannula", "; ".join(named))] if named else []


def _times(trip: Row) -> str:
    """'departed 45, arrived 226, hand-over 240 min after reaching the bedside'."""
    named = (("departed", "departed_s"), ("arrived", "arrived_s"), ("hand-over", "handover_s"))
    known = [
        f"{word} {words.clock(trip[key], trip['r_trips'])}"
        for word, key in named
        if trip[key] is not None
    ]
    missing = [word for word, key in named if trip[key] is None]
    reached = f"{', '.join(known)} min after reaching the bedside" if known else ""
    lost = f"{words.listed(missing)} {NOT_RECORDED}" if missing else ""
    return "; ".join(filter(None, [reached, lost]))


def _minutes(value: float | None) -> str:
    return NOT_RECORDED if value is None else f"{value:g} min"


def _equipment(trip: Row) -> str:
    units = [
        f"{name} {words.isolated(text(trip[key]))}"
        for name, key in (("ventilator", "ventilator_unit"), ("heater", "heater_unit"))
        if trip[key]
    ]
    return f"; {', '.join(units)}" if units else ""


def window_sentence(trip: Row) -> str:
    """From when to when the rules look, and how late charting began."""
    if trip["start_s"] is None:
        return "No setting was charted: what rests on settings cannot be told."
    start = words.clock(trip["start_s"], trip["r_settings"])
    began = f"The first setting was charted {start} min after the crew reached the bedside"
    if trip["start_s"] == 0:
        began = "The first setting was charted as the crew reached the bedside"
    end = words.clock(trip["end_s"], trip["r_settings"])
    if trip["open_end"]:
        return f"{began}; no hand-over time is recorded, so nothing is known after {end} min."
    until = "hand-over" if trip["ends_at_handover"] else "the child went on other support"
    return f"{began}; the rules look from then until {until} at {end} min."


def clock_sentence(trip: Row) -> str:
    """How the device's clock stands to the charts; empty without device events."""
    tolerance = words.some(trip["clock_tolerance_s"])
    if tolerance is None:
        return ""
    remains = f"times of the device are uncertain by {tolerance:g} s"
    offset = words.some(trip["clock_offset_s"])
    if offset is None:
        return f"No start of the ventilator stands in both records: {remains}."
    if not offset:
        return f"The device's clock agrees with the charts; {remains}."
    direction = "ahead of" if offset > 0 else "behind"
    how = f"The device's clock was {abs(offset):g} s {direction} the charts"
    if trip["clock_removed"]:
        return f"{how}; that is removed, and {remains}."
    return f"{how}, too far to be removed; {remains}."


def described(trip: Row, cases: Cases) -> str:
    """The picture in words, for those who cannot see it."""
    parts = [window_sentence(trip), _course(trip), _observed(trip)]
    number = len(trip["occlusions"])
    if number:
        parts.append(f"{words.many(number, 'occlusion')} logged.")
    calls = [words.clock(c["at_s"], trip["r_contacts"]) for c in trip["contacts"]]
    parts.append(f"Calls at {words.listed(calls)} min." if calls else "No call recorded.")
    passed = [f"{m.label} {m.clock}" for m in milestones(trip)]
    parts.append(f"{', '.join(passed)} min." if passed else "")
    return " ".join(filter(None, parts))


def _course(trip: Row) -> str:
    """The gas sources in order, joined where they do not change."""
    runs: list[tuple[str, int, int]] = []
    for row in trip["timeline"]:
        name = words.SOURCE_WORDS.get(text(row["source"]), "") or "source not known"
        if runs and runs[-1][0] == name:
            runs[-1] = (name, runs[-1][1], row["until_s"])
        else:
            runs.append((name, row["from_s"], row["until_s"]))
    stretches = [
        f"{name} {words.clock(start, 60)} to {words.clock(end, 60)} min"
        for name, start, end in runs
    ]
    return f"Gas: {'; '.join(stretches[:8])}." if stretches else ""


def _observed(trip: Row) -> str:
    values = [row["spo2_pct"] for row in trip["observations"] if row["spo2_pct"] is not None]
    if not values:
        return "No SpO2 charted."
    return f"SpO2 {min(values):g} to {max(values):g} % over {words.many(len(values), 'value')}."
