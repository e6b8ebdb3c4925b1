"""What a mistake with a mapping is made of: a small source, its mapping, and what is changed."""

from __future__ import annotations

import io
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from tests.acceptance import small_delivery
from tests.mapping import direct

HOUSE = Path(__file__).parents[2]
TRIPS = """\
run,bedside,base,mode,weight,group
A1,25/02/2026 10:00,b1,road,8.4,croup
A2,26/02/2026 11:00,b1,heli,10.5,asthma
"""
SETTINGS = """\
run,charted,kind,flow,oxygen
A1,25/02/2026 10:05,SET,8,40
A2,26/02/2026 11:10,SET,9.5,35
A2,26/02/2026 11:20,NOTE,,
"""
MAPPING = """\
mapping = 1
service = "heron-ridge"
privacy_basis = "limited-data-set"
time_zone = "Europe/Berlin"
not_recorded = ["crew", "device_events", "observations", "contacts", "training"]
time_resolution_s = { trips = 60, settings = 60 }

[tokens]
trip_id = "assigned"

[files.trips]
path = "trips.csv"
[files.settings]
path = "settings.csv"

[tables.trips]
from = "trips"
bedside = { from = "bedside", time = "%d/%m/%Y %H:%M" }
[tables.trips.columns]
trip_id = "run"
base = "base"
vehicle = { from = "mode", codes = { road = "ground", heli = "rotor" } }
weight_kg = "weight"
diagnosis_group = "group"

[tables.settings]
from = "settings"
where = [{ column = "kind", is = "SET" }]
[tables.settings.columns]
trip_id = "run"
at_s = { from = "charted", time = "%d/%m/%Y %H:%M" }
flow_lpm = "flow"
fio2 = { from = "oxygen", unit = "percent" }
"""
TABLE = 'from = "settings"\nwhere = [{ column = "kind", is = "SET" }]'
HASHED = {'trip_id = "assigned"': 'key_file = "keep/key"',
          'trip_id = "run"': 'trip_id = { from = "run", token = "trip" }'}  # fmt: skip


@dataclass
class Slip:
    """What is done wrong, and what must be said: code, place, and a word of the true cause."""

    name: str
    code: str
    place: str
    word: str
    files: dict[str, str | bytes | None] = field(default_factory=dict)
    mapping: dict[str, str] = field(default_factory=dict)
    made: Callable[[Path], None] | None = None
    months: tuple[str, ...] = ()
    typed: str = "map in --to out"

    def write(self, beside: Path) -> Path:
        """Write the files with the mistake in them, as `in` beside the delivery to be made."""
        folder = beside / "in"
        folder.mkdir()
        for name, content in ({T: TRIPS, S: SETTINGS} | self.files).items():
            if content is not None:
                raw = content.encode() if isinstance(content, str) else content
                (folder / name).write_bytes(raw)
        text = MAPPING
        for old, new in self.mapping.items():
            assert old in text
            text = text.replace(old, new)
        (folder / M).write_text(text, encoding="utf-8")
        if self.made:
            self.made(folder)
        return folder


def view(sql: str) -> dict[str, str]:
    return {
        TABLE: 'from = "seen"',
        "[tables.trips]": f"[views]\nseen = '''{sql}'''\n[tables.trips]",
    }


def workbook(**change: object) -> bytes:
    from openpyxl import Workbook

    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "Runs"
    for line in TRIPS.splitlines():
        sheet.append(line.split(","))
    if "merge" in change:
        sheet.merge_cells(str(change["merge"]))
    if "formula" in change:
        sheet["E2"] = str(change["formula"])
    kept = io.BytesIO()
    book.save(kept)
    return kept.getvalue()


def sqlite() -> bytes:
    con = sqlite3.connect(":memory:")
    con.execute("create table trips (run)")
    return con.serialize()


def key(mode: int = 0o600, place: str = "keep/key") -> Callable[[Path], None]:
    def make(folder: Path) -> None:
        (folder / place).parent.mkdir(parents=True, exist_ok=True)
        (folder / place).write_text(direct.KEY)
        (folder / place).chmod(mode)

    return make


def a_protocol(folder: Path) -> None:
    """Put the local protocol and the catalogue of cannulas beside the files."""
    (folder / "protocol.toml").write_text(small_delivery.PROTOCOL)
    (folder / "cannulas.toml").write_text(small_delivery.CANNULAS)


def delivered_before(folder: Path) -> None:
    (folder.parent / "out").mkdir()
    (folder.parent / "out" / "old.csv").write_text("x")


SHEET = {'path = "trips.csv"': 'path = "trips.xlsx"\nsheet = "Runs"'}
OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600)
T = "trips.csv"
S = "settings.csv"
M = "mapping.toml"
