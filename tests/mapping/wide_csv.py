"""An invented records system: semicolons, Windows-1252, decimal commas, local times, wide tables.

Observations stand in one line a trip, a block of columns for each.
"""

from __future__ import annotations

import csv
import gzip
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from tests.mapping.direct import STATED, Row, by_trip

ZONE = "Europe/Berlin"

SOURCES = {"wall": "Wand", "cylinder": "Flasche", "blender": "Mischer", "ventilator": "Gerät"}
MAPPING = (
    """
mapping = 1
service = "heron-ridge"
privacy_basis = "limited-data-set"
time_zone = "Europe/Berlin"
nulls = ["k. A.", "-"]
"""
    + STATED
    + r"""
[tokens]
trip_id = "assigned"
crew_member = "assigned"

[files.fahrten]
path = "Fahrten *.csv"
delimiter = ";"
encoding = "windows-1252"
decimal = ","

[files.verlauf]
path = "Verlauf.csv"
delimiter = ";"
encoding = "windows-1252"
decimal = ","

[files.alarm]
path = "export/log.csv.gz"
encoding = "utf-16"
delimiter = ";"

[files.crew]
path = "crew.csv"

[files.schulung]
path = "schulung.csv"

[tables.trips]
from = "fahrten"
bedside = { from = ["Datum", "Ankunft Patient"], time = "%d.%m.%Y %H:%M" }

[tables.trips.columns]
trip_id = "Fahrt-Nr."
base = "Standort"
vehicle = { from = "Mittel", codes = { RTW = "ground", RTH = "rotor", ITF = "fixed_wing" } }
age_months = { from = "Alter (Jahre)", unit = "year" }
weight_kg = { from = "Gewicht (g)", unit = "g" }
diagnosis_group = "Gruppe"
planned_transit_min = { from = "Geplant", unit = "h:mm" }
sending_cannula = "Kanüle vorher"
sending_flow_lpm = { from = "Fluss vorher (ml/min)", unit = "mL/min" }
sending_fio2 = { from = "FiO2 vorher (%)", unit = "percent" }
departed_s = { from = "Abfahrt", time = "%d.%m.%y %H:%M" }
arrived_s = { from = "Ankunft Ziel", time = "%H:%M", date = "bedside" }
handover_s = { from = "Übergabe", time = "%H:%M", date = "bedside" }
outcome = "Ergebnis"
device_log = { from = "Log", codes = { ja = "complete", halb = "partial", nein = "none" } }
spo2_exempt = { from = "Ausnahme", codes = { J = "true", N = "false" } }
service_seq = "lfd"
ventilator_unit = "Gerät"
heater_unit = "Befeuchter"

[tables.crew]
from = "crew"
columns = { trip_id = "trip", crew_member = "who", role = "as" }

[tables.settings]
from = "verlauf"
where = [{ column = "Art", is = "E" }]

[tables.settings.columns]
trip_id = "Nr"
at_s = { from = "Zeit", time = "%d.%m.%Y %H:%M" }
support = "Form"
flow_lpm = "Fluss"
fio2 = { from = "O2 %", unit = "percent" }
humidification = { from = "Warm", codes = { 1 = "heated", 0 = "unheated" } }
cannula = "Kanüle"
reason = "Grund"
[tables.settings.columns.source]
from = "Quelle"
ignore_case = true
codes = { wand = "wall", flasche = "cylinder", mischer = "blender", "gerät" = "ventilator" }

[tables.contacts]
from = "verlauf"
where = [{ column = "Art", is = "A" }]

[tables.contacts.columns]
trip_id = "Nr"
at_s = { from = "Zeit", time = "%d.%m.%Y %H:%M" }
contacted = { from = "Form", codes = { OA = "medical_direction", LT = "clinical_lead" } }
about = "Quelle"
authorised = "Grund"

[tables.observations]
from = "fahrten"
repeat = "1-60"

[tables.observations.columns]
trip_id = "Fahrt-Nr."
at_s = { from = "Zeit_{n}", time = "%H:%M", date = "bedside" }
spo2_pct = "SpO2_{n}"
resp_rate = "AF_{n}"
heart_rate = "HF_{n}"
behaviour = "Verhalten_{n}"

[tables.device_events]
from = "alarm"

[tables.device_events.columns]
trip_id = "trip"
at_s = { from = "stamp", time = "iso" }
pressure_cmh2o = { from = "mbar", unit = "mbar" }
cutoff_s = { from = "ms", unit = "ms" }
[tables.device_events.columns.event]
from = "type"
codes = { 100 = "occlusion", 101 = "restored", 200 = "started", 201 = "paused" }

[tables.training]
from = "schulung"
columns = { month = { from = "Tag", time = "%d.%m.%Y" }, base = "Standort", rule = "Regel" }
"""
)

NULL = "k. A."
EVENTS = {"occlusion": "100", "restored": "101", "started": "200", "paused": "201"}


