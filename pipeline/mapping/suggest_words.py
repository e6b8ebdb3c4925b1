"""What services call the contract's columns, and how they write units: words of the trade."""

from __future__ import annotations

import re

TRIP_ID = (
    "trip id|trip|trip no|trip number|case|case id|case no|case number|record no|record number"
    "|record id|run no|run number|incident number|mission|mission number|transport id"
    "|transport no|transport number|report number"
)
AT = (
    "at|time|date time|timestamp|charted|charted at|time charted|recorded|recorded at|observed at"
    "|minute|minutes|elapsed|elapsed time|when"
)

NAMES: dict[str, dict[str, str]] = {
    "trips": {
        "trip_id": TRIP_ID,
        "bedside": "bedside|at bedside|arrived bedside|arrived at bedside|bedside time|at patient"
        "|arrived at patient|patient contact|arrival at patient",
        "service_month": "month|service month|date of service|service date|trip date",
        "base": "base|station|team base|crew base|home base",
        "vehicle": "vehicle|vehicle type|vehicle kind|transport mode|mode of transport",
        "age_months": "age|patient age|date of birth|dob|birth date",
        "weight_kg": "weight|wt|patient weight|body weight",
        "diagnosis_group": "diagnosis|diagnosis group|diagnosis category|dx|dx group|group",
        "planned_transit_min": "planned|planned transit|planned transit time|expected transit",
        "sending_cannula": "sending cannula|cannula found|referring cannula|cannula on arrival",
        "sending_flow_lpm": "sending flow|flow found|referring flow|flow on arrival",
        "sending_fio2": "sending fio2|fio2 found|referring fio2|fio2 on arrival",
        "departed_s": "departed|departure|left|left referring|left sending|left scene|depart time",
        "arrived_s": "arrived|arrival|arrived destination|arrived at destination|at destination"
        "|arrived receiving",
        "handover_s": "handover|hand over|handed over|hand off|handoff|transfer of care",
        "outcome": "outcome|support at handover",
        "device_log": "device log|log|log downloaded|ventilator log",
        "spo2_exempt": "spo2 exempt|other target|other saturation target",
        "service_seq": "service seq|sequence|no|seq",
        "ventilator_unit": "ventilator|ventilator unit|ventilator id",
        "heater_unit": "heater|heater unit|humidifier unit",
        "outcome_24h": "outcome 24h|outcome 24 h|outcome a day later|outcome next day",
        "blend_ordered": "blend ordered|blended gas ordered|no undiluted oxygen",
    },
    "crew": {
        "trip_id": TRIP_ID,
        "crew_member": "crew member|crew|crew id|staff|staff no|staff number|staff id|member"
        "|employee number",
        "role": "role|position|discipline",
    },
    "settings": {
        "trip_id": TRIP_ID,
        "at_s": AT,
        "support": "support|support type|respiratory support|support mode",
        "source": "source|gas source|oxygen source|o2 source|gas supply",
        "flow_lpm": "flow|flow rate|gas flow",
        "fio2": "fio2|o2|oxygen|inspired oxygen|oxygen fraction",
        "humidification": "humidification|heated|heat|humidified",
        "cannula": "cannula|cannula size|prong|prong size|prongs",
        "reason": "reason|reason for change|change reason|why",
    },
    "device_events": {
        "trip_id": TRIP_ID,
        "at_s": AT,
        "event": "event|event type|event code|alarm",
        "pressure_cmh2o": "pressure|peak pressure",
        "cutoff_s": "cutoff|cut off|cut|cutoff duration",
    },
    "observations": {
        "trip_id": TRIP_ID,
        "at_s": AT,
        "spo2_pct": "spo2|saturation|sat|sats|o2 sat|oxygen saturation",
        "resp_rate": "resp rate|respiratory rate|rr|resp|respirations",
        "heart_rate": "heart rate|hr|pulse|pulse rate",
        "behaviour": "behaviour|behavior|activity|child is",
        "care": "care|intervention|procedure",
    },
    "contacts": {
        "trip_id": TRIP_ID,
        "at_s": AT,
        "contacted": "contacted|called|call to|who was called",
        "about": "about|topic|call about",
        "authorised": "authorised|authorized|allowed|approved",
        "authorised_by": "authorised by|authorized by|allowed by|approved by",
    },
    "training": {
        "month": "month|training month",
        "base": "base|station|team base",
        "crew_member": "crew member|staff|staff no|member",
        "rule": "rule|topic|rule trained",
    },
}

