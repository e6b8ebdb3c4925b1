"""The tables kept of the review loop, and the sheets people fill in, as pandera schemas.

Nothing here holds a date: months, and the order of entries, are the only time. The stored tables
only ever grow: a later answer stands beside the one it replaces.
"""

from __future__ import annotations

from typing import Any

from schemas import kinds as dt
from schemas import shape as pa
from schemas.contract import MONTH_PATTERN, OF_THE_SERVICE, TABLES, TOKEN_PATTERN
from schemas.desk import DESK_TABLES
from schemas.findings import SAID
from schemas.signals import SIGNAL_TABLES

STATUSES = ["open", "awaiting_crew", "referred", "closed"]
REFER_TO = ["coordinator", "director", "education"]
CORRECTABLE = [name for name in TABLES if name not in OF_THE_SERVICE]
ACTION_PATTERN = r"^[^\x00-\x1f]{1,300}$"
WORDS_PATTERN = r"^[^\x00-\x1f=+@-][^\x00-\x1f]{0,299}$"
"""As ACTION_PATTERN, but no text that a spreadsheet takes for a formula; a value may be -30."""

NOTE_PATTERN = r"^[\s\S]{1,4000}$"
LINE_PATTERN = r"^[0-9]{1,9}$"
TIME_PATTERN = r"^-?[0-9]{1,6}$"
NAME_PATTERN = r"^[a-z0-9_]{1,40}$"


SHEET_NO = pa.whole("Number of the sheet as read, from 1")
TRIP_ID = pa.text("Token of the trip")
RULE = pa.text("Id of the rule; null: the case as a whole", nullable=True)
PUBLICATION_NO = pa.whole("Number of the publication, from 1")
RECORDED_BY = pa.text("Token of whoever did it; null where none was given", nullable=True)

LEDGER = pa.table(
    "Who did what to the store, in order; each entry carries the hash of the one before",
    {
        "entry_no": pa.whole("Place in the ledger, from 1"),
        "what": pa.text("Kind of entry"),
        "detail": pa.text("What was done, as canonical JSON"),
        "previous_hash": pa.text("Hash of the entry before; zeros for the first"),
        "hash": pa.text("SHA-256 over previous_hash, entry_no, what and detail"),
    },
)

SHEET = pa.table(
    "Every filled sheet that was read",
    {
        "sheet_no": SHEET_NO,
        "kind": pa.text("determinations, corrections or retrainings"),
        "sha256": pa.text("SHA-256 of the file's bytes"),
        "recorded_by": RECORDED_BY,
        "rows_read": pa.whole("Rows read that say something"),
        "rows_kept": pa.whole("Rows stored: new, and not set aside"),
    },
)

DETERMINATION = pa.table(
    "What a reviewer concluded, as answered; later answers stand beside earlier ones",
    {
        "determination_no": pa.whole("Order of storing, from 1"),
        "sheet_no": SHEET_NO,
        "line": pa.whole("Row of the sheet; the header is row 1"),
        "trip_id": TRIP_ID,
        "trip_key": pa.whole("The content of the trip that was read"),
        "month": pa.text("Service month of the trip"),
        "conclusion": pa.text("Null: read and nothing missed, or not concluded yet", nullable=True),
        "status": pa.text("open, awaiting_crew, referred or closed"),
        "refer_to": pa.text("Whose turn it is", nullable=True),
        "reviewer": pa.text("Token of the reviewer"),
        "action": pa.text("What is to be done", nullable=True),
        "due_month": pa.text("Month by which it should be done", nullable=True),
        "note": pa.text("Screened; never leaves the store", nullable=True),
    },
)

DETERMINATION_RULE = pa.table(
    "The rules an answer is about, one a row",
    {
        "determination_no": pa.whole("The answer"),
        "rule": RULE,
        "verdict": pa.text("The rule's verdict when it was answered", nullable=True),
    },
)

