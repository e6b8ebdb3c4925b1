"""Sixty mistakes that people make, and what they are told: the cause, where they made it."""

from __future__ import annotations

import gzip
import io
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from pipeline.errors import CODES, Mistake
from pipeline.mapping.command import map_source
from tests.mapping import direct

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
class Mistake_:  # noqa: N801 - the product has a Mistake
    """What is done wrong, and what must be said: code, place, and a word of the true cause."""

    name: str
    code: str
    place: str
    word: str
    files: dict[str, str | bytes | None] = field(default_factory=dict)
    mapping: dict[str, str] = field(default_factory=dict)
    made: Callable[[Path], None] | None = None
    months: tuple[str, ...] = ()


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


def delivered_before(folder: Path) -> None:
    (folder.parent / "out").mkdir()
    (folder.parent / "out" / "old.csv").write_text("x")


def swapped(text: str, old: str, new: str) -> str:
    assert old in text
    return text.replace(old, new)


SHEET = {'path = "trips.csv"': 'path = "trips.xlsx"\nsheet = "Runs"'}
OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600)
T = "trips.csv"
S = "settings.csv"
M = "mapping.toml"

MISTAKES = [
    # ---- files of another kind
    Mistake_("tabs", "wrong-delimiter", T, "separated by tabs", {T: TRIPS.replace(",", "\t")}),
    Mistake_("semicolons", "wrong-delimiter", T, "semicolons", {T: TRIPS.replace(",", ";")}),
    Mistake_("says-semicolons", "wrong-delimiter", T, "by commas, and the mapping says semicolons",
             mapping={'path = "trips.csv"': 'path = "trips.csv"\ndelimiter = ";"'}),
    Mistake_("sqlite", "not-a-table", T, "SQLite database", {T: sqlite()}),
    Mistake_("old-workbook", "not-a-table", T, "older kind", {T: OLE}),
    Mistake_("workbook-named-csv", "not-a-table", T, "workbook", {T: workbook()}),
    Mistake_("pdf", "not-a-table", T, "PDF", {T: b"%PDF-1.7\n%..."}),
    Mistake_("login-page", "not-a-table", T, "web page",
             {T: "\n<!DOCTYPE html><html>login</html>"}),
    Mistake_("utf-16", "nul-bytes", T, "UTF-16", {T: TRIPS.encode("utf-16-le")}),
    Mistake_("windows", "not-utf8", T, "windows-1252",
             {T: TRIPS.replace("croup", "é").encode("cp1252")}),
    Mistake_("wrong-encoding", "wrong-encoding", T, "UTF-16",
             mapping={'path = "trips.csv"': 'path = "trips.csv"\nencoding = "utf-16"'}),
    Mistake_("cut-gzip", "not-gzip", "trips.csv.gz", "cut short",
             {"trips.csv.gz": gzip.compress(TRIPS.encode())[:-12]},
             {'path = "trips.csv"': 'path = "trips.csv.gz"'}),
    Mistake_("empty-file", "empty-file", T, "the file is empty", {T: ""}),
    Mistake_("headings-only", "empty-file", T, "no row", {T: TRIPS.splitlines()[0] + "\n"}),
    Mistake_("open-quote", "open-quote", S, "quotation mark", {S: SETTINGS.replace("A1,", 'A1,"')}),
    # ---- files and columns that are not there
    Mistake_("no-file", "not-found", "in", '"runs.csv"', mapping={'"trips.csv"': '"runs.csv"'}),
    Mistake_("capitals-of-a-file", "not-found", "in", 'there is "trips.csv"',
             mapping={'"trips.csv"': '"Trips.csv"'}),
    Mistake_("titles-above", "missing-column", T, "headings stand in line 4",
             {T: "Service report\n\nall runs,,\n" + TRIPS}),
    Mistake_("titles-in-a-workbook", "missing-column", "trips.xlsx", "headings stand in line 1",
             {"trips.xlsx": workbook()},
             {'path = "trips.csv"': 'path = "trips.xlsx"\nheader_line = 2'}),
    Mistake_("renamed", "missing-column", "weight", 'there is "weights"',
             {T: TRIPS.replace("weight", "weights")}),
    Mistake_("capitals-of-a-column", "missing-column", "mode", 'there is "MODE"',
             {T: TRIPS.replace("mode", "MODE")}),
    Mistake_("column-twice", "repeated-column", "base", "2 times",
             {T: TRIPS.replace("group", "base")}),
    Mistake_("no-sheet", "no-such-sheet", "trips.xlsx", '"Runs"', {"trips.xlsx": workbook()},
             {'path = "trips.csv"': 'path = "trips.xlsx"\nsheet = "Trips"'}),
    Mistake_("merged", "merged-cells", "trips.xlsx", "A1:A3",
             {"trips.xlsx": workbook(merge="A1:A3")}, SHEET),
    Mistake_("formula", "formula-not-computed", "trips.xlsx", "never computed",
             {"trips.xlsx": workbook(formula="=1+1")}, SHEET),
    Mistake_("password", "not-a-workbook", "trips.xlsx", "password", {"trips.xlsx": OLE}, SHEET),
    # ---- cells
    Mistake_("decimal-comma", "not-a-number", "weight", 'decimal = ","',
             {T: TRIPS.replace("8.4", '"8,4"')}),
    Mistake_("decimal-point", "not-a-number", "weight", 'decimal = "."',
             mapping={'path = "trips.csv"': 'path = "trips.csv"\ndecimal = ","'}),
    Mistake_("unit-in-the-cell", "not-a-number", "weight", "9.9 aa",
             {T: TRIPS.replace("8.4", "8.4 kg")}),
    Mistake_("off-the-scale", "not-a-number", "oxygen", "<99", {S: SETTINGS.replace("40", "<21")}),
    Mistake_("code-not-named", "not-a-code", "mode", "none of the codes",
             {T: TRIPS.replace("heli", "boat")}),
    Mistake_("code-in-capitals", "not-a-code", "mode", "ignore_case",
             {T: TRIPS.replace("heli", "Heli")}),
    Mistake_("footer", "ragged-row", "trips.csv, line 4", "footer", {T: TRIPS + "Total: 2\n"}),
    Mistake_("delimiter-in-a-cell", "ragged-row", "trips.csv, line 2", "more or fewer",
             {T: TRIPS.replace("croup", "croup, mild")}),
    # ---- times
    Mistake_("other-format", "no-trips", "bedside", '"%d/%m/%Y %H:%M"; they look like "99.99.9999',
             {T: TRIPS.replace("/", ".")}),
    Mistake_("month-first", "no-trips", "bedside", '"%m/%d/%Y %H:%M"',
             mapping={'"bedside", time = "%d/%m': '"bedside", time = "%m/%d'}),
    Mistake_("one-odd-time", "not-a-time", "charted", 'it looks like "99:99"',
             {S: SETTINGS.replace("26/02/2026 11:10", "11:10")}),
    Mistake_("no-zone", "toml-content", "time_zone", "without their offset",
             mapping={'time_zone = "Europe/Berlin"\n': ""}),
    Mistake_("zone-by-city", "toml-content", "time_zone", "is not a time zone",
             mapping={"Europe/Berlin": "Berlin"}),
    Mistake_("format-in-letters", "toml-content", "at_s", "%d/%m/%Y",
             mapping={'"charted", time = "%d/%m/%Y %H:%M"': '"charted", time = "dd/mm/yyyy"'}),
    Mistake_("clock-without-date", "toml-content", "at_s", 'date = "bedside"',
             mapping={'"charted", time = "%d/%m/%Y %H:%M"': '"charted", time = "%H:%M"'}),
    # ---- trips and conditions
    Mistake_("other-numbers", "no-rows", S, "is of a trip that trips has",
             {S: SETTINGS.replace("A1", "01").replace("A2", "02")}),
    Mistake_("one-strange-number", "no-such-trip", "settings.csv, line 2", "none of the trips",
             {S: SETTINGS.replace("A1", "A7")}),
    Mistake_("condition-in-small-letters", "nothing-matches", S, "if case",
             mapping={'is = "SET"': 'is = "set"'}),
    Mistake_("condition-on-no-column", "missing-column", "kinds", 'there is "kind"',
             mapping={'column = "kind"': 'column = "kinds"'}),
    Mistake_("condition-on-all-trips", "no-trips", "tables.trips.where", "none of 2 rows meets",
             mapping={'bedside = {': 'where = [{ column = "mode", is = "x" }]\nbedside = {'}),
    Mistake_("no-such-month", "nothing-found", T, "there are of 2026-02", months=("2026-05",)),
    # ---- the mapping file
    Mistake_("backslashes", "toml-syntax", "mapping.toml, line 12", "backslash",
             mapping={'path = "trips.csv"': 'path = "D:\\Units\\trips.csv"'}),
    Mistake_("curly-quotes", "toml-syntax", "mapping.toml, line 12", "typographic",
             mapping={'path = "trips.csv"': "path = \u201ctrips.csv\u201d"}),
    Mistake_("bare-text", "toml-syntax", "mapping.toml, line 2", "double quotes",
             mapping={'service = "heron-ridge"': "service = heron-ridge"}),
    Mistake_("key-twice", "toml-syntax", "mapping.toml", "twice",
             mapping={"mapping = 1": 'mapping = 1\nservice = "x"'}),
    Mistake_("a-drive", "toml-content", "files.trips.path", "drive",
             mapping={'path = "trips.csv"': 'path = "C:/data/trips.csv"'}),
    Mistake_("misspelt-key", "toml-content", "files.trips.delimeter", "spelling",
             mapping={'path = "trips.csv"': 'path = "trips.csv"\ndelimeter = ";"'}),
    Mistake_("no-such-file-entry", "toml-content", "tables.settings.from", "no [files.charts]",
             mapping={'from = "settings"': 'from = "charts"'}),
    Mistake_("forgotten-table", "toml-content", "tables", "crew is neither mapped nor",
             mapping={'"crew", ': ""}),
    Mistake_("not-our-code", "toml-content", "vehicle", '"car" is none of ground',
             mapping={'road = "ground"': 'road = "car"'}),
    Mistake_("unit-of-another-kind", "toml-content", "weight_kg", "measures something else",
             mapping={'weight_kg = "weight"': 'weight_kg = { from = "weight", unit = "cm" }'}),
    Mistake_("numbers-in-the-clear", "toml-content", "tables.trips.columns.trip_id", "not hashed",
             mapping={'[tokens]\ntrip_id = "assigned"': ""}),
    # ---- keys and places
    Mistake_("no-key", "not-found", "keep/key", "for the key", mapping=HASHED),
    Mistake_("key-open-to-all", "key-permissions", "keep/key", "others",
             mapping=HASHED, made=key(0o644)),
    Mistake_("folder-not-empty", "folder", "out", "not an empty folder", made=delivered_before),
    # ---- views
    Mistake_("view-without-line", "view-without-place", "views.seen", "no column line",
             mapping=view("select run, charted, flow, oxygen, file_name from settings")),
    Mistake_("view-of-no-column", "view-fails", "views.seen", '"flows" not found',
             mapping=view("select flows, line, file_name from settings")),
    Mistake_("view-of-no-file", "view-fails", "views.seen", "charts does not exist",
             mapping=view("select c.* from charts c, settings")),
    Mistake_("view-that-writes", "view-fails", "views.seen", "one SELECT",
             mapping=view("drop table settings")),
    Mistake_("view-that-casts", "view-fails", "views.seen", "try_cast",
             mapping=view("select * replace (cast(kind as INTEGER) as kind) from settings")),
    Mistake_("view-that-reads-files", "view-fails", "views.seen", "declared files alone",
             mapping=view("select *, read_text('/etc/hostname') from settings")
             | view("select s.*, f.content from settings s, read_text('/etc/hostname') f")),
]  # fmt: skip


