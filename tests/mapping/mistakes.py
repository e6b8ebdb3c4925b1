"""Mistakes that people make with a mapping, and what they must be told: the cause, and where.

`python -m tests.mapping.mistakes` makes every one and prints, for a reader to judge, what was done,
the exit code and the words that the program answered with.
"""

from __future__ import annotations

import gzip
import os
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.mapping.slips import (
    HASHED,
    HOUSE,
    MAPPING,
    OLE,
    SETTINGS,
    SHEET,
    TABLE,
    TRIPS,
    M,
    S,
    Slip,
    T,
    a_protocol,
    delivered_before,
    key,
    sqlite,
    view,
    workbook,
)

MISTAKES = [
    # ---- files of another kind
    Slip("tabs", "wrong-delimiter", T, "separated by tabs", {T: TRIPS.replace(",", "\t")}),
    Slip("semicolons", "wrong-delimiter", T, "semicolons", {T: TRIPS.replace(",", ";")}),
    Slip("says-semicolons", "wrong-delimiter", T, "by commas, and the mapping says semicolons",
             mapping={'path = "trips.csv"': 'path = "trips.csv"\ndelimiter = ";"'}),
    Slip("sqlite", "not-a-table", T, "SQLite database", {T: sqlite()}),
    Slip("old-workbook", "not-a-table", T, "older kind", {T: OLE}),
    Slip("workbook-named-csv", "not-a-table", T, "workbook", {T: workbook()}),
    Slip("pdf", "not-a-table", T, "PDF", {T: b"%PDF-1.7\n%..."}),
    Slip("login-page", "not-a-table", T, "web page",
             {T: "\n<!DOCTYPE html><html>login</html>"}),
    Slip("utf-16", "nul-bytes", T, "UTF-16", {T: TRIPS.encode("utf-16-le")}),
    Slip("windows", "not-utf8", T, "windows-1252",
             {T: TRIPS.replace("croup", "é").encode("cp1252")}),
    Slip("wrong-encoding", "wrong-encoding", T, "UTF-16",
             mapping={'path = "trips.csv"': 'path = "trips.csv"\nencoding = "utf-16"'}),
    Slip("cut-gzip", "not-gzip", "trips.csv.gz", "cut short",
             {"trips.csv.gz": gzip.compress(TRIPS.encode())[:-12]},
             {'path = "trips.csv"': 'path = "trips.csv.gz"'}),
    Slip("empty-file", "empty-file", T, "the file is empty", {T: ""}),
    Slip("headings-only", "empty-file", T, "no row", {T: TRIPS.splitlines()[0] + "\n"}),
    Slip("open-quote", "open-quote", S, "quotation mark", {S: SETTINGS.replace("A1,", 'A1,"')}),
    # ---- files and columns that are not there
    Slip("no-file", "not-found", "in", '"runs.csv"', mapping={'"trips.csv"': '"runs.csv"'}),
    Slip("capitals-of-a-file", "not-found", "in", 'there is "trips.csv"',
             mapping={'"trips.csv"': '"Trips.csv"'}),
    Slip("titles-above", "missing-column", T, "headings stand in line 4",
             {T: "Service report\n\nall runs,,\n" + TRIPS}),
    Slip("titles-in-a-workbook", "missing-column", "trips.xlsx", "headings stand in line 1",
             {"trips.xlsx": workbook()},
             {'path = "trips.csv"': 'path = "trips.xlsx"\nheader_line = 2'}),
    Slip("renamed", "missing-column", "weight", 'there is "weights"',
             {T: TRIPS.replace("weight", "weights")}),
    Slip("capitals-of-a-column", "missing-column", "mode", 'there is "MODE"',
             {T: TRIPS.replace("mode", "MODE")}),
    Slip("column-twice", "repeated-column", "base", "2 times",
             {T: TRIPS.replace("group", "base")}),
    Slip("no-sheet", "no-such-sheet", "trips.xlsx", '"Runs"', {"trips.xlsx": workbook()},
             {'path = "trips.csv"': 'path = "trips.xlsx"\nsheet = "Trips"'}),
    Slip("merged", "merged-cells", "trips.xlsx", "A1:A3",
             {"trips.xlsx": workbook(merge="A1:A3")}, SHEET),
    Slip("formula", "formula-not-computed", "trips.xlsx", "never computed",
             {"trips.xlsx": workbook(formula="=1+1")}, SHEET),
    Slip("password", "not-a-workbook", "trips.xlsx", "password", {"trips.xlsx": OLE}, SHEET),
    # ---- cells
    Slip("decimal-comma", "not-a-number", "weight", 'decimal = ","',
             {T: TRIPS.replace("8.4", '"8,4"')}),
    Slip("decimal-point", "not-a-number", "weight", 'decimal = "."',
             mapping={'path = "trips.csv"': 'path = "trips.csv"\ndecimal = ","'}),
    Slip("unit-in-the-cell", "not-a-number", "weight", "9.9 aa",
             {T: TRIPS.replace("8.4", "8.4 kg")}),
    Slip("off-the-scale", "not-a-number", "oxygen", "<99", {S: SETTINGS.replace("40", "<21")}),
    Slip("code-not-named", "not-a-code", "mode", "none of the codes",
             {T: TRIPS.replace("heli", "boat")}),
    Slip("code-in-capitals", "not-a-code", "mode", "ignore_case",
             {T: TRIPS.replace("heli", "Heli")}),
    Slip("footer", "ragged-row", "trips.csv, line 4", "footer", {T: TRIPS + "Total: 2\n"}),
    Slip("delimiter-in-a-cell", "ragged-row", "trips.csv, line 2", "more or fewer",
             {T: TRIPS.replace("croup", "croup, mild")}),
    # ---- times
    Slip("other-format", "no-trips", "bedside", '"%d/%m/%Y %H:%M"; they look like "99.99.9999',
             {T: TRIPS.replace("/", ".")}),
    Slip("month-first", "no-trips", "bedside", '"%m/%d/%Y %H:%M"',
             mapping={'"bedside", time = "%d/%m': '"bedside", time = "%m/%d'}),
    Slip("one-odd-time", "not-a-time", "charted", 'it looks like "99:99"',
             {S: SETTINGS.replace("26/02/2026 11:10", "11:10")}),
    Slip("no-zone", "toml-content", "time_zone", "without their offset",
             mapping={'time_zone = "Europe/Berlin"\n': ""}),
    Slip("zone-by-city", "toml-content", "time_zone", "is not a time zone",
             mapping={"Europe/Berlin": "Berlin"}),
    Slip("format-in-letters", "toml-content", "at_s", "%d/%m/%Y",
             mapping={'"charted", time = "%d/%m/%Y %H:%M"': '"charted", time = "dd/mm/yyyy"'}),
    Slip("clock-without-date", "toml-content", "at_s", 'date = "bedside"',
             mapping={'"charted", time = "%d/%m/%Y %H:%M"': '"charted", time = "%H:%M"'}),
    # ---- trips and conditions
    Slip("other-numbers", "no-rows", S, "is of a trip that trips has",
             {S: SETTINGS.replace("A1", "01").replace("A2", "02")}),
    Slip("one-strange-number", "row-of-no-trip", "settings.csv, line 2", "none of the trips",
             {S: SETTINGS.replace("A1", "A7")}),
    Slip("condition-in-small-letters", "nothing-matches", S, "if case",
             mapping={'is = "SET"': 'is = "set"'}),
    Slip("condition-on-no-column", "missing-column", "kinds", 'there is "kind"',
             mapping={'column = "kind"': 'column = "kinds"'}),
    Slip("condition-on-all-trips", "no-trips", "tables.trips.where", "none of 2 rows meets",
             mapping={'bedside = {': 'where = [{ column = "mode", is = "x" }]\nbedside = {'}),
    Slip("no-such-month", "nothing-found", T, "there are of 2026-02", months=("2026-05",)),
    # ---- the mapping file
    Slip("backslashes", "toml-syntax", "mapping.toml, line 12", "backslash",
             mapping={'path = "trips.csv"': 'path = "D:\\Units\\trips.csv"'}),
    Slip("curly-quotes", "toml-syntax", "mapping.toml, line 12", "typographic",
             mapping={'path = "trips.csv"': "path = \u201ctrips.csv\u201d"}),
    Slip("bare-text", "toml-syntax", "mapping.toml, line 2", "double quotes",
             mapping={'service = "heron-ridge"': "service = heron-ridge"}),
    Slip("key-twice", "toml-syntax", "mapping.toml", "twice",
             mapping={"mapping = 1": 'mapping = 1\nservice = "x"'}),
    Slip("a-drive", "toml-content", "files.trips.path", "drive",
             mapping={'path = "trips.csv"': 'path = "C:/data/trips.csv"'}),
    Slip("misspelt-key", "toml-content", "files.trips.delimeter", "spelling",
             mapping={'path = "trips.csv"': 'path = "trips.csv"\ndelimeter = ";"'}),
    Slip("no-such-file-entry", "toml-content", "tables.settings.from", "no [files.charts]",
             mapping={'from = "settings"': 'from = "charts"'}),
    Slip("forgotten-table", "toml-content", "tables", "crew is neither mapped nor",
             mapping={'"crew", ': ""}),
    Slip("not-our-code", "toml-content", "vehicle", '"car" is none of ground',
             mapping={'road = "ground"': 'road = "car"'}),
    Slip("unit-of-another-kind", "toml-content", "weight_kg", "measures something else",
             mapping={'weight_kg = "weight"': 'weight_kg = { from = "weight", unit = "cm" }'}),
    Slip("numbers-in-the-clear", "toml-content", "tables.trips.columns.trip_id", "not hashed",
             mapping={'[tokens]\ntrip_id = "assigned"': ""}),
    # ---- keys and places
    Slip("no-key", "not-found", "keep/key", "for the key", mapping=HASHED),
    Slip("key-open-to-all", "key-permissions", "keep/key", "others",
             mapping=HASHED, made=key(0o644)),
    Slip("folder-not-empty", "folder", "out", "not an empty folder", made=delivered_before),
    # ---- views
    Slip("view-without-line", "view-without-place", "views.seen", "no column line",
             mapping=view("select run, charted, flow, oxygen, file_name from settings")),
    Slip("view-of-no-column", "view-fails", "views.seen", 'no column "flows"',
             mapping=view("select flows, line, file_name from settings")),
    Slip("view-of-no-file", "view-fails", "views.seen", "charts does not exist",
             mapping=view("select c.* from charts c, settings")),
    Slip("view-that-writes", "view-fails", "views.seen", "one SELECT",
             mapping=view("drop table settings")),
    Slip("view-that-casts", "view-fails", "views.seen", "try_cast",
             mapping=view("select * replace (cast(kind as INTEGER) as kind) from settings")),
    Slip("view-that-reads-files", "view-fails", "views.seen", "declared files alone",
             mapping=view("select *, read_text('/etc/hostname') from settings")
             | view("select s.*, f.content from settings s, read_text('/etc/hostname') f")),
]  # fmt: skip