AUDIT_DRAW = pa.table(
    "How each month's audit sample was drawn by version 0.1.0",
    {
        "month": pa.text("Service month"),
        "seed": pa.text("Service, month and protocol version, which the draw rests on"),
        "unflagged": pa.whole("Trips not listed for another reason when it was first drawn"),
        "wanted": pa.whole("How many were drawn then"),
        "half_width": pa.number("Precision asked for: half the interval, a share", nullable=False),
        "expected": pa.number("Miss rate that the size was reckoned with, a share", nullable=False),
    },
)

AUDIT_PLAN = pa.table(
    "How each month's audit sample is drawn, since trips have chances of their own",
    {
        "month": pa.text("Service month"),
        "seed": pa.text("Service, month and protocol version, which the draw rests on"),
        "a_year": pa.whole("Trips to be audited in twelve months"),
        "unflagged": pa.whole("Trips without a flag when it was first drawn"),
        "wanted": pa.whole("How many were to be drawn then"),
        "below": pa.number("Trips with a number below this are drawn; null: all of them"),
    },
)

AUDIT_TRIP = pa.table(
    "Trips drawn at random for reading, each with its chance",
    {
        "month": pa.text("Service month"),
        "trip_id": TRIP_ID,
        "mark": pa.text("SHA-256 over seed and trip, of which its number is made"),
        "chance": pa.number("Chance with which it was drawn, 0 to 1", nullable=False),
    },
)

FETCH = pa.table(
    "Records that were once asked for, to tell when they have arrived",
    {
        "month": pa.text("Service month of the trip"),
        "trip_id": TRIP_ID,
        "record": pa.text("Which record is missing"),
    },
)

FETCH_SAID = pa.table(
    "What people said of records to fetch; the last word on each holds",
    {
        "said_no": pa.whole("Number of the act, from 1"),
        "trip_id": TRIP_ID,
        "record": pa.text("Which record is missing"),
        "state": pa.text("asked or not_to_be_had"),
        "recorded_by": RECORDED_BY,
    },
)

AUDIT = pa.table(
    "Trips drawn at random for reading by version 0.1.0",
    {
        "month": pa.text("Service month"),
        "trip_id": TRIP_ID,
        "mark": pa.text("SHA-256 over seed and trip: the lowest marks are drawn"),
    },
)

PUBLICATION = pa.table(
    "Each time a month was published; a later one of the same month stands beside the earlier",
    {
        "publication_no": PUBLICATION_NO,
        "month": pa.text("Service month"),
        "recorded_by": RECORDED_BY,
        "tool_version": pa.text("Version of this program"),
        "last_determination": pa.whole("The last answer known then; 0 if none"),
        "last_correction": pa.whole("The last correction known then; 0 if none"),
    },
)

PUBLISHED_FIGURE = pa.table(
    "Every figure of a published month",
    {
        "publication_no": PUBLICATION_NO,
        "measure": pa.text("Id of the measure"),
        "group_by": pa.text("service, cannula, rule or base"),
        "group_value": pa.text("Which group"),
        "numerator": pa.number("Numerator"),
        "denominator": pa.number("Denominator"),
        "unit": pa.text("Unit of the estimate", nullable=True),
        "estimate": pa.number("The figure"),
        "low": pa.number("Lower bound"),
        "high": pa.number("Upper bound"),
    },
)

PUBLISHED_VERDICT = pa.table(
    "Every verdict behind a published month; a trip that was not judged has one row without rule",
    {
        "publication_no": PUBLICATION_NO,
        "trip_id": TRIP_ID,
        "trip_key": pa.whole("The content that held"),
        "rule": pa.text("Id of the rule", nullable=True),
        "verdict": pa.text("Its answer", nullable=True),
    },
)

PUBLISHED_FILE = pa.table(
    "Every file of a published month",
    {
        "publication_no": PUBLICATION_NO,
        "path": pa.text("Place below the folder of pages, with forward slashes"),
        "sha256": pa.text("SHA-256 of its bytes"),
    },
)

