"""Patient care reports of the open standard that contain whole high-flow trips.

What the standard has no element for is in custom elements of the invented service. Everything a
mapping does not name holds a mark, so that a test can tell whether it was touched.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape
from zoneinfo import ZoneInfo

from tests.mapping.direct import KEY, STATED, Row, by_trip

ZONE = "America/Chicago"
MARK = "NeverTouched"

HEAD = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<EMSDataSet xmlns="http://www.nemsis.org"'
    ' xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance"'
    ' xsi:schemaLocation="http://www.nemsis.org https://nemsis.org/media/nemsis_v3/release-3.5.0/'
    'XSDs/NEMSIS_XSDs/EMSDataSet_v3.xsd">\n<Header>\n<DemographicGroup>'
    f"<dAgency.01>{MARK}</dAgency.01></DemographicGroup>\n<eCustomConfiguration>"
    '<eCustomConfiguration.CustomGroup CustomElementID="hf-flow"><eCustomConfiguration.01>'
    f"{MARK}</eCustomConfiguration.01></eCustomConfiguration.CustomGroup></eCustomConfiguration>\n"
)
TAIL = "</Header>\n</EMSDataSet>\n"
VEHICLES = {"ground": "2207019", "rotor": "2207011", "fixed_wing": "2207013"}

MAPPING = (
    """
mapping = 1
extends = "nemsis-3.5"
service = "heron-ridge"
privacy_basis = "limited-data-set"
time_zone = "America/Chicago"
"""
    + STATED
    + """
[tokens]
key_file = "keep/key"

[files.training]
path = "training.csv"

[tables.trips.columns]
base = "eResponse.13"
planned_transit_min = "custom:planned"
sending_cannula = "custom:found-cannula"
sending_flow_lpm = "custom:found-flow"
sending_fio2 = { from = "custom:found-fio2", unit = "percent" }
outcome = "custom:outcome"
device_log = "custom:log"
spo2_exempt = "custom:exempt"
service_seq = "custom:seq"
ventilator_unit = "custom:ventilator"
heater_unit = "custom:heater"

[tables.trips.columns.diagnosis_group]
from = "eSituation.11"
otherwise = "other"
[tables.trips.columns.diagnosis_group.codes]
"J21*" = "lower-airway"
"J38*" = "upper-airway"
"I50*" = "cardiac"
"G40*" = "neurological"
"T81*" = "after-surgery"

[tables.observations.columns]
behaviour = "custom:behaviour"

[tables.settings]
from = "reports"
each = "custom:hf-set"
[tables.settings.columns]
trip_id = { from = "eRecord.01", token = "trip" }
at_s = { from = "custom:hf-set", time = "iso" }
support = "custom:hf-support"
flow_lpm = "custom:hf-flow"
fio2 = { from = "custom:hf-fio2", unit = "percent" }
humidification = "custom:hf-heat"
cannula = "custom:hf-cannula"
reason = "custom:hf-reason"
[tables.settings.columns.source]
from = "custom:hf-source"
codes = { W = "wall", C = "cylinder", B = "blender", V = "ventilator", O = "other" }

[tables.device_events]
from = "reports"
each = "custom:ev"
[tables.device_events.columns]
trip_id = { from = "eRecord.01", token = "trip" }
at_s = { from = "custom:ev", time = "iso" }
event = "custom:ev-kind"
pressure_cmh2o = "custom:ev-pressure"
cutoff_s = "custom:ev-cut"

[tables.contacts]
from = "reports"
each = "custom:call"
[tables.contacts.columns]
trip_id = { from = "eRecord.01", token = "trip" }
at_s = { from = "custom:call", time = "iso" }
contacted = "custom:call-to"
about = "custom:call-about"
authorised = "custom:call-allowed"

[tables.training]
from = "training"
columns = { month = "month", base = "base", rule = "rule" }
"""
)

DIAGNOSES = {
    "lower-airway": "J21.9", "upper-airway": "J38.6", "cardiac": "I50.9",
    "neurological": "G40.9", "after-surgery": "T81.9", "other": "R06.0",
}  # fmt: skip
NOT_RECORDED = 'xsi:nil="true" NV="7701003"'


class Result:
    """Writes results of custom elements, each group of them with an id of its own."""

    def __init__(self) -> None:
        self.parts: list[str] = []
        self.count = 0

    def one(self, name: str, value: str, of: str | None = None, own: str | None = None) -> None:
        if value == "":
            return
        own_id = f' CorrelationID="{own}"' if own else ""
        ref = f"<eCustomResults.03>{of}</eCustomResults.03>" if of else ""
        self.parts.append(
            f"<eCustomResults.ResultsGroup{own_id}><eCustomResults.01>{escape(value)}"
            f"</eCustomResults.01><eCustomResults.02>{name}</eCustomResults.02>{ref}"
            "</eCustomResults.ResultsGroup>"
        )

    def group(self, name: str, value: str, children: dict[str, str]) -> None:
        self.count += 1
        own = f"g{self.count}"
        self.one(name, value, own=own)
        for child, text in children.items():
            self.one(child, text, of=own)


def element(name: str, value: str) -> str:
    """An element, or its nil where there is no value."""
    return f"<{name}>{escape(value)}</{name}>" if value else f"<{name} {NOT_RECORDED}/>"


def report(trip: Row, rows: dict[str, list[Row]], bedside: datetime, zone: ZoneInfo) -> str:
    """One report: a whole trip."""

    def at(seconds: str | int) -> str:
        if seconds == "":
            return ""
        moment = bedside + timedelta(seconds=int(seconds))
        return moment.astimezone(zone).isoformat()

    results = Result()
    vitals = []
    for number, row in enumerate(rows.get("observations", [])):
        vitals.append(
            f'<eVitals.VitalGroup CorrelationID="v{number}">'
            f"{element('eVitals.01', at(row['at_s']))}"
            "<eVitals.02>9923001</eVitals.02><eVitals.BloodPressureGroup>"
            f"{element('eVitals.06', MARK)}</eVitals.BloodPressureGroup><eVitals.HeartRateGroup>"
            f"{element('eVitals.10', row['heart_rate'])}</eVitals.HeartRateGroup>"
            f"{element('eVitals.12', row['spo2_pct'])}{element('eVitals.14', row['resp_rate'])}"
            "</eVitals.VitalGroup>"
        )
        results.one("behaviour", row["behaviour"], of=f"v{number}")
    _results(results, trip, rows, at)
    crew = "".join(
        f"<eCrew.CrewGroup><eCrew.01>{row['crew_member']}</eCrew.01><eCrew.02>"
        f"{'9925043' if row['role'] == 'lead' else '9925021'}</eCrew.02>"
        "<eCrew.03>2403013</eCrew.03><eCrew.03>2403011</eCrew.03></eCrew.CrewGroup>"
        for row in rows.get("crew", [])
    )
    return f"""<PatientCareReport UUID="{MARK}">