def told(mistake: Mistake_, tmp_path: Path) -> tuple[list[tuple[str, str]], int]:
    """Every sentence with its code, in their order, and the exit code."""
    folder = tmp_path / "in"
    folder.mkdir()
    for name, content in ({T: TRIPS, S: SETTINGS} | mistake.files).items():
        raw = content.encode() if isinstance(content, str) else content
        (folder / name).write_bytes(raw or b"")
    text = MAPPING
    for old, new in mistake.mapping.items():
        text = swapped(text, old, new)
    (folder / M).write_text(text, encoding="utf-8")
    if mistake.made:
        mistake.made(folder)
    try:
        mapped = map_source(folder, tmp_path / "out", months=mistake.months)
    except Mistake as error:
        return [(p.code, p.sentence()) for p in error.problems], error.exit_code
    found = [*mapped.account.first, *mapped.problems]
    return [(p.code, p.sentence()) for p in found], mapped.exit_code


def test_there_are_sixty() -> None:
    assert len(MISTAKES) >= 60
    assert len({mistake.name for mistake in MISTAKES}) == len(MISTAKES)


@pytest.mark.parametrize("mistake", MISTAKES, ids=lambda mistake: mistake.name)
def test_the_cause_is_said_first(mistake: Mistake_, tmp_path: Path) -> None:
    sentences, code = told(mistake, tmp_path)
    first, sentence = sentences[0]
    assert first == mistake.code, sentences
    assert mistake.place in sentence
    assert mistake.word in sentence
    assert code in CODES[first].exit_codes
    # one mistake is one thing to read, but where it goes on to spoil what hangs on it
    assert len(sentences) <= 3


def test_without_a_mistake_nothing_is_said(tmp_path: Path) -> None:
    assert told(Mistake_("none", "", "", ""), tmp_path) == ([], 0)


def test_a_trip_that_was_left_out_is_not_missed(tmp_path: Path) -> None:
    """Its rows go with it: nobody is told that it has no time at the bedside."""
    only = {"[tables.trips]\n": '[tables.trips]\nwhere = [{ column = "mode", is = "road" }]\n'}
    assert told(Mistake_("filtered", "", "", "", mapping=only), tmp_path) == ([], 0)


def test_a_file_that_a_spreadsheet_program_holds_open_is_not_read(tmp_path: Path) -> None:
    files: dict[str, str | bytes | None] = {"trips.xlsx": workbook(), "~$trips.xlsx": b"lock"}
    stars = {'path = "trips.csv"': 'path = "*.xlsx"\nsheet = "Runs"'}
    assert told(Mistake_("open", "", "", "", files, stars), tmp_path) == ([], 0)
