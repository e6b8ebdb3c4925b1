"""An invented records system that keeps one fact a row, in local time, over nights and the autumn.

Everything a crew charts is a log of entries: one line for each fact, under a number of the entry.
The night of 25 October 2026 has an hour that comes twice (Directive 2000/84/EC); the log tells the
two apart by its order alone. Trips are a table of their own.
"""

from __future__ import annotations

import csv
import random
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from tests.mapping.direct import Row

ZONE = ZoneInfo("Europe/Berlin")
CHANGE = datetime(2026, 10, 25, 1, tzinfo=UTC)

MAPPING = """
mapping = 1
service = "heron-ridge"
privacy_basis = "limited-data-set"
time_zone = "Europe/Berlin"
not_recorded = ["crew", "device_events", "contacts", "training"]
time_resolution_s = { trips = 60, settings = 60, observations = 60 }
tokens = { trip_id = "assigned" }

[files.runs]
path = "runs.csv"
delimiter = "|"

[files.log]
path = "log.csv"
delimiter = "|"
encoding = "windows-1252"

[views.entries]
sql = '''
  select run, entry, any_value("at") as "at", any_value(file_name) as file_name, min(line) as line,
    any_value(value) filter (fact = 'Support') as support,
    any_value(value) filter (fact = 'Gas') as gas,
    any_value(value) filter (fact = 'Flow (L/min)') as flow,
    any_value(value) filter (fact = 'Oxygen %') as oxygen,
    any_value(value) filter (fact = 'Saturation') as saturation,
    any_value(value) filter (fact = 'Pulse') as pulse
  from log group by run, entry
'''

[tables.trips]
from = "runs"
bedside = { from = "bedside", time = "%d.%m.%Y %H:%M" }
[tables.trips.columns]
trip_id = "run"
base = "base"
vehicle = { from = "by", codes = { car = "ground", heli = "rotor" } }
diagnosis_group = "group"
departed_s = { from = "left", time = "%d.%m.%Y %H:%M" }
handover_s = { from = "handed", time = "%d.%m.%Y %H:%M" }

[tables.settings]
from = "entries"
skip_empty = true
[tables.settings.columns]
trip_id = "run"
at_s = { from = "at", time = "%d.%m.%Y %H:%M" }
support = { from = "support", codes = { HF = "high_flow", LF = "low_flow" } }
source = { from = "gas", codes = { outlet = "wall", bottle = "cylinder", blend = "blender" } }
flow_lpm = "flow"
fio2 = { from = "oxygen", unit = "percent" }

[tables.observations]
from = "entries"
skip_empty = true
[tables.observations.columns]
trip_id = "run"
at_s = { from = "at", time = "%d.%m.%Y %H:%M" }
spo2_pct = "saturation"
heart_rate = "pulse"
"""

GAS = {"wall": "outlet", "cylinder": "bottle", "blender": "blend", "": ""}


def truth(seed: int = 3) -> dict[str, list[Row]]:
    """Trips with their settings and observations, as a delivery should have them."""
    draw = random.Random(seed)
    tables: dict[str, list[Row]] = {"trips": [], "settings": [], "observations": []}
    for number in range(40):
        trip = f"R{number:03d}"
        night = number >= 20
        # by night they begin before the hour that comes twice, and last beyond it
        begin = CHANGE - timedelta(minutes=draw.randrange(65, 115))
        if not night:
            begin = datetime(2026, 10, 3 + number, 21, tzinfo=UTC) + timedelta(minutes=number * 7)
        tables["trips"].append({
            "trip_id": trip, "service_month": "2026-10", "base": f"b{number % 3}",
            "vehicle": "rotor" if number % 4 == 0 else "ground", "diagnosis_group": "croup",
            "departed_s": str(60 * 40), "handover_s": str(60 * 185),
            "begin": begin.isoformat(),
        })  # fmt: skip
        for minute in range(0, 180, 9):
            flow = draw.choice(["", "8", "9.5", "10"])
            tables["settings"].append({
                "trip_id": trip, "at_s": str(60 * minute),
                "support": "high_flow" if minute % 2 == 0 else "low_flow",
                "source": draw.choice(list(GAS)), "flow_lpm": flow,
                "fio2": draw.choice(["0.3", "0.45", ""]),
            })  # fmt: skip
            tables["observations"].append({
                "trip_id": trip, "at_s": str(60 * (minute + 2)),
                "spo2_pct": str(draw.randrange(88, 100)),
                "heart_rate": str(draw.randrange(90, 180)),
            })  # fmt: skip
    return tables


def write(folder: Path, tables: dict[str, list[Row]]) -> Path:
    """Write the system's two files and the mapping."""
    folder.mkdir(parents=True)
    begin = {row["trip_id"]: datetime.fromisoformat(row["begin"]) for row in tables["trips"]}

    def at(trip: str, seconds: str) -> str:
        moment = begin[trip] + timedelta(seconds=int(seconds))
        return moment.astimezone(ZONE).strftime("%d.%m.%Y %H:%M")

    runs = [["run", "bedside", "base", "by", "group", "left", "handed"]]
    for row in tables["trips"]:
        trip = row["trip_id"]
        runs.append([
            trip, at(trip, "0"), row["base"], "heli" if row["vehicle"] == "rotor" else "car",
            row["diagnosis_group"], at(trip, row["departed_s"]), at(trip, row["handover_s"]),
        ])  # fmt: skip
    _write(folder / "runs.csv", runs, "utf-8")
    entries = sorted(
        [(row, "settings") for row in tables["settings"]]
        + [(row, "observations") for row in tables["observations"]],
        key=lambda pair: begin[pair[0]["trip_id"]] + timedelta(seconds=int(pair[0]["at_s"])),
    )
    log = [["entry", "run", "at", "fact", "value", "by whom"]]
    for number, (row, table) in enumerate(entries):
        for fact, value in _facts(row, table):
            if value:
                entry = [str(number), row["trip_id"], at(row["trip_id"], row["at_s"])]
                log.append([*entry, fact, value, "Müller, never read"])
    _write(folder / "log.csv", log, "cp1252")
    (folder / "mapping.toml").write_text(MAPPING, encoding="utf-8")
    return folder


def _facts(row: Row, table: str) -> list[tuple[str, str]]:
    if table == "observations":
        return [("Saturation", row["spo2_pct"]), ("Pulse", row["heart_rate"])]
    oxygen = f"{float(row['fio2']) * 100:g}" if row["fio2"] else ""
    support = {"high_flow": "HF", "low_flow": "LF"}[row["support"]]
    return [("Support", support), ("Gas", GAS[row["source"]]),
            ("Flow (L/min)", row["flow_lpm"]), ("Oxygen %", oxygen)]  # fmt: skip


def _write(path: Path, rows: list[list[str]], encoding: str) -> None:
    with path.open("w", encoding=encoding, newline="") as file:
        csv.writer(file, delimiter="|").writerows(rows)


def comes_twice(row: Row, name: str) -> bool:
    """Whether the clock on the wall showed a trip's time twice."""
    at = datetime.fromisoformat(row["begin"]) + timedelta(seconds=int(row[name]))
    local = at.astimezone(ZONE)
    return local.utcoffset() != local.replace(fold=1 - local.fold).utcoffset()
