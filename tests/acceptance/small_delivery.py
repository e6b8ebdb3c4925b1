"""A small delivery of an invented service, to be spoiled one way in each test."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import duckdb
import pytest

from pipeline.errors import Mistake, Problem, Refused
from pipeline.ingest.delivery import Staged, read_delivery
from pipeline.ingest.load import Loaded, load
from pipeline.store.database import open_store
from tests.stores import ask

__all__ = ["ask"]

EXPORT = """
contract = 1
service = "demo-service"
months = ["2026-01", "2026-02"]
privacy_basis = "limited-data-set"

[time_resolution_s]
trips = 60
settings = 60
device_events = 1
observations = 60
contacts = 60

[expected_trips]
2026-01 = 3
"""

PROTOCOL = """
[[version]]
id = "2026.1"
from_month = "2026-01"
carry_forward_min = { flow_lpm = 30, fio2 = 30 }
always_read = ["intubated", "spo2_below_80"]

[version.rules.wall-oxygen-time]
limit_min = 50
severity = "high"
text = "Undiluted oxygen for no more than fifty minutes."
source = "local protocol"
"""

CANNULAS = """
[[cannula]]
id = "prong-2"
family = "prong"
size_rank = 2
label = "prong 2"
prong_od_mm = 1.9
flow_min_lpm = 2
flow_max_lpm = 12
"""

TABLES = {
    "trips": """
trip_id,service_month,base,vehicle,diagnosis_group,weight_kg,age_months,handover_s
007,2026-01,b1,ground,bronchiolitis,8.4,7,5400
T2,2026-01,b1,rotor,asthma,10,20,4000
T3,2026-02,b2,ground,croup,,,
""",
    "crew": """
trip_id,crew_member,role
007,c1,nurse
T2,c2,respiratory therapist
""",
    "settings": """
trip_id,at_s,support,source,flow_lpm,fio2,humidification,cannula,reason
007,0,high_flow,wall,8,0.4,heated,prong-2,start
007,600,,ventilator,8.5,,,,
T2,60,high_flow,ventilator,10,0.35,unheated,prong-2,start
T3,0,high_flow,,,,,,
""",
    "device_events": """
trip_id,at_s,event,pressure_cmh2o,cutoff_s
007,-30,started,,
007,900,occlusion,51.5,8
007,900,occlusion,51.5,8
""",
    "observations": """
trip_id,at_s,spo2_pct,resp_rate
007,0,96,40
T2,60,88,
""",
    "contacts": """
trip_id,at_s,contacted,about,authorised
007,300,medical_direction,flow,longer_wall_oxygen
""",
    "training": """
month,base,rule
2026-02,b1,wall-oxygen-time
""",
}


def write(folder: Path, **changes: Any) -> Path:
    """Write the delivery into `folder`; each change replaces one file's text, or None removes it.

    A name without suffix is a table, whose first line break is dropped; bytes are written as they
    are. `export`, `protocol` and `cannulas` are the TOML files.
    """
    folder.mkdir(parents=True, exist_ok=True)
    contents: dict[str, Any] = {f"{name}.csv": text[1:] for name, text in TABLES.items()}
    contents |= {"export.toml": EXPORT, "protocol.toml": PROTOCOL, "cannulas.toml": CANNULAS}
    for name, text in changes.items():
        file = f"{name}.csv" if name in TABLES else f"{name}.toml"
        contents[file] = text
    for file, text in contents.items():
        if isinstance(text, bytes):
            (folder / file).write_bytes(text)
        elif text is not None:
            (folder / file).write_bytes(text.encode())
    return folder


def swap(table: str, old: str, new: str) -> dict[str, str]:
    """Return a change of one table: the first `old` in its text becomes `new`."""
    text = TABLES[table][1:]
    assert old in text
    return {table: text.replace(old, new, 1)}


def refusals(folder: Path, con: duckdb.DuckDBPyConnection | None = None) -> list[Problem]:
    """Read a delivery that must be refused with exit code 3; return every problem."""
    with pytest.raises(Refused) as caught:
        read_delivery(con or duckdb.connect(), folder)
    assert caught.value.exit_code == 3
    check_sentences(caught.value)
    return caught.value.problems


def check_sentences(mistake: Mistake) -> None:
    """Hold every problem to having a sentence and a remedy, and a documented code."""
    from pipeline.errors import CODES, EXIT_USAGE

    for problem in mistake.problems:
        assert CODES[problem.code].kind > EXIT_USAGE
        assert problem.what
        assert problem.remedy.endswith(".")


def only(problems: list[Problem]) -> Problem:
    """Return the one problem there must be."""
    assert len(problems) == 1, [problem.sentence() for problem in problems]
    return problems[0]


def aside(folder: Path) -> list[tuple[str | None, int | None, str | None, str]]:
    """Read a usable delivery; return file, line, column and code of what was set aside."""
    con = duckdb.connect()
    staged = read_delivery(con, folder)
    return [(p.file, p.line, p.column, p.code) for p in staged.problems(con)]


def store(path: Path, folder: Path) -> tuple[Staged, Loaded]:
    """Read a delivery and load it into the store at `path`."""
    con = open_store(path, threads=1)
    try:
        staged = read_delivery(con, folder)
        return staged, load(con, staged)
    finally:
        con.close()