AND_CHECKED = "map in --to out; check out --protocol in/protocol.toml --cannulas in/cannulas.toml"

FRESH = [
    # ---- how the mapping is written
    Slip("condition-without-brackets", "toml-content", "tables.settings.where", "square brackets",
         mapping={'where = [{ column = "kind", is = "SET" }]':
                  'where = { column = "kind", is = "SET" }'}),
    Slip("codes-as-a-list", "toml-content", "vehicle.codes", "must be a table",
         mapping={'{ road = "ground", heli = "rotor" }': '["road=ground", "heli=rotor"]'}),
    Slip("table-for-tables", "toml-content", "mapping.toml: table", "tables is",
         mapping={"[tables.settings]": "[table.settings]",
                  "[tables.settings.columns]": "[table.settings.columns]"}),
    Slip("numbers-in-is", "toml-content", "tables.settings.where[1].is[1]", "quotation marks",
         mapping={'is = "SET"': "is = [1, 2]"}),
    Slip("no-bedside", "toml-content", "tables.trips.bedside", "is missing",
         mapping={'bedside = { from = "bedside", time = "%d/%m/%Y %H:%M" }\n': ""}),
    Slip("repeat-without-a-place", "toml-content", "tables.settings", "{n}",
         mapping={TABLE: TABLE + '\nrepeat = "1-4"'}),
    Slip("unit-of-the-trade", "toml-content", "flow_lpm.unit", "L/min",
         mapping={'flow_lpm = "flow"': 'flow_lpm = { from = "flow", unit = "lpm" }'}),
    Slip("percent-forgotten", "out-of-range", "fio2", "percents",
         mapping={'fio2 = { from = "oxygen", unit = "percent" }': 'fio2 = "oxygen"'},
         typed=AND_CHECKED, made=a_protocol),
    # ---- files and cells
    Slip("a-packed-folder", "not-a-table", "export.zip", "packed",
         {"export.zip": b"PK\x03\x04" + bytes(200)},
         mapping={'path = "trips.csv"': 'path = "export.zip"'}),
    Slip("heading-with-its-unit", "missing-column", "flow", '"flow (L/min)"',
         {S: SETTINGS.replace("flow,oxygen", "flow (L/min),oxygen")}),
    Slip("seconds-in-the-cells", "not-a-time", "charted", "99:99:99",
         {S: SETTINGS.replace("10:05", "10:05:00").replace("11:10", "11:10:00")
          .replace("11:20", "11:20:00")}),
    Slip("twelve-hour-clock", "not-a-time", "charted", "99:99 aa",
         {S: SETTINGS.replace("10:05", "10:05 AM").replace("11:10", "11:10 AM")
          .replace("11:20", "11:20 AM")}),
    Slip("days-as-a-spreadsheet-counts-them", "no-trips", "bedside", "spreadsheet",
         {T: TRIPS.replace("25/02/2026 10:00", "46078.4167").replace("26/02/2026 11:00",
                                                                     "46079.4583")}),
    Slip("date-and-time-where-a-time-of-day-is-said", "not-a-time", "charted",
         'leave date = "bedside" out',
         mapping={'"charted", time = "%d/%m/%Y %H:%M"':
                  '"charted", time = "%H:%M", date = "bedside"'}),
    Slip("a-trip-twice", "repeated-trip", "trips.csv, line 2", "more than one row",
         {T: TRIPS + "A1,25/02/2026 10:00,b2,road,8.4,croup\n"},
         typed="map in --to out"),
    Slip("a-trip-without-bedside", "no-bedside", "trips.csv, line 3", "no usable time",
         {T: TRIPS.replace("26/02/2026 11:00", "")}),
    # ---- views
    Slip("text-in-double-quotes", "view-fails", "views.seen", "stands in single quotes",
         mapping=view('select * from settings where kind = "SET"')),
    Slip("group-without-aggregate", "view-fails", "views.seen", "GROUP BY",
         mapping=view("select run, charted, flow, oxygen, min(line) as line,"
                      " any_value(file_name) as file_name from settings group by run")),
    Slip("hyphen-in-a-name", "view-fails", "views.seen", "hyphens",
         mapping={"[files.settings]": "[files.chart-log]"}
         | view("select * from chart-log")),
    # ---- what was typed
    Slip("into-the-source", "folder", "in", "not an empty folder", typed="map in --to in"),
    Slip("month-of-one-digit", "usage", "--month", "YYYY-MM",
         typed="map in --to out --month 2026-2"),
    Slip("source-for-delivery", "not-a-delivery", "in", "no export.toml", typed="check in"),
    Slip("mapping-elsewhere", "not-found", "maping.toml", "no mapping file",
         typed="map in/trips.csv --to out --mapping maping.toml"),
    Slip("second-key", "usage", "in/keep/key", "never be overwritten", made=key(),
         typed="map --new-key in/keep/key"),
    Slip("to-forgotten", "usage", "--to", "--new-key", typed="map in"),
    Slip("month-without-source", "not-found", "in/exports", "source under [month]",
         mapping={"[tokens]": '[month]\nsource = "exports"\n[tokens]'},
         typed="month in/mapping.toml"),
]  # fmt: skip
"""Mistakes of other kinds, thought of after the words for those above were mended."""