FILE_CONTENT = pa.table(
    "The bytes of published files, once each",
    {
        "sha256": pa.text("SHA-256 of the bytes"),
        "packed": pa.Column(dt.binary, description="The bytes, packed by zlib"),
    },
)

CORRECTION = pa.table(
    "A corrected value for a chart that cannot be exported again",
    {
        "correction_no": pa.whole("Order of storing, from 1"),
        "sheet_no": SHEET_NO,
        "line": pa.whole("Row of the sheet; the header is row 1"),
        "trip_id": TRIP_ID,
        "table_name": pa.text("Table of the corrected row"),
        "at_s": pa.whole(
            "Recorded time of the row, s; null where its table has none", nullable=True
        ),
        "place": pa.whole("Which row of that time, or of the trip, in file order, from 1"),
        "column_name": pa.text("The corrected column"),
        "original": pa.text("The value as delivered; null where it was empty", nullable=True),
        "value": pa.text("The corrected value; null: known to be empty", nullable=True),
        "reason": pa.text("Why, in a few words"),
        "recorded_by": pa.text("Token of whoever corrected it"),
    },
)

CORRECTED = pa.table(
    "Which content of a trip was made from which, by which correction",
    {
        "trip_key": pa.whole("Key of the corrected content"),
        "from_trip_key": pa.whole("Key of the content as delivered"),
        "correction_no": pa.whole("The correction"),
        "row_line": pa.whole("Line of the delivered file"),
    },
)

RETRAINING = pa.table(
    "Retraining as sheets told of it; a later row on the same stands beside the earlier",
    {
        "retraining_no": pa.whole("Order of storing, from 1"),
        "sheet_no": SHEET_NO,
        "line": pa.whole("Row of the sheet; the header is row 1"),
        "month": pa.text("Month of the retraining"),
        "base": pa.text("Token of the base retrained", nullable=True),
        "crew_member": pa.text("Or token of the crew member retrained", nullable=True),
        "rule": pa.text("Id of the rule retrained"),
        "withdrawn": pa.flag("Whether the row says that it was not held after all"),
    },
)

BASELINE = pa.table(
    "Months loaded as history: they count in the measures and open no cases",
    {"month": pa.text("Service month")},
)

WORKBOOK = pa.table(
    "Workbooks as they were written, to tell a filled one from an untouched one",
    {
        "month": pa.text("Service month"),
        "file": pa.text("Name of the file in `sheets`, or in the month's folder"),
        "sha256": pa.text("SHA-256 of its bytes"),
    },
)

SHARED_PERIOD = pa.DataFrameSchema(
    description="Periods of the shared edition as first handed over: they do not change any more.",
    columns={
        "first_month": pa.text("First month of the period"),
        "last_month": pa.text("Last month of the period"),
        "told": pa.text("Its rows of every shared table, as JSON"),
    },
)

FOLLOWUP_TABLES: dict[str, pa.DataFrameSchema] = {
    "ledger": LEDGER,
    "sheet": SHEET,
    "determination": DETERMINATION,
    "determination_rule": DETERMINATION_RULE,
    "audit_draw": AUDIT_DRAW,
    "audit": AUDIT,
    "audit_plan": AUDIT_PLAN,
    "audit_trip": AUDIT_TRIP,
    "fetch": FETCH,
    "fetch_said": FETCH_SAID,
    "publication": PUBLICATION,
    "published_figure": PUBLISHED_FIGURE,
    "published_verdict": PUBLISHED_VERDICT,
    "published_file": PUBLISHED_FILE,
    "file_content": FILE_CONTENT,
    "correction": CORRECTION,
    "corrected": CORRECTED,
    "retraining": RETRAINING,
    "baseline": BASELINE,
    "workbook": WORKBOOK,
    "shared_period": SHARED_PERIOD,
    **SIGNAL_TABLES,
    **DESK_TABLES,
}
"""Schema of every table in `loop`, by name."""


