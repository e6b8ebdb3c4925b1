"""The one table of every code a user can meet: one record a code, from which messages and
docs/errors.md come.

To add a code: a record here, and the call that raises it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

EXIT_FINE = 0
EXIT_OUR_BUG = 1
EXIT_USAGE = 2
EXIT_REFUSED = 3
EXIT_SET_ASIDE = 4
EXIT_UNFINISHED = 5


class Kind(IntEnum):
    """What becomes of the work; its value is the exit code, but for what is doubtful."""

    NOTED = EXIT_FINE
    """Nothing is wrong, and nothing is left out that was there."""
    USAGE = EXIT_USAGE
    """A command as it was called cannot mean anything."""
    REFUSED = EXIT_REFUSED
    """A delivery, source, sheet or store cannot be used; nothing is stored."""
    SET_ASIDE = EXIT_SET_ASIDE
    """A row or cell is not used; the rest is."""
    UNFINISHED = EXIT_UNFINISHED
    """What was given is stored, but not all that follows from it could be written."""
    DOUBTFUL = 10 + EXIT_SET_ASIDE
    """Legal and hardly true: it is used, and a check ends as where a row is set aside."""


NOTED, USAGE, REFUSED, SET_ASIDE, UNFINISHED, DOUBTFUL = Kind


@dataclass(frozen=True)
class Code:
    """One thing a user can be told, with what is always the same about it.

    `place`: where its message points. Files and lines are the user's own; a line is a line of the
    text, a row of the sheet, or a row's number in a Parquet file. `remedy`: what to do where a
    message does not say it more narrowly; `in_source`: likewise where a service's own files are
    mapped. Either is None where such a message cannot be, both for what is only noted. `what`: the
    message's words, without a full stop, where they are always the same. `in_options`: wrong usage
    too, where it is an option that holds what it speaks of.
    """

    id: str
    kind: Kind
    place: str
    meaning: str
    remedy: str | None = None
    in_source: str | None = None
    what: str | None = None
    in_options: bool = False

    @property
    def exit_codes(self) -> tuple[int, ...]:
        """With what a command may end that tells of it, the usual first."""
        code = EXIT_SET_ASIDE if self.kind is Kind.DOUBTFUL else int(self.kind)
        return (code, EXIT_USAGE) if self.in_options else (code,)


def _noted(code: str, what: str, who: str = "An element") -> Code:
    """What an element of a report says in place of a value: empty in the delivery, but known."""
    return Code(code, NOTED, "file, line and element", f"{who} {what}.", what=what)


FOLDER, FILE, STORE = "the folder", "the file", "the store"
LINE, KEY, CELL = "file and line", "file, line and key", "file, line and column"
COLUMN, SHEET, SETTING = "file and column", "sheet and cells", "settings file and key"
MONTH, OPTION, CROSSWALK = "the month", "the option", "the key or crosswalk"

CLOSE_IT = "Close the quotation mark, or double it where it belongs to the text."
DOUBLE_THEM = "Double the quotation marks that belong to the text, and export again."
FREE_SPACE = "Make room and try again; nothing is half-stored."

TABLE = (
    Code("not-a-delivery", REFUSED, FOLDER,
         "The directory is missing, cannot be read or has no export.toml.",
         "Name the folder that holds export.toml and one file for each table."),
    Code("toml-syntax", REFUSED, LINE, "A settings file is not valid TOML.",
         "Correct the line; the format is described at toml.io.",
         in_source="Correct the mapping file; the format is described at toml.io."),
    Code("toml-content", REFUSED, KEY,
         "A settings file has a key that is missing, unknown or out of range.", "Correct the file.",
         in_source="Correct the mapping file.", in_options=True),
    Code("not-found", REFUSED, FILE,
         "A file that was named, or that a delivery needs, is not there.",
         "Check the path, or add the file.", in_source="Check the name."),
    Code("no-permission", REFUSED, FILE, "A file or folder may not be read or written.",
         "Ask for permission, or choose another place.", in_source="Ask for permission to read it.",
         in_options=True),
    Code("missing-table", REFUSED, FILE,
         "A table is neither delivered nor declared as not recorded.",
         "Add the file, or list the table under not_recorded in export.toml."),
    Code("table-twice", REFUSED, FILE, "A table is delivered in two formats at once.",
         "Keep one of the two."),
    Code("several-workbooks", REFUSED, FILE, "There are several workbooks, and a delivery is one.",
         "Keep the one that holds the tables."),
    Code("date-cell", REFUSED, CELL,
         "A cell of a workbook holds a date or time of the spreadsheet's own.",
         ("Format the column as text and fill it in again: a month as 2026-03, a time"
          " as whole seconds since the bedside.")),
    Code("table-not-recorded", REFUSED, FILE,
         "A table is delivered although it is declared as not recorded.",
         "Remove it from not_recorded in export.toml, or remove the file."),
    Code("format-not-read", REFUSED, FILE, "A file is in a format that is not read.",
         "Save the tables as sheets of an XLSX workbook, or as CSV or Parquet."),
    Code("empty-file", REFUSED, LINE, "A file has no header row, or trips has no rows.",
         "Export the table again; without rows it still needs its header row.",
         in_source="Export it again, with its header row."),
    Code("not-utf8", REFUSED, LINE, "A file is not encoded in UTF-8.", "Save the file in UTF-8.",
         in_source='State what it is under the file\'s entry, as in encoding = "windows-1252".'),
    Code("not-parquet", REFUSED, FILE, "A Parquet file is damaged or is none.",
         "Export the table again.", in_source="Export it again."),
    Code("open-quote", REFUSED, LINE, "A quotation mark is opened and never closed.",
         CLOSE_IT, in_source=CLOSE_IT),
    Code("missing-header", REFUSED, LINE,
         "The first row of a file holds none of the contract's columns.",
         "Add a header row with the contract's column names as line 1."),
    Code("missing-column", REFUSED, CELL, "A column that the contract requires is not there.",
         "Add the column to the header.",
         in_source="Correct the name in the mapping, or add the column to the export."),
    Code("unknown-column", REFUSED, CELL, "A column that the contract does not name is there.",
         "Remove or rename it, or list it under ignore in export.toml."),
    Code("ignored-column", REFUSED, COLUMN, "A column that is required is listed under ignore.",
         "Remove it from ignore in export.toml."),
    Code("repeated-column", REFUSED, CELL, "A column is there twice.", "Keep one of them.",
         in_source="Rename one of them in the export."),
    Code("wrong-delimiter", REFUSED, LINE, "The cells are not separated by commas.",
         "Save the file with commas between cells and decimal points.",
         in_source='State it under the file\'s entry, as in delimiter = ";".'),
    Code("wrong-month", REFUSED, CELL, "A month is not among the delivery's months.",
         "Add the month to months in export.toml, or take the rows out.", in_options=True),
    Code("service-changed", REFUSED, SETTING, "The delivery is of another service than the store.",
         "Review it into a folder of its own."),
    Code("protocol-changed", REFUSED, SETTING,
         "An id of a protocol version came back with other content.",
         "Give the changed limits a new id and their own from_month."),
    Code("protocol-month-taken", REFUSED, SETTING, "Two protocol versions begin in one month.",
         "Give one of them another from_month."),
    Code("cannula-changed", REFUSED, SETTING, "A catalogue id came back for another cannula.",
         "Give the new cannula an id of its own."),
    Code("private-name", REFUSED, CELL, "A column's name says that it identifies a person.",
         "Remove the column from the export; ignoring it is not enough to share it."),
    Code("private-content", REFUSED, CELL,
         "What a cell holds looks as if it identifies a person or device.",
         "Remove or replace it at the source, then export again."),
    Code("safe-harbor", REFUSED, SETTING,
         "A service month may not be kept under the safe-harbor basis.",
         "Ask the privacy officer which other basis applies, and name it."),
    Code("store-unreadable", REFUSED, STORE, "The store is damaged or is another kind of file.",
         "Move it away, or name another folder; review the deliveries again."),
    Code("store-locked", REFUSED, STORE, "Another process holds the store.",
         "Wait until the other process has finished."),
    Code("store-newer", REFUSED, STORE, "The store was written by a newer version of this tool.",
         "Use the newer version, or review the deliveries into another folder."),
    Code("store-missing", REFUSED, STORE, "There is no store at that place.",
         "Run a review first, or name the folder of one."),
    Code("not-a-workbook", REFUSED, FILE, "A workbook is damaged, protected or none.",
         in_source="Save it as an XLSX workbook without a password."),
    Code("missing-sheet", REFUSED, FILE, "A workbook does not have the sheet that is to be read.",
         "Use the workbook that a review writes, and keep the sheet's name."),
    Code("not-reviewed", REFUSED, STORE, "The store has no judged trips yet.",
         "Run a review first."),
    Code("not-published", REFUSED, MONTH, "The month was never published.", "Publish it first."),
    Code("baseline-late", REFUSED, MONTH,
         "The cases of a month were opened before it was made baseline.",
         "Review the delivery without --baseline."),
    Code("ledger-broken", REFUSED, STORE,
         "The ledger, or what it tells of, was changed behind its back.",
         "Find out who changed the store, and restore it from a copy that verifies."),
    Code("not-a-file", REFUSED, FILE, "A folder or device stands where a file is expected.",
         "Put an ordinary file in its place.", in_source="Name an ordinary file."),
    Code("outside-source", REFUSED, FOLDER, "A link leads out of the source folder.",
         in_source="Put the file itself into the folder."),
    Code("wrong-encoding", REFUSED, FILE, "A file is not in the encoding that the mapping states.",
         in_source="State the encoding the file was saved in, or save it as UTF-8."),
    Code("not-gzip", REFUSED, FILE, "A packed file is damaged or cut short.",
         in_source="Copy or export it again."),
    Code("nul-bytes", REFUSED, LINE, "A text file holds NUL bytes.",
         in_source='Export it again as text; for UTF-16 state encoding = "utf-16-le".'),
    Code("line-too-long", REFUSED, LINE, "A line, cell or tag is too long to be one.",
         "Export the table again, with one row a line.",
         in_source="Export it as a table with one row a line."),
    Code("too-many-columns", REFUSED, LINE, "A header has more columns than any table.",
         "Export only the contract's columns.",
         in_source="Export only the columns that are needed."),
    Code("too-large", REFUSED, FILE,
         "A file is larger than is read, or unpacks to far more than it is.",
         "Check that it is what it should be.",
         in_source="Check that it is what it should be, or split it."),
    Code("no-such-sheet", REFUSED, FILE, "The sheet that a mapping names is not in the workbook.",
         in_source="Correct sheet under the file's entry."),
    Code("merged-cells", REFUSED, SHEET,
         "Cells of a sheet are merged, so what they belong to is not clear.",
         in_source="Undo the merge: one heading a column, one value a cell."),
    Code("formula-not-computed", REFUSED, SHEET,
         "A cell holds a formula whose value was never computed.",
         in_source="Open the workbook in a spreadsheet program, save it, and try again."),
    Code("xml-syntax", REFUSED, LINE, "A document is not well-formed XML.",
         in_source="Export it again."),
    Code("xml-dtd", REFUSED, LINE, "A document declares a type or entities of its own.",
         in_source="Take the DOCTYPE out; the standard's documents have none."),
    Code("not-nemsis", REFUSED, LINE, "A document is not one of patient care reports.",
         in_source="Export patient care reports as EMSDataSet documents."),
    Code("wrong-version", REFUSED, LINE, "A document is of another version of the standard.",
         in_source="Export it as version 3.5 of the standard."),
    Code("key-permissions", REFUSED, CROSSWALK,
         "A key or crosswalk can be used by others than its owner.",
         in_source="Let only yourself read it: chmod 600."),
    Code("key-unusable", REFUSED, CROSSWALK,
         "A file is not a key, or not a crosswalk of this tool.",
         in_source="Make one with tailrace map --new-key FILE, and keep it for good."),
    Code("key-place", REFUSED, CROSSWALK,
         "A key or crosswalk lies in or beside a delivery or a store.",
         in_source="Keep it in a folder of its own that is never shared."),
    Code("no-such-token", REFUSED, CROSSWALK, "A token is not in the crosswalk.",
         in_source="Check the token; only trips mapped with this crosswalk are in it."),
    Code("nested-column", REFUSED, COLUMN,
         "A column of a Parquet file holds lists, structures or maps.",
         "Export it with one value a cell, or leave the column out.",
         in_source="Export it with one value a cell."),
    Code("not-finished", UNFINISHED, FILE,
         "What was given is stored, but not all the rest could be written.",
         "Make room, or get permission, and run the same command again."),
    Code("disk-full", REFUSED, FILE, "There is no room left to write.",
         FREE_SPACE, in_source=FREE_SPACE),
    Code("not-a-number", SET_ASIDE, CELL, "A cell of a number column is not written as a number.",
         "Write it with a decimal point and without its unit, or leave it empty.",
         in_source=("Correct it, or list its spelling under nulls if it means that nothing is"
                    " known."), what="the cell is not a number"),
    Code("not-a-whole-number", SET_ASIDE, CELL,
         "A cell of a whole-number column is not written as a whole number.",
         "Write it in digits alone, or leave it empty where it is not known.",
         in_source="Correct it at the source.", what="the cell is not a whole number"),
    Code("not-true-or-false", SET_ASIDE, CELL,
         "A cell of a yes-or-no column is neither true nor false.",
         "Write true or false, or leave it empty.",
         in_source="Say with codes what their spellings mean.",
         what="the cell is neither true nor false"),
    Code("missing-value", SET_ASIDE, CELL, "A cell that must be filled is empty.",
         "Correct it at the source and export again.", what="must not be empty"),
    Code("out-of-range", SET_ASIDE, CELL, "A number is outside the range the contract gives.",
         "Check the value and its unit, or leave the cell empty if it is not known."),
    Code("not-a-code", SET_ASIDE, CELL, "A cell is none of the codes the contract gives.",
         "Map it to one of the codes that the message lists, or leave it empty.",
         in_source="Add it to codes, or to nulls if it means that nothing is known.",
         what="the cell is none of the codes that the mapping or the contract names"),
    Code("not-a-token", SET_ASIDE, CELL, "A cell does not have the form the contract asks for.",
         "Write it as the message says, or name another.", in_options=True),
    Code("repeated-trip", SET_ASIDE, CELL, "A trip_id stands in more than one row.",
         "Keep one row for each trip.",
         what="the same trip_id stands in more than one row, so none of them is used"),
    Code("orphan-row", SET_ASIDE, CELL, "A row belongs to no trip that was kept.",
         "Add or correct the trip in trips, or take the row out.",
         what="the row belongs to no trip that was kept"),
    Code("trip-set-aside", SET_ASIDE, CELL, "The trip that a row belongs to was set aside.",
         "Correct the trip in trips; the row itself may be in order.",
         what="the row's trip was set aside"),
    Code("ragged-row", SET_ASIDE, LINE, "A row has more or fewer cells than the header.",
         "Put quotation marks round cells that hold a comma, and export again.",
         in_source="Put quotation marks round cells that hold the delimiter, and export again.",
         what="the row has more or fewer cells than the header"),
    Code("bad-quoting", SET_ASIDE, LINE, "A row's quotation marks do not pair up.",
         DOUBLE_THEM, in_source=DOUBLE_THEM, what="the row's quotation marks do not pair up"),
    Code("no-subject", SET_ASIDE, LINE,
         "A training row names neither a base nor a crew member, or both.", "Fill one of the two.",
         what="names neither a base nor a crew member"),
    Code("unknown-trip", SET_ASIDE, CELL,
         "A row of a filled sheet names a trip that the store does not have.",
         "Check the trip's token."),
    Code("unknown-rule", SET_ASIDE, CELL,
         "An answer names a rule that did not judge the trip, or a row no rule at all.",
         "Check its name; tailrace explain lists the rules.", in_options=True),
    Code("unknown-base", SET_ASIDE, CELL,
         "A row of a filled sheet names a base that no trip of the store has.",
         "Check the base's token."),
    Code("unknown-retraining", SET_ASIDE, CELL,
         "A retraining is to be taken back that nothing tells of.",
         "Check month, base or crew member, and rule."),
    Code("unknown-cell", SET_ASIDE, CELL,
         "A correction names a row or column that the store does not keep.",
         "Check the row's and the column's name."),
    Code("stale-answer", SET_ASIDE, CELL,
         "An answer is to a state of the trip that has changed since.",
         "Read the case again, and answer it in the newest workbook."),
    Code("contradictory-answer", SET_ASIDE, CELL,
         "An answer contradicts the verdict, or another answer in the sheet.",
         "Keep one of the rows."),
    Code("not-a-time", SET_ASIDE, CELL,
         "A cell is not a date and time of the format that the mapping names.",
         in_source="Add its format to time, or correct it.",
         what="the cell is not a date and time of the format that the mapping names"),
    Code("no-such-hour", SET_ASIDE, CELL,
         "A local time does not exist, because the clock was put forward over it.",
         in_source="Correct it at the source, or export times with their offset from UTC.",
         what="this time does not exist: the clock was put forward over it"),
    Code("hour-twice", SET_ASIDE, CELL,
         "A local time came twice, and the order does not say which it is.",
         in_source="Export times with their offset from UTC, or correct it at the source.",
         what=("this time came twice, as the clock was put back, and the order does not"
               " say which it is")),
    Code("no-bedside", SET_ASIDE, CELL, "A trip has no time at the bedside to count from.",
         in_source="Fill in the time at the bedside, or correct the trip's number.",
         what="the trip has no time at the bedside to count from"),
    Code("bedside-differs", SET_ASIDE, CELL, "A trip's rows state several times at the bedside.",
         in_source="Correct them at the source.",
         what="the trip's rows state several times at the bedside"),
    Code("not-a-unit", SET_ASIDE, CELL, "A row's unit is none of those that the mapping names.",
         in_source="Add its spelling to unit.means.",
         what="the row's unit is none of those that the mapping names"),
    Code("several-values", SET_ASIDE, CELL, "An element of a report stands there more than once.",
         in_source='Say with pick = "first" or pick = "last".',
         what=("the element stands there more than once, and the mapping does not say"
               " which one counts")),
    Code("looks-like-fractions", DOUBTFUL, CELL,
         "The values of a percent column look like fractions of 1.",
         "Multiply the column by 100 at the source and export again."),
    Code("looks-like-percents", DOUBTFUL, CELL,
         "The values of a fraction column look like percents; those above 1 are set aside.",
         "Divide the column by 100 at the source and export again."),
    Code("unknown-cannula", DOUBTFUL, CELL, "A cannula's id is not in the catalogue.",
         "Correct it, or enter it in cannulas.toml, with carried = false if it is not yours."),
    Code("undeclared-word", DOUBTFUL, CELL,
         "A base, role, diagnosis group or unit is not among those that export.toml declares.",
         "Correct it, or declare it under [vocabulary] in export.toml."),
    Code("alike-tokens", DOUBTFUL, CELL,
         "Two tokens differ only in case, spaces or punctuation (of bases, also in the word base).",
         "Write it in one way at the source; if they are two, tell them apart by more."),
    Code("jump-and-back", DOUBTFUL, CELL,
         ("A flow is at least doubled, by 8 L/min or more, or an FiO2 raised by 0.4 or more without"
          " undiluted oxygen, and is back at the next setting."),
         "Compare it with the chart, and correct it at the source if it is a slip."),
    Code("few-trips", DOUBTFUL, COLUMN,
         "Less than half of the trips that a month should have came.",
         "Ask for the trips that are missing, or correct expected_trips in export.toml."),
    Code("emptied-table", DOUBTFUL, FILE,
         "A table has no rows in a month, and the month before foresees three or more.",
         "See whether its export failed; list it under not_recorded if it is no longer kept."),
    Code("perhaps-a-name", DOUBTFUL, CELL,
         "Two words in a column of the service's own words that may be a person's name.",
         "Replace them if they are a name; else declare them under [vocabulary] in export.toml."),
    Code("folder", USAGE, OPTION, "A folder that was named cannot be made, read or written.",
         "Name a new or an empty folder."),
    Code("usage", USAGE, OPTION, "Options of a command contradict each other, or one is missing.",
         "See the command's --help."),
    Code("month-without-trips", USAGE, OPTION,
         "The store has no trips in the month that was asked for.",
         "Name one of the months that the message lists."),
    Code("nothing-to-fetch", USAGE, OPTION,
         "No record that was asked for is missing on the trip, or at the base, that was named.",
         "Name one with records to fetch in the month's data/work.csv."),
    Code("month-not-reviewed", USAGE, MONTH, "The month that was asked for has no pages yet.",
         "Review the month first, or name one that the message lists."),
    Code("unknown-name", USAGE, OPTION, "What was asked for is none of what there is.",
         "Name one of those that the message lists."),
    _noted("not-applicable", "says that it does not apply (7701001)"),
    _noted("not-recorded", "says that it was not recorded (7701003)"),
    _noted("not-reporting", "says that it is not reported (7701005)"),
    _noted("pertinent-negative", "holds a pertinent negative in place of a value"),
    _noted("negated-value", "has a pertinent negative beside its value, which was left out"),
    _noted("approximate", "is marked as approximate (8801029), and was taken as it stands"),
    _noted("nil-without-reason", "is nil and does not say why"),
    _noted("unknown-reason", "is nil for a reason that the standard does not list"),
    _noted("version-unstated", "does not name the version of the standard; it was read as 3.5",
           "A document"),
    _noted("never-there", "is in none of the reports; see whether its name is right"),
)  # fmt: skip
"""Every record, by kind; within a kind the order has no meaning."""

CODES: dict[str, Code] = {code.id: code for code in TABLE}