SPOKEN = {
    "sqlite": "The export is a database of SQLite, under the name of the table.",
    "old-workbook": "The export is a workbook of the older kind (.xls), named trips.csv.",
    "workbook-named-csv": "The export is an .xlsx workbook, named trips.csv.",
    "pdf": "The export is a PDF.",
    "login-page": "What was downloaded is the page to log in by.",
    "utf-16": "A spreadsheet program saved the text as Unicode (UTF-16), without a mark.",
    "windows": "The file is saved in windows-1252, and one diagnosis has an accent.",
    "cut-gzip": "The packed file was cut short while it was copied.",
    "titles-in-a-workbook": "The headings of the sheet stand in line 1.",
    "no-sheet": "The workbook has one sheet, Runs.",
    "merged": "In the sheet Runs the cells A1 to A3 are merged.",
    "formula": "In the sheet Runs the weight in E2 is a formula, and no program has computed it.",
    "password": "The workbook was saved with a password.",
    "key-open-to-all": "The key is there, and everybody on the machine may read it.",
    "folder-not-empty": "The folder out is there from another time, with a file in it.",
    "no-key": "No key was made yet.",
    "percent-forgotten": "oxygen is in percent; the contract's fio2 is a fraction.",
    "a-packed-folder": "The export is a folder packed as ZIP.",
    "seconds-in-the-cells": "The system now writes seconds.",
    "days-as-a-spreadsheet-counts-them": "The cells of a workbook were saved as text unformatted.",
    "other-numbers": "In the settings a spreadsheet program has changed the trips' numbers.",
    "into-the-source": "The folder in holds the export and the mapping.",
    "source-for-delivery": "The folder in holds the export and the mapping, not a delivery.",
    "mapping-elsewhere": "The name of the mapping file is misspelt.",
    "second-key": "There is a key already, and it is in use.",
    "month-without-source": "There is no folder exports.",
    "a-trip-twice": "Trip A1 stands twice, with two bases.",
}


