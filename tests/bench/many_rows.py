"""How long, and in how much memory, `tailrace map` takes many rows of tables, and of views.

Writes TRIPS trips with 31 rows each in local time, about 1.6 million rows for 50,000, and maps them
in a process of its own: once as they stand, and once through views that fill down blank numbers,
join a roster and take a bound off. Run:

    python -m tests.bench.many_rows [TRIPS] [FOLDER]

prints the rows delivered, the seconds of processor, and the most memory held at once.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import duckdb

from tests.mapping.direct import KEY

HEAD = """
mapping = 1
service = "heron-ridge"
privacy_basis = "limited-data-set"
time_zone = "Europe/Berlin"
not_recorded = ["device_events", "contacts", "training"]
time_resolution_s = { trips = 60, settings = 60, observations = 60 }
tokens = { key_file = "keep/key", crew_member = "assigned" }
[files.trips]
path = "trips.csv"
[files.settings]
path = "settings.csv"
[files.observations]
path = "observations.csv"
[files.roster]
path = "roster.csv"
"""
VIEWS = """
[views]
settings-seen = '''
  select * exclude (no), last_value(no ignore nulls) over (order by line) as no from settings
'''
observations-seen = '''
  select * replace (case spo2 when '<85' then '84' else spo2 end as spo2) from observations
'''
crew-seen = '''
  select no, who, job, trips.file_name, trips.line from trips join roster using (unit, day)
'''
"""
TABLES = """
[tables.trips]
from = "trips"
bedside = {{ from = "bedside", time = "%d.%m.%Y %H:%M" }}
[tables.trips.columns]
trip_id = {{ from = "no", token = "trip" }}
base = "unit"
vehicle = {{ constant = "ground" }}
diagnosis_group = {{ constant = "any" }}
weight_kg = {{ from = "grams", unit = "g" }}
[tables.crew]
from = "{crew}"
[tables.crew.columns]
trip_id = {{ from = "no", token = "trip" }}
crew_member = "who"
role = "job"
[tables.settings]
from = "{settings}"
[tables.settings.columns]
trip_id = {{ from = "no", token = "trip" }}
at_s = {{ from = "charted", time = "%d.%m.%Y %H:%M" }}
flow_lpm = {{ from = "flow", unit = "mL/min" }}
fio2 = {{ from = "oxygen", unit = "percent" }}
[tables.observations]
from = "{observations}"
[tables.observations.columns]
trip_id = {{ from = "no", token = "trip" }}
at_s = {{ from = "seen", time = "%d.%m.%Y %H:%M" }}
spo2_pct = "spo2"
heart_rate = "pulse"
"""


def write(folder: Path, trips: int, *, views: bool) -> Path:
    """Write the files, a mapping and a key; blanks, a roster and a bound only for views."""
    (folder / "keep").mkdir(parents=True)
    (folder / "keep" / "key").write_text(KEY)
    (folder / "keep" / "key").chmod(0o600)
    form = "'%d.%m.%Y %H:%M'"
    with duckdb.connect() as con:
        con.execute(f"""
            create table t as select 'N' || (100000 + range) as no, range % 40 as unit,
                timestamp '2026-01-01 06:00' + to_minutes((range * 5)::BIGINT) as moment,
                3000 + range % 9000 as grams from range({trips})""")
        unit, day = "'u' || unit as unit", "strftime(moment, '%Y-%m-%d') as day"
        no = "case when k = 0 then no end" if views else "no"
        spo2 = "case when k % 9 = 0 then '<85' else (88 + k)::VARCHAR end" if views else "88 + k"
        crew = "'C' || unit || '-' || dayofyear(moment) as who, 'nurse' as job"
        roster = f"select distinct {unit}, {day}, {crew} from t"
        for name, sql in {
            "trips": f"select no, strftime(moment, {form}) as bedside, {unit}, grams, {day} from t"
            " order by no",
            "settings": f"select {no} as no,"
            f" strftime(moment + to_minutes(k * 7), {form}) as charted,"
            " 8000 + 100 * k as flow, 40 + k as oxygen from t, range(12) r(k) order by t.no, k",
            "observations": f"select no, strftime(moment + to_minutes(k * 5), {form}) as seen,"
            f" {spo2} as spo2, 120 + k as pulse from t, range(18) r(k) order by no, k",
            "roster": roster if views else f"select no, {crew} from t order by no",
        }.items():
            con.execute(f"copy ({sql}) to '{folder / name}.csv' (header, delimiter ',')")
    names = ("crew", "settings", "observations")
    seen = {name: f"{name}-seen" if views else name for name in names}
    seen["crew"] = "crew-seen" if views else "roster"
    (folder / "mapping.toml").write_text(HEAD + (VIEWS if views else "") + TABLES.format(**seen))
    return folder


def main(trips: int, folder: Path) -> None:
    """Write, map and measure, each in its turn."""
    for views in (False, True):
        source = write(folder / f"views-{views}", trips, views=views)
        begun = time.monotonic()
        command = ["-m", "pipeline.cli.main", "map", str(source), "--to", f"{source}-mapped"]
        child = subprocess.Popen(
            [sys.executable, *command], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            env={**os.environ, "TMPDIR": str(folder)},
        )  # fmt: skip
        assert child.stdout is not None
        print(child.stdout.read())
        _, status, used = os.wait4(child.pid, 0)
        cpu = used.ru_utime + used.ru_stime
        print(f"views: {views}; exit {os.waitstatus_to_exitcode(status)}; {cpu:.0f} s of processor"
              f" in {time.monotonic() - begun:.0f} s; {used.ru_maxrss * 1024 / 1e6:.0f} MB at most",
              flush=True)  # fmt: skip


if __name__ == "__main__":
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 50_000
    with tempfile.TemporaryDirectory(dir=sys.argv[2] if len(sys.argv) > 2 else None) as made:
        main(wanted, Path(made))
