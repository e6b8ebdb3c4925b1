"""An invented records system: a wide printout saved as text, with junk in it, dittos and bounds.

Title lines stand above the headings, page lines and headings again between the rows, a sum at the
end. What is the same as above is a ditto mark or left blank; saturations off the scale are "<85";
volumes have thousands marks; one row holds four readings of a trip side by side.
"""

from __future__ import annotations

import random
from pathlib import Path

from tests.mapping.direct import Row

MAPPING = """
mapping = 1
service = "heron-ridge"
privacy_basis = "limited-data-set"
time_zone = "America/Denver"
not_recorded = ["crew", "device_events", "contacts", "training"]
time_resolution_s = { trips = 60, settings = 60, observations = 60 }
tokens = { trip_id = "assigned" }

[files.printout]
path = "printout *.txt"
delimiter = "\\t"
quotes = false
header_line = 4
skip_rows = ["Page *", "Run no", "----*"]
footer = "Runs in all*"

[views]
filled = '''
  select * exclude ("Run no", "Date", "Base"),
    last_value(nullif("Run no", '"') ignore nulls) over above as run,
    last_value(nullif("Date", '"') ignore nulls) over above as day,
    last_value(nullif("Base", '"') ignore nulls) over above as base
  from printout
  window above as (partition by file_name order by line)
'''
runs = '''
  select run, min(file_name) as file_name, min(line) as line, any_value(day) as day,
    any_value("Bedside") as bedside, any_value(base) as base, any_value("By") as by,
    any_value("Weight (g)").replace('.', '') as grams, any_value("Group") as kind
  from filled group by run
'''
readings = '''
  select run, day, line, file_name, unnest([
    {'clock': "T1", 'saturation': "S1", 'flow': "Fl1"},
    {'clock': "T2", 'saturation': "S2", 'flow': "Fl2"},
    {'clock': "T3", 'saturation': "S3", 'flow': "Fl3"},
    {'clock': "T4", 'saturation': "S4", 'flow': "Fl4"}
  ], recursive := true) from filled
'''
shown = '''
  select * replace (case saturation when '<85' then '84' else saturation end as saturation)
  from readings where clock is not null
'''

[tables.trips]
from = "runs"
bedside = { from = ["day", "bedside"], time = "%m/%d/%Y %H:%M" }
[tables.trips.columns]
trip_id = "run"
base = "base"
vehicle = { from = "by", codes = { G = "ground", A = "rotor" } }
diagnosis_group = "kind"
weight_kg = { from = "grams", unit = "g" }

[tables.settings]
from = "shown"
skip_empty = true
[tables.settings.columns]
trip_id = "run"
at_s = { from = "clock", time = "%H:%M", date = "bedside" }
flow_lpm = { from = "flow", unit = "mL/min" }

[tables.observations]
from = "shown"
skip_empty = true
[tables.observations.columns]
trip_id = "run"
at_s = { from = "clock", time = "%H:%M", date = "bedside" }
spo2_pct = "saturation"
"""

BLOCKS = ["T", "S", "Fl"]
HEADER = ["Run no", "Date", "Base", "By", "Group", "Weight (g)", "Bedside", "Remarks"]
HEADER += [f"{name}{n}" for n in range(1, 5) for name in BLOCKS]


def truth(seed: int = 5) -> dict[str, list[Row]]:
    """Trips with four readings a row, several rows each."""
    draw = random.Random(seed)
    tables: dict[str, list[Row]] = {"trips": [], "settings": [], "observations": []}
    for number in range(60):
        trip = f"W{1000 + number * 3}"
        month = 3 + number // 30
        tables["trips"].append({
            "trip_id": trip, "service_month": f"2026-{month:02d}",
            "base": f"base-{number // 4 % 3}", "vehicle": draw.choice(["ground", "rotor"]),
            "diagnosis_group": draw.choice(["a", "b"]),
            "weight_kg": f"{draw.randrange(2500, 15000) / 1000:g}",
            "day": f"{month:02d}/{1 + number % 30 // 2:02d}/2026",
            "minute": str(draw.randrange(0, 1440)),
        })  # fmt: skip
        for at in range(4, 4 + 13 * draw.randrange(1, 9), 13):
            flow, spo2 = draw.choice(["", "8", "9.5", "1.25"]), draw.choice(["", "84", "91", "97"])
            row = {"trip_id": trip, "at_s": str(60 * at)}
            if flow:
                tables["settings"].append({**row, "flow_lpm": flow})
            if spo2:
                tables["observations"].append({**row, "spo2_pct": spo2})
    return tables


def write(folder: Path, tables: dict[str, list[Row]]) -> Path:
    """Write a file for each month, and the mapping."""
    folder.mkdir(parents=True)
    found: dict[tuple[str, str], dict[str, str]] = {}
    for table, column in (("settings", "flow_lpm"), ("observations", "spo2_pct")):
        for row in tables[table]:
            found.setdefault((row["trip_id"], row["at_s"]), {})[column] = row[column]
    for month in ("2026-03", "2026-04"):
        trips = [row for row in tables["trips"] if row["service_month"] == month]
        lines = ["Heron Ridge\tprinted 1 May", "", "all runs of the month", "\t".join(HEADER)]
        before: list[str] = []
        for at, trip in enumerate(trips):
            if at % 7 == 3:
                lines += [f"Page {at // 7 + 1} of 5", "-" * 40, "\t".join(HEADER)]
            for cells in _rows(trip, found):
                shown = [
                    ('"' if n == 1 else "") if before and cell == before[n] and n < 3 else cell
                    for n, cell in enumerate(cells)
                ]
                before = cells
                lines.append("\t".join(shown))
        lines += [f"Runs in all: {len(trips)}", "\tsigned\t"]
        text = "\r\n".join([*lines, ""])
        (folder / f"printout {month}.txt").write_bytes(text.encode())
    (folder / "mapping.toml").write_text(MAPPING, encoding="utf-8")
    return folder


def _rows(trip: Row, found: dict[tuple[str, str], dict[str, str]]) -> list[list[str]]:
    minute = int(trip["minute"])
    grams = f"{round(float(trip['weight_kg']) * 1000):,}".replace(",", ".")
    by = "G" if trip["vehicle"] == "ground" else "A"
    own = [trip["trip_id"], trip["day"], trip["base"], by, trip["diagnosis_group"], grams]
    own += [f"{minute // 60}:{minute % 60:02d}", "never read"]
    blocks = []
    for (name, at), values in found.items():
        if name == trip["trip_id"]:
            clock = minute + int(at) // 60
            spo2 = values.get("spo2_pct", "")
            flow = f"{float(values['flow_lpm']) * 1000:g}" if "flow_lpm" in values else ""
            blocks.append([f"{clock // 60 % 24}:{clock % 60:02d}", "<85" if spo2 == "84" else spo2,
                           flow])  # fmt: skip
    blocks.sort(key=lambda block: (int(block[0].replace(":", "")) - minute) % 2400)
    rows = []
    for first in range(0, max(len(blocks), 1), 4):
        four = [cell for block in blocks[first : first + 4] for cell in block]
        rows.append([*own, *four, *[""] * (12 - len(four))])
    return rows