<eRecord>{element("eRecord.01", trip["trip_id"])}</eRecord>
<eResponse>{element("eResponse.03", MARK)}{element("eResponse.07", VEHICLES[trip["vehicle"]])}
{element("eResponse.13", trip["base"])}</eResponse><eCrew>{crew}</eCrew>
<eTimes>{element("eTimes.01", at(0))}{element("eTimes.07", at(0))}
{element("eTimes.09", at(trip["departed_s"]))}{element("eTimes.11", at(trip["arrived_s"]))}
{element("eTimes.12", at(trip["handover_s"]))}</eTimes>
<ePatient><ePatient.PatientNameGroup>{element("ePatient.02", MARK)}{element("ePatient.03", MARK)}
</ePatient.PatientNameGroup><ePatient.AgeGroup>{element("ePatient.15", trip["age_months"])}
<ePatient.16>2516007</ePatient.16></ePatient.AgeGroup>{element("ePatient.17", MARK)}</ePatient>
<eSituation>{element("eSituation.11", DIAGNOSES[trip["diagnosis_group"]])}</eSituation>
<eVitals>{"".join(vitals)}</eVitals>
<eExam>{element("eExam.01", trip["weight_kg"])}</eExam>
<eNarrative>{element("eNarrative.01", MARK)}</eNarrative>
<eCustomResults>{"".join(results.parts)}</eCustomResults></PatientCareReport>
"""


def _results(results: Result, trip: Row, rows: dict[str, list[Row]], at: Any) -> None:
    for name, column in {
        "planned": "planned_transit_min", "found-cannula": "sending_cannula",
        "found-flow": "sending_flow_lpm", "outcome": "outcome", "log": "device_log",
        "exempt": "spo2_exempt", "seq": "service_seq", "ventilator": "ventilator_unit",
        "heater": "heater_unit",
    }.items():  # fmt: skip
        results.one(name, trip[column])
    results.one("never-named", MARK)
    results.one("found-fio2", percent(trip["sending_fio2"]))
    for row in rows.get("settings", []):
        results.group("hf-set", at(row["at_s"]), {
            "hf-support": row["support"], "hf-source": row["source"][:1].upper(),
            "hf-flow": row["flow_lpm"], "hf-fio2": percent(row["fio2"]),
            "hf-heat": row["humidification"], "hf-cannula": row["cannula"],
            "hf-reason": row["reason"], "hf-remark": MARK,
        })  # fmt: skip
    for row in rows.get("device_events", []):
        results.group("ev", at(row["at_s"]), {"ev-kind": row["event"],
            "ev-pressure": row["pressure_cmh2o"], "ev-cut": row["cutoff_s"]})  # fmt: skip
    for row in rows.get("contacts", []):
        results.group("call", at(row["at_s"]), {"call-to": row["contacted"],
            "call-about": row["about"], "call-allowed": row["authorised"]})  # fmt: skip


def percent(fraction: str) -> str:
    """0.35 as 35."""
    return f"{round(float(fraction) * 100, 6):g}" if fraction else ""


def reports(tables: dict[str, list[Row]], bedside: dict[str, Any]) -> Iterator[str]:
    """Every trip as a report."""
    zone = ZoneInfo(ZONE)
    of = {name: by_trip(rows) for name, rows in tables.items() if name not in ("trips", "training")}
    for trip in tables["trips"]:
        number = trip["trip_id"]
        rows = {name: found.get(number, []) for name, found in of.items()}
        yield report(trip, rows, bedside[number], zone)


def keep_key(folder: Path) -> None:
    """Put the key of these tests where mappings look for it."""
    (folder / "keep").mkdir(parents=True)
    (folder / "keep" / "key").write_text(KEY + "\n")
    (folder / "keep" / "key").chmod(0o600)


def write(folder: Path, tables: dict[str, list[Row]], bedside: dict[str, Any]) -> Path:
    """Write the tables of a delivery as documents of two months or fewer."""
    keep_key(folder)
    every = list(reports(tables, bedside))
    half = len(every) // 2
    (folder / "one.xml").write_text(HEAD + "".join(every[:half]) + TAIL, encoding="utf-8")
    (folder / "two.xml").write_text(HEAD + "".join(every[half:]) + TAIL, encoding="utf-8")
    lines = [f"{r['month']},{r['base']},{r['rule']}" for r in tables["training"]]
    (folder / "training.csv").write_text("\n".join(["month,base,rule", *lines, ""]))
    (folder / "mapping.toml").write_text(MAPPING, encoding="utf-8")
    return folder