def changes(slip: Slip) -> list[str]:
    """What was done, as lines of a page."""
    found = []
    for name, content in slip.files.items():
        if content is None:
            found.append(f"There is no {name}.")
        elif isinstance(content, bytes):
            found.append(f"`{name}` begins with the bytes `{content[:40]!r}`.")
        else:
            found += [f"`{name}` holds:", "```", content.rstrip("\n"), "```"]
    for old, new in slip.mapping.items():
        found += ["In the mapping, for", "```", old.strip("\n"), "```"]
        found += ["stands", "```", new.strip("\n"), "```"] if new else ["stands nothing."]
    return [SPOKEN[slip.name], "", *found] if slip.name in SPOKEN else found


def answered(slip: Slip, beside: Path) -> list[str]:
    """Run the program itself, as typed; what it prints and how it ends."""
    slip.write(beside)
    said = []
    for typed in slip.typed.split("; "):
        more = [word for month in slip.months for word in ("--month", month)]
        words = [*typed.split(), *more]
        done = subprocess.run(
            [sys.executable, "-m", "pipeline.cli.main", *words],
            cwd=beside, env={**os.environ, "PYTHONPATH": str(HOUSE)},
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        printed = (done.stdout + done.stderr).replace(str(beside) + "/", "").rstrip()
        said += [f"`tailrace {' '.join(words)}` ends with exit code {done.returncode}, and prints"]
        said += ["```", printed, "```"]
    return said


def page(names: list[str]) -> str:
    """Every mistake, or those named, with what was done and what was said."""
    lines = ["# Mistakes, and what they are told", "", "Without a mistake:"]
    for name, text in ((T, TRIPS), (S, SETTINGS), (M, MAPPING)):
        lines += ["", f"`in/{name}`", "```", text.rstrip(), "```"]
    wanted = [slip for slip in (*MISTAKES, *FRESH) if not names or slip.name in names]
    for number, slip in enumerate(wanted, start=1):
        with TemporaryDirectory() as beside:
            lines += ["", f"## {number}. {slip.name}", "", *changes(slip), ""]
            lines += answered(slip, Path(beside))
    return "\n".join(lines)


if __name__ == "__main__":
    print(page(sys.argv[1:]))