MARKERS: dict[str, tuple[int, str]] = {
    "trips": (3, "base vehicle age_months weight_kg diagnosis_group departed_s handover_s outcome"),
    "crew": (1, "crew_member"),
    "settings": (2, "support source flow_lpm fio2 humidification"),
    "device_events": (1, "event"),
    "observations": (1, "spo2_pct resp_rate heart_rate"),
    "contacts": (1, "contacted"),
    "training": (1, "rule"),
}
"""A source is thought to hold a table if at least so many of these columns are in it."""

UNITS: dict[str, str] = {
    "s": "s", "sec": "s", "secs": "s", "second": "s", "seconds": "s", "ms": "ms",
    "min": "min", "mins": "min", "minute": "min", "minutes": "min",
    "h": "hour", "hr": "hour", "hrs": "hour", "hour": "hour", "hours": "hour",
    "d": "day", "days": "day", "weeks": "week", "mo": "month", "months": "month",
    "month": "month", "y": "year", "yr": "year", "yrs": "year", "year": "year", "years": "year",
    "kg": "kg", "g": "g", "lb": "lb", "lbs": "lb", "pct": "percent", "percent": "percent",
    "%": "percent", "l/min": "L/min", "lpm": "L/min", "ml/min": "mL/min", "cmh2o": "cmH2O",
    "mbar": "mbar", "kpa": "kPa", "hpa": "hPa", "/min": "1/min", "bpm": "1/min",
}  # fmt: skip
"""How units are written in headings, and their names for the mapping."""

UNIT_AT_END = re.compile(
    r"^(?P<name>.*?)[\s_]*[(\[]\s*(?P<inside>[^)\]]*?)\s*[)\]]\s*$|^(?P<bare>.*?)[\s_]+(?P<last>\S+)$"
)

CODE_WORDS: dict[str, dict[str, str]] = {
    "vehicle": {"ambulance": "ground", "road": "ground", "helicopter": "rotor", "rotary": "rotor",
                "plane": "fixed_wing", "aeroplane": "fixed_wing", "airplane": "fixed_wing",
                "fixed wing": "fixed_wing"},
    "support": {"hfnc": "high_flow", "high flow": "high_flow", "low flow": "low_flow",
                "cpap": "noninvasive", "bipap": "noninvasive", "niv": "noninvasive",
                "intubated": "invasive", "room air": "none"},
    "source": {"wall outlet": "wall", "bottle": "cylinder", "tank": "cylinder",
               "vent": "ventilator"},
    "humidification": {"yes": "heated", "true": "heated", "on": "heated", "warm": "heated",
                       "no": "unheated", "false": "unheated", "off": "unheated",
                       "cold": "unheated"},
    "behaviour": {"sleeping": "asleep", "asleep": "asleep", "awake": "calm", "quiet": "calm"},
    "contacted": {"medical control": "medical_direction", "physician": "medical_direction"},
    "spo2_exempt": {"yes": "true", "no": "false", "y": "true", "n": "false", "1": "true",
                    "0": "false"},
}  # fmt: skip
"""Spellings of codes that leave no doubt, lower case."""


TIME_WORDS = {"minute": "min", "minutes": "min", "second": "s", "seconds": "s"}
"""Headings that are a unit of time and nothing else."""


def words_of(name: str) -> str:
    """A heading as plain lower-case words."""
    whole = re.sub(r"(?i)(sp|fi)o2", lambda match: match[0].lower(), name)
    spaced = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", " ", whole)
    return " ".join(re.findall(r"[^\W_]+", spaced.lower()))


def split_unit(name: str) -> tuple[str, str | None]:
    """A heading's words without its unit, and the unit's name for the mapping, if it has one."""
    match = UNIT_AT_END.match(name.strip())
    if match:
        written = (match["inside"] if match["inside"] is not None else match["last"]) or ""
        unit = UNITS.get(written.lower())
        rest = match["name"] if match["inside"] is not None else match["bare"]
        if unit and rest:
            return words_of(rest), unit
    words = words_of(name)
    if name.strip().endswith("%") and words:
        return words, "percent"
    return words, TIME_WORDS.get(words)


def meant(table: str) -> dict[str, str]:
    """Contract column by each of the names it goes by."""
    return {
        phrase: column
        for column, phrases in NAMES[table].items()
        for phrase in [*phrases.split("|"), words_of(column)]
    }