def write(folder: Path, tables: dict[str, list[Row]], bedside: dict[str, Any]) -> Path:
    """Write the tables of a delivery as this system would have exported them."""
    zone = ZoneInfo(ZONE)
    (folder / "export").mkdir(parents=True)

    def at(trip: str, seconds: str | int, form: str) -> str:
        if seconds == "":
            return NULL
        moment: datetime = bedside[trip] + timedelta(seconds=int(seconds))
        return moment.astimezone(zone).strftime(form)

    _fahrten(folder, tables, at)
    _verlauf(folder / "Verlauf.csv", tables, at)
    lines = ["stamp;trip;type;mbar;ms"]
    for row in tables["device_events"]:
        moment = bedside[row["trip_id"]] + timedelta(seconds=int(row["at_s"]))
        mbar = f"{float(row['pressure_cmh2o'] or 0) / 1.0197162129779282:.9f}"
        lines.append(
            f"{moment.astimezone(zone).isoformat()};{row['trip_id']};{EVENTS[row['event']]};"
            f"{mbar if row['pressure_cmh2o'] else ''};"
            f"{int(float(row['cutoff_s']) * 1000) if row['cutoff_s'] else ''}"
        )
    packed = gzip.compress("\r\n".join([*lines, ""]).encode("utf-16"))
    (folder / "export" / "log.csv.gz").write_bytes(packed)
    crew = "".join(f"{r['trip_id']},{r['crew_member']},{r['role']}\n" for r in tables["crew"])
    (folder / "crew.csv").write_bytes(b"\xef\xbb\xbftrip,who,as\n" + crew.encode())
    held = "".join(
        f"{'.'.join(reversed((r['month'] + '-17').split('-')))},{r['base']},{r['rule']}\n"
        for r in tables["training"]
    )
    (folder / "schulung.csv").write_text("Tag,Standort,Regel\n" + held)
    (folder / "mapping.toml").write_text(MAPPING, encoding="utf-8")
    return folder


def _comma(value: str, times: float = 1) -> str:
    return f"{float(value) * times:.9f}".rstrip("0").rstrip(".").replace(".", ",") if value else "-"


def _fahrten(folder: Path, tables: dict[str, list[Row]], at: Callable[..., str]) -> None:
    """One file a month; the trips' own columns, then every observation in a block of columns."""
    seen = by_trip(tables["observations"])
    most = max(map(len, seen.values()))
    blocks = [f"{name}_{n}" for n in range(1, most + 1) for name in BLOCK]
    months: dict[str, list[list[str]]] = {}
    for row in tables["trips"]:
        trip = row["trip_id"]
        cells = [
            trip,
            at(trip, 0, "%d.%m.%Y"),
            at(trip, 0, "%H:%M"),
            row["base"],
            {"ground": "RTW", "rotor": "RTH", "fixed_wing": "ITF"}[row["vehicle"]],
            _comma(row["age_months"], 1 / 12),
            _comma(row["weight_kg"], 1000),
            row["diagnosis_group"],
            f"{int(row['planned_transit_min']) // 60}:{int(row['planned_transit_min']) % 60:02d}"
            if row["planned_transit_min"]
            else NULL,
            row["sending_cannula"],
            _comma(row["sending_flow_lpm"], 1000),
            _comma(row["sending_fio2"], 100),
            at(trip, row["departed_s"], "%d.%m.%y %H:%M"),
            at(trip, row["arrived_s"], "%H:%M"),
            at(trip, row["handover_s"], "%H:%M"),
            row["outcome"],
            {"complete": "ja", "partial": "halb", "none": "nein", "": ""}[row["device_log"]],
            {"true": "J", "false": "N", "": ""}[row["spo2_exempt"]],
            row["service_seq"],
            row["ventilator_unit"],
            row["heater_unit"],
            "Bemerkung: wird nie gelesen,\nauch nicht über zwei Zeilen",
        ]
        for one in seen.get(trip, []):
            cells += [at(trip, one["at_s"], "%H:%M"), one["spo2_pct"], one["resp_rate"]]
            cells += [one["heart_rate"], one["behaviour"]]
        cells += [""] * (len(HEADER) + len(blocks) - len(cells))
        months.setdefault(row["service_month"], []).append(cells)
    for month, rows in months.items():
        with (folder / f"Fahrten {month}.csv").open("w", encoding="cp1252", newline="") as file:
            csv.writer(file, delimiter=";").writerows([HEADER + blocks, *rows])


BLOCK = ("Zeit", "SpO2", "AF", "HF", "Verhalten")
HEADER = [
    "Fahrt-Nr.", "Datum", "Ankunft Patient", "Standort", "Mittel", "Alter (Jahre)", "Gewicht (g)",
    "Gruppe", "Geplant", "Kanüle vorher", "Fluss vorher (ml/min)", "FiO2 vorher (%)", "Abfahrt",
    "Ankunft Ziel", "Übergabe", "Ergebnis", "Log", "Ausnahme", "lfd", "Gerät", "Befeuchter",
    "Bemerkung",
]  # fmt: skip


def _verlauf(path: Path, tables: dict[str, list[Row]], at: Callable[..., str]) -> None:
    """Settings and calls in one file, told apart by a column."""
    rows = [["Nr", "Art", "Zeit", "Form", "Quelle", "Fluss", "O2 %", "Warm", "Kanüle", "Grund"]]
    form = "%d.%m.%Y %H:%M"
    for row in tables["settings"]:
        rows.append([
            row["trip_id"], "E", at(row["trip_id"], row["at_s"], form), row["support"],
            SOURCES.get(row["source"], ""), _comma(row["flow_lpm"]), _comma(row["fio2"], 100),
            {"heated": "1", "unheated": "0", "": ""}[row["humidification"]], row["cannula"],
            row["reason"],
        ])  # fmt: skip
    for row in tables["contacts"]:
        who = {"medical_direction": "OA", "clinical_lead": "LT"}[row["contacted"]]
        time = at(row["trip_id"], row["at_s"], form)
        called = [row["trip_id"], "A", time, who, row["about"]]
        rows.append([*called, "", "", "", "", row["authorised"]])
    with path.open("w", encoding="cp1252", newline="") as file:
        csv.writer(file, delimiter=";").writerows(rows)
