"""An invented device that writes a log of its own for each trip, named by it, in UTC.

The chart is in local time; the device's clock is a minute and a half slow, as is known.
"""

from __future__ import annotations

import csv
import random
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from tests.mapping.direct import Row

ZONE = ZoneInfo("America/Denver")
SLOW = timedelta(seconds=90)

MAPPING = """
mapping = 1
service = "heron-ridge"
privacy_basis = "limited-data-set"
time_zone = "America/Denver"
not_recorded = ["crew", "observations", "settings", "contacts", "training"]
time_resolution_s = { trips = 1, device_events = 1 }
device_clock = { max_offset_s = 600 }
tokens = { trip_id = "assigned" }

[files.chart]
path = "chart.csv"
[files.logs]
path = "logs/*.log"
delimiter = ";"
header_line = 2
time_zone = "UTC"
clock_shift = "+0:01:30"

[views]
events = '''
  select *, regexp_extract(file_name, 'unit[0-9]+_(\\w+)\\.log', 1) as run,
    try_cast(regexp_extract(text, 'paw=([0-9.]+)', 1) as DOUBLE) as pressure,
    regexp_extract(text, 'code ([0-9]+)', 1) as code,
    nullif(regexp_extract(text, 'cut ([0-9]+) ms', 1), '') as cut
  from logs where code <> '' and code <> '900'
'''

[tables.trips]
from = "chart"
bedside = { from = "bedside", time = "%d-%b-%Y %H:%M:%S" }
[tables.trips.columns]
trip_id = "run"
base = "base"
vehicle = "vehicle"
diagnosis_group = "kind"
handover_s = { from = "handed", time = "%d-%b-%Y %H:%M:%S" }

[tables.device_events]
from = "events"
[tables.device_events.columns]
trip_id = "run"
at_s = { from = "stamp", time = "%Y%m%d %H%M%S" }
event = { from = "code", codes = { 17 = "occlusion", 18 = "restored", 1 = "started" } }
pressure_cmh2o = "pressure"
cutoff_s = { from = "cut", unit = "ms" }
"""

CUT = ("occlusion",)
CODES = {"occlusion": "17", "restored": "18", "started": "1"}


def truth(seed: int = 7) -> dict[str, list[Row]]:
    """Trips about the autumn change of the clock, with what the device logged of them."""
    draw = random.Random(seed)
    tables: dict[str, list[Row]] = {"trips": [], "device_events": []}
    for number in range(30):
        begin = datetime(2026, 11, 1, 5, tzinfo=UTC) + timedelta(
            minutes=97 * number, seconds=number
        )
        if 7 * 60 <= (begin - datetime(2026, 11, 1, tzinfo=UTC)).total_seconds() / 60 < 9 * 60:
            begin += timedelta(hours=2)  # charted times of that hour nobody can tell apart
        trip = f"K{number}x"
        tables["trips"].append({
            "trip_id": trip, "service_month": f"{begin.astimezone(ZONE):%Y-%m}", "base": "b1",
            "vehicle": "ground", "diagnosis_group": "c", "handover_s": "18000",
            "begin": begin.isoformat(),
        })  # fmt: skip
        at = draw.randrange(-300, 0)
        while at < 7000:
            event = draw.choice(list(CODES))
            tables["device_events"].append({
                "trip_id": trip, "at_s": str(at), "event": event,
                "pressure_cmh2o": f"{draw.randrange(300, 520) / 10}" if event in CUT else "",
                "cutoff_s": f"{draw.randrange(1, 90) / 10}" if event in CUT else "",
            })  # fmt: skip
            at += draw.randrange(60, 900)
    return tables


def write(folder: Path, tables: dict[str, list[Row]]) -> Path:
    """Write the chart, a log for each trip, and the mapping."""
    (folder / "logs").mkdir(parents=True)
    begin = {row["trip_id"]: datetime.fromisoformat(row["begin"]) for row in tables["trips"]}
    with (folder / "chart.csv").open("w", newline="") as file:
        chart = csv.writer(file)
        chart.writerow(["run", "bedside", "handed", "base", "vehicle", "kind"])
        for row in tables["trips"]:
            times = [
                begin[row["trip_id"]] + timedelta(seconds=int(s)) for s in ("0", row["handover_s"])
            ]
            local = [f"{at.astimezone(ZONE):%d-%b-%Y %H:%M:%S}" for at in times]
            chart.writerow([row["trip_id"], *local, row["base"], row["vehicle"], "c"])
    for number, trip in enumerate(begin):
        lines = ["device log", "stamp;text"]
        for row in tables["device_events"]:
            if row["trip_id"] == trip:
                at = begin[trip] + timedelta(seconds=int(row["at_s"])) - SLOW
                text = f"code {CODES[row['event']]}"
                if row["event"] == "occlusion":
                    text += (
                        f" paw={row['pressure_cmh2o']} cut {float(row['cutoff_s']) * 1000:.0f} ms"
                    )
                lines += [f"{at:%Y%m%d %H%M%S};{text}", f"{at:%Y%m%d %H%M%S};code 900 self test"]
        (folder / "logs" / f"unit{number % 3}_{trip}.log").write_text("\n".join([*lines, ""]))
    (folder / "mapping.toml").write_text(MAPPING, encoding="utf-8")
    return folder
