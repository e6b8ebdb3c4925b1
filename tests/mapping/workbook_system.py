"""An invented records system: one workbook of several sheets, minutes, percent, typed cells."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from openpyxl import Workbook

from tests.mapping.direct import KEY, STATED, Row

ZONE = "America/Denver"

MAPPING = (
    """
mapping = 1
service = "heron-ridge"
privacy_basis = "limited-data-set"
nulls = ["?"]
"""
    + STATED
    + """
[tokens]
key_file = "keep/key"
crosswalk = "keep/crosswalk.csv"

[files]
trips = { path = "*.xlsx", sheet = "Trips", header_line = 3 }
support = { path = "*.xlsx", sheet = "Support & O2" }
monitor = { path = "*.xlsx", sheet = "Monitor" }
device = { path = "*.xlsx", sheet = "Vent log" }
calls = { path = "*.xlsx", sheet = "Calls" }
people = { path = "*.xlsx", sheet = "People" }
training = { path = "*.xlsx", sheet = "Training" }

[tables.trips]
from = "trips"

[tables.trips.columns]
trip_id = { from = "Record no", token = "trip" }
service_month = { from = "Date of service", time = "iso" }
base = "Base"
weight_kg = { from = "Weight (lb)", unit = "lb" }
diagnosis_group = "Group"
planned_transit_min = { from = "Planned (h)", unit = "hour" }
sending_cannula = "Cannula found"
sending_flow_lpm = "Flow found"
sending_fio2 = { from = "FiO2 found", unit = "percent" }
departed_s = { from = "Left", unit = "min" }
arrived_s = { from = "Arrived", unit = "h:mm" }
handover_s = { from = "Handed over", unit = "min" }
outcome = "Outcome"
device_log = "Log"
spo2_exempt = "Other target"
service_seq = "No"
ventilator_unit = "Ventilator"
heater_unit = "Heater"

[tables.trips.columns.vehicle]
from = "Vehicle"
ignore_case = true
codes = { ambulance = "ground", helicopter = "rotor", plane = "fixed_wing" }

[tables.trips.columns.age_months]
from = "Age"
unit = { column = "Age unit", means = { m = "month", y = "year", d = "day" } }

[tables.crew]
from = "people"
[tables.crew.columns]
trip_id = { from = "Record no", token = "trip" }
crew_member = { from = "Staff no", token = "crew" }
role = "Role"

[tables.settings]
from = "support"
[tables.settings.columns]
trip_id = { from = "Record no", token = "trip" }
at_s = { from = "Minute", unit = "min" }
support = "Support"
source = "Source"
flow_lpm = { from = "Flow mL/min", unit = "mL/min" }
fio2 = { from = "O2", unit = "%" }
humidification = { from = "Heated?", codes = { true = "heated", false = "unheated" } }
cannula = "Cannula"
reason = "Why"

[tables.observations]
from = "monitor"
[tables.observations.columns]
trip_id = { from = "Record no", token = "trip" }
at_s = { from = "Minute", unit = "min" }
spo2_pct = { from = "SpO2", unit = "dimensionless" }
resp_rate = "RR"
heart_rate = "HR"
behaviour = "Behaviour"

[tables.device_events]
from = "device"
[tables.device_events.columns]
trip_id = { from = "Record no", token = "trip" }
at_s = { from = "Minute", unit = "min" }
event = "Event"
pressure_cmh2o = { from = "kPa", unit = "kPa" }
cutoff_s = "Cut s"

[tables.contacts]
from = "calls"
[tables.contacts.columns]
trip_id = { from = "Record no", token = "trip" }
at_s = { from = "Minute", unit = "min" }
contacted = "Called"
about = "About"
authorised = "Allowed"