def _cell(description: str, pattern: str | None = None, codes: list[str] | None = None) -> Any:
    return pa.Field(description=description, nullable=True, str_matches=pattern, isin=codes)


class DeterminationsSheet(pa.DataFrameModel):
    """One row an answer: a trip and a rule. Grey columns are filled in; a reader fills in the rest.

    Several rules may stand in one row. Sheets of version 0.1.0 have the columns in another order.
    """

    trip_id: dt.String = pa.Field(str_matches=TOKEN_PATTERN, description="Token of the trip")
    rules: dt.String = _cell("The rule this answer is about; several are separated by spaces")
    why: dt.String = _cell("What the rule found, or why the trip is read, in a sentence")
    conclusion: dt.String = _cell("What you concluded", codes=SAID)
    contributed: dt.String = _cell(
        "Where it holds: what contributed, separated by spaces", WORDS_PATTERN
    )
    status: dt.String = _cell("Where the case stands", codes=STATUSES)
    refer_to: dt.String = _cell("Whose turn it is", codes=REFER_TO)
    reviewer: dt.String = _cell("Your token", TOKEN_PATTERN)
    action: dt.String = _cell("What is to be done, in a few words, naming nobody", WORDS_PATTERN)
    due_month: dt.String = _cell("Month by which it should be done, YYYY-MM", MONTH_PATTERN)
    note: dt.String = _cell("Stays in the store; name nobody", NOTE_PATTERN)
    earlier_answer: dt.String = _cell("What was answered before, where it must be answered again")
    case: dt.String = _cell("Opens the page of the trip, where it has one")
    group: dt.String = _cell("Why it is here")
    severity: dt.String = _cell("Severity of the rule")
    findings: dt.String = _cell("Every rule of the trip with a flag")
    base: dt.String = _cell("Token of its base")
    service_month: dt.String = _cell("Its month")
    seen: dt.String = _cell("Tells which state of the trip this row shows; leave it as it is")


class CorrectionsSheet(pa.DataFrameModel):
    """One row a corrected value; the row is found by its time, or by its line in the file."""

    trip_id: dt.String = pa.Field(str_matches=TOKEN_PATTERN, description="Token of the trip")
    table: dt.String = pa.Field(isin=CORRECTABLE, description="Table of the row")
    line: dt.String = _cell("Line of the row in the delivered file", LINE_PATTERN)
    at_s: dt.String = _cell("Or its recorded time, s", TIME_PATTERN)
    column: dt.String = pa.Field(str_matches=NAME_PATTERN, description="The wrong column")
    value: dt.String = _cell("What it should be; empty: known to be empty", ACTION_PATTERN)
    reason: dt.String = pa.Field(
        str_matches=WORDS_PATTERN, description="Why, in a few words, naming nobody"
    )
    by: dt.String = _cell("Token of whoever corrects it", TOKEN_PATTERN)


class RetrainingSheet(pa.DataFrameModel):
    """One row a retraining held: of a base or of one crew member, about one rule."""

    month: dt.String = pa.Field(
        str_matches=MONTH_PATTERN, description="Month of the retraining, YYYY-MM"
    )
    base: dt.String = _cell("Token of the base retrained", TOKEN_PATTERN)
    crew_member: dt.String = _cell("Or token of the one crew member retrained", TOKEN_PATTERN)
    rule: dt.String = pa.Field(str_matches=TOKEN_PATTERN, description="Id of the rule retrained")
    withdrawn: dt.String = _cell(
        "yes takes an entry back that was a mistake; else empty", codes=["yes"]
    )


SHEET_COLUMNS = list(DeterminationsSheet.to_schema().columns)
ANSWERS = ["rules", "conclusion", "contributed", "status", "refer_to", "reviewer", "action",
           "due_month", "note"]  # fmt: skip
PREFILLED = [name for name in SHEET_COLUMNS if name not in ANSWERS]
"""Columns of the determinations sheet that a reader fills in, and those the program does."""
