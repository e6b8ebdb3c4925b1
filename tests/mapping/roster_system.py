"""An invented records system kept as a workbook: a unit row below the headings, repeated numbers
left blank, and who was on duty in a roster of its own, by unit and date."""

from __future__ import annotations

import random
from datetime import datetime, timedelta
from pathlib import Path

from tests.mapping.direct import Row

MAPPING = """
mapping = 1
service = "heron-ridge"
privacy_basis = "limited-data-set"
time_zone = "Europe/Berlin"
not_recorded = ["device_events", "observations", "contacts", "training"]
time_resolution_s = { trips = 60, settings = 60 }
tokens = { trip_id = "assigned", crew_member = "assigned" }

[files.charts]
path = "charts.xlsx"
sheet = "Charting"
header_line = 3
skip_rows = 1

[files.roster]
path = "charts.xlsx"
sheet = "Roster"

[views]
whole = '''
  select * exclude ("Trip", "Unit", "Arrival"),
    last_value("Trip" ignore nulls) over (order by line) as trip,
    last_value("Unit" ignore nulls) over (order by line) as unit,
    last_value("Arrival" ignore nulls) over (order by line) as arrival
  from charts
'''
trips = '''
  select trip, any_value(file_name) as file_name, min(line) as line, any_value(unit) as unit,
    any_value(arrival) as arrival, any_value("Station") as station,
    any_value("Kind") as kind, any_value("Weight") as weight
  from whole group by trip
'''
duty = '''
  select trips.trip, roster."Staff", roster."As", trips.file_name, trips.line
  from trips join roster on trips.unit = roster."Unit"
    and try_cast(trips.arrival as DATE) = try_cast(roster."Day" as DATE)
'''

[tables.trips]
from = "trips"
bedside = { from = "arrival", time = "iso" }
[tables.trips.columns]
trip_id = "trip"
base = "station"
vehicle = { constant = "ground" }
diagnosis_group = "kind"
weight_kg = { from = "weight", unit = "lb" }

[tables.crew]
from = "duty"
[tables.crew.columns]
trip_id = "trip"
crew_member = "Staff"
role = "As"

[tables.settings]
from = "whole"
skip_empty = true
[tables.settings.columns]
trip_id = "trip"
at_s = { from = "After", unit = "min" }
support = { constant = "high_flow" }
flow_lpm = "Flow"
fio2 = { from = "FiO2", unit = "percent" }
"""


def truth(seed: int = 9) -> dict[str, list[Row]]:
    """Trips with their settings, and the two who were on duty with the unit that day."""
    draw = random.Random(seed)
    tables: dict[str, list[Row]] = {"trips": [], "crew": [], "settings": []}
    for number in range(36):
        arrival = datetime(2026, 6, 1, 6) + timedelta(hours=17 * number, minutes=number)
        trip, unit = f"Q-{700 + number}", f"U{number % 3}"
        tables["trips"].append({
            "trip_id": trip, "service_month": f"{arrival:%Y-%m}", "base": f"s{number % 2}",
            "vehicle": "ground", "diagnosis_group": draw.choice(["x", "y"]),
            "weight_kg": str(draw.randrange(3, 16)), "unit": unit, "arrival": arrival.isoformat(),
        })  # fmt: skip
        for role in ("nurse", "medic"):
            tables["crew"].append({
                "trip_id": trip, "role": role, "crew_member": f"C{unit}{arrival:%d}{role[0]}",
            })  # fmt: skip
        for minute in range(3, 3 + draw.randrange(1, 7) * 11, 11):
            tables["settings"].append({
                "trip_id": trip, "at_s": str(60 * minute), "support": "high_flow",
                "flow_lpm": str(draw.randrange(6, 20)), "fio2": f"{draw.randrange(21, 90) / 100:g}",
            })  # fmt: skip
    return tables


def write(folder: Path, tables: dict[str, list[Row]]) -> Path:
    """Write the workbook and the mapping."""
    from openpyxl import Workbook

    folder.mkdir(parents=True)
    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "Charting"
    sheet.append(["Transports, second quarter"])
    sheet.append([])
    sheet.append(
        ["Trip", "Unit", "Arrival", "Station", "Kind", "Weight", "After", "Flow", "FiO2", "Note"]
    )
    sheet.append([None, None, None, None, None, "lb", "min", "L/min", "%", None])
    roster = book.create_sheet("Roster")
    roster.append(["Unit", "Day", "Staff", "As", "Name"])
    on_duty = set()
    for trip in tables["trips"]:
        arrival = datetime.fromisoformat(trip["arrival"])
        pounds = float(trip["weight_kg"]) / 0.45359237
        own = [
            trip["trip_id"],
            trip["unit"],
            arrival,
            trip["base"],
            trip["diagnosis_group"],
            pounds,
        ]
        for row in (row for row in tables["settings"] if row["trip_id"] == trip["trip_id"]):
            sheet.append([
                *own, int(row["at_s"]) // 60, int(row["flow_lpm"]), round(float(row["fio2"]) * 100),
                "never read",
            ])  # fmt: skip
            own = [None] * 6
        for member in (row for row in tables["crew"] if row["trip_id"] == trip["trip_id"]):
            on_duty.add((trip["unit"], arrival.date(), member["crew_member"], member["role"]))
    for line in sorted(on_duty):
        roster.append([*line, "never read"])
    book.save(folder / "charts.xlsx")
    (folder / "mapping.toml").write_text(MAPPING, encoding="utf-8")
    return folder