[tables.training]
from = "training"
columns = { month = "Month", base = "Base", rule = "Rule" }
"""
)


def _number(value: str, times: float = 1) -> float | int | None:
    if value == "":
        return None
    number = float(value) * times
    return int(number) if number.is_integer() else number


def write(folder: Path, tables: dict[str, list[Row]], bedside: dict[str, Any]) -> Path:
    """Write the tables of a delivery as this system would have exported them."""
    keep = folder / "keep"
    keep.mkdir(parents=True)
    (keep / "key").write_text(KEY + "\n")
    (keep / "key").chmod(0o600)
    book = Workbook()
    _trips(book.active, tables["trips"], bedside)
    sheet = book.create_sheet("Support & O2")
    header = ["Record no", "Minute", "Support", "Source", "Flow mL/min", "O2", "Heated?"]
    sheet.append([*header, "Cannula", "Why"])
    for row in tables["settings"]:
        heated = {"heated": True, "unheated": False, "": None}[row["humidification"]]
        sheet.append([
            row["trip_id"], int(row["at_s"]) // 60, row["support"] or "?", row["source"] or None,
            _number(row["flow_lpm"], 1000), _number(row["fio2"]), heated, row["cannula"] or None,
            row["reason"] or None,
        ])  # fmt: skip
        # a cell shown in percent holds a fraction
        sheet.cell(sheet.max_row, 6).number_format = "0%"
    sheet = book.create_sheet("Monitor")
    sheet.append(["Record no", "Minute", "SpO2", "RR", "HR", "Behaviour"])
    for row in tables["observations"]:
        sheet.append([
            row["trip_id"], int(row["at_s"]) // 60, _number(row["spo2_pct"], 0.01),
            _number(row["resp_rate"]), _number(row["heart_rate"]), row["behaviour"] or None,
        ])  # fmt: skip
    _others(book, tables)
    book.save(folder / "export.xlsx")
    (folder / "mapping.toml").write_text(MAPPING, encoding="utf-8")
    return folder


def _trips(sheet: Any, trips: list[Row], bedside: dict[str, Any]) -> None:
    """Two title rows, merged, above the header; dates and durations as typed cells."""
    sheet.title = "Trips"
    sheet["A1"] = "Transports of the quarter"
    sheet.merge_cells("A1:F1")
    header = ["Record no", "No", "Date of service", "Base", "Vehicle", "Age", "Age unit"]
    header += ["Weight (lb)", "Group", "Planned (h)", "Cannula found", "Flow found", "FiO2 found"]
    header += ["Left", "Arrived", "Handed over", "Outcome", "Log", "Other target"]
    header += ["Ventilator", "Heater", "Remarks"]
    for column, name in enumerate(header, start=1):
        sheet.cell(3, column, name)
    for number, row in enumerate(trips):
        years = row["age_months"] not in ("", "0") and int(row["age_months"]) % 12 == 0
        local = bedside[row["trip_id"]].astimezone(ZoneInfo(ZONE)).replace(tzinfo=None)
        arrived = None
        if row["arrived_s"]:
            # a typed duration in one row, its text in the next
            arrived = timedelta(seconds=int(row["arrived_s"]))
            if number % 2:
                arrived = f"{int(row['arrived_s']) // 3600}:{int(row['arrived_s']) // 60 % 60:02d}"
        sheet.append([
            row["trip_id"], int(row["service_seq"]), local, row["base"],
            {"ground": "Ambulance", "rotor": "HELICOPTER", "fixed_wing": "plane"}[row["vehicle"]],
            _number(row["age_months"], 1 / 12 if years else 1), "y" if years else "m",
            _number(row["weight_kg"], 1 / 0.45359237), row["diagnosis_group"],
            _number(row["planned_transit_min"], 1 / 60), row["sending_cannula"] or None,
            _number(row["sending_flow_lpm"]), _number(row["sending_fio2"], 100),
            _number(row["departed_s"], 1 / 60), arrived, _number(row["handover_s"], 1 / 60),
            row["outcome"] or None, row["device_log"] or None,
            {"true": True, "false": False, "": None}[row["spo2_exempt"]],
            row["ventilator_unit"] or None, row["heater_unit"] or None,
            datetime(2026, 1, 1),
        ])  # fmt: skip


def _others(book: Workbook, tables: dict[str, list[Row]]) -> None:
    sheet = book.create_sheet("Vent log")
    sheet.append(["Record no", "Minute", "Event", "kPa", "Cut s"])
    for row in tables["device_events"]:
        sheet.append([
            row["trip_id"], int(row["at_s"]) / 60, row["event"],
            _number(row["pressure_cmh2o"], 1 / 10.197162129779283), _number(row["cutoff_s"]),
        ])  # fmt: skip
    sheet = book.create_sheet("Calls")
    sheet.append(["Record no", "Minute", "Called", "About", "Allowed"])
    for row in tables["contacts"]:
        called = [row["trip_id"], int(row["at_s"]) // 60, row["contacted"]]
        sheet.append([*called, row["about"] or None, row["authorised"] or None])
    sheet = book.create_sheet("People")
    sheet.append(["Record no", "Staff no", "Role"])
    for row in tables["crew"]:
        sheet.append([row["trip_id"], row["crew_member"], row["role"]])
    sheet = book.create_sheet("Training")
    sheet.append(["Month", "Base", "Rule"])
    for row in tables["training"]:
        sheet.append([row["month"], row["base"], row["rule"]])
