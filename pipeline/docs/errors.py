"""Everything a user can be told is wrong: its code, meaning, place, remedy and exit code.

`errors_page` is the page docs/errors.md; `python -m pipeline.docs.errors` prints it.
"""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.errors import (
    EXIT_REFUSED,
    EXIT_SET_ASIDE,
    EXIT_USAGE,
    REFUSALS,
    SET_ASIDES,
    USAGES,
)
from pipeline.ingest.problems import REMEDIES as DELIVERY
from pipeline.ingest.problems import ROW_RULES
from pipeline.mapping.words import CELLS
from pipeline.mapping.words import REMEDIES as SOURCE
from pipeline.timeline.contradictions import CONTRADICTIONS

PLACES: dict[str, str] = {
    "the folder": "not-a-delivery outside-source",
    "the file": (
        "not-found no-permission not-a-file missing-table table-twice several-workbooks"
        " table-not-recorded format-not-read not-parquet not-a-workbook not-gzip"
        " too-large wrong-encoding no-such-sheet missing-sheet disk-full"
    ),
    "file and line": (
        "toml-syntax not-utf8 open-quote empty-file missing-header wrong-delimiter nul-bytes"
        " line-too-long too-many-columns xml-syntax xml-dtd not-nemsis wrong-version bad-quoting"
        " ragged-row no-subject"
    ),
    "file, line and key": "toml-content",
    "file, line and column": (
        "missing-column unknown-column repeated-column private-name private-content wrong-month"
        " date-cell not-a-number not-a-whole-number not-true-or-false missing-value out-of-range"
        " not-a-code not-a-token repeated-trip orphan-row trip-set-aside unknown-trip unknown-rule"
        " unknown-base unknown-retraining unknown-cell stale-answer contradictory-answer not-a-time"
        " no-such-hour hour-twice"
        " no-bedside bedside-differs not-a-unit several-values"
    ),
    "file and column": "ignored-column",
    "sheet and cells": "merged-cells formula-not-computed",
    "settings file and key": (
        "service-changed protocol-changed protocol-month-taken cannula-changed safe-harbor"
    ),
    "the store": (
        "store-unreadable store-locked store-newer store-missing not-reviewed ledger-broken"
    ),
    "the month": "not-published baseline-late month-not-reviewed",
    "the key or crosswalk": "key-permissions key-unusable key-place no-such-token",
    "the option": "folder usage month-without-trips unknown-name",
}
"""Where a message points, and the codes that point there. Files and lines are the user's own; a
line is a line of the text, a row of the sheet, or a row's number in a Parquet file."""

ELSEWHERE: dict[str, str] = {
    "not-a-delivery": "Name the folder that holds export.toml and one file for each table.",
    "store-unreadable": "Move it away, or name another folder; review the deliveries again.",
    "store-locked": "Wait until the other process has finished.",
    "store-newer": "Use the newer version, or review the deliveries into another folder.",
    "store-missing": "Run a review first, or name the folder of one.",
    "missing-sheet": "Use the workbook that a review writes, and keep the sheet's name.",
    "not-reviewed": "Run a review first.",
    "not-published": "Publish the month first.",
    "baseline-late": "Load a baseline before its months are reviewed.",
    "ledger-broken": "Find out who changed the store; restore it from a copy.",
    "not-a-number": "Write it with a decimal point and without its unit, or leave it empty.",
    "not-a-whole-number": "Write it in digits alone, or leave it empty where it is not known.",
    "not-true-or-false": "Write true or false, or leave it empty.",
    "not-a-code": "Map it to one of the codes that the message lists, or leave it empty.",
    "no-permission": "Ask for permission to read or write it, or choose another place.",
    "out-of-range": "Check the value and its unit, or leave the cell empty if it is not known.",
    "missing-value": "Fill the cell at the source and export again.",
    "not-a-token": "Write it as the message says, or name another.",
    "unknown-trip": "Check the trip's token.",
    "unknown-rule": "Check the rule's id; tailrace explain lists them.",
    "unknown-base": "Check the base's token.",
    "unknown-retraining": "Check the month, the base or crew member, and the rule.",
    "unknown-cell": "Check the row's and the column's name.",
    "stale-answer": "Read the case again on its present page, and answer that.",
    "contradictory-answer": "Keep one answer.",
    "folder": "Name a folder that can be made, or an empty one.",
    "usage": "See the command's --help.",
    "month-without-trips": "Name one of the months that the message lists.",
    "month-not-reviewed": "Review the month first, or name one that the message lists.",
    "unknown-name": "Name one of those that the message lists.",
}
"""What to do where the sentence is made beside the work, which may say it more narrowly."""

ALSO_USAGE = ("no-permission", "not-a-token", "toml-content", "unknown-rule", "wrong-month")
"""Codes that wrong usage has too, where it is an option that holds what they speak of."""

HEAD = """\
# What can go wrong

<!-- Made by pipeline/docs/errors.py, which a test holds this page to: change it there. -->

Every message is one line: where it is, what is wrong there, and one thing to do. All that is wrong
is listed at once. A message never repeats a cell that may identify a person. An error of ours ends
with a traceback and exit code 1; please report it.

A delivery, source or store that is refused leaves everything as it was: nothing is stored and
nothing is written. A row that is set aside is not repaired, and what it would have said counts as
unknown; the rest is used. `tailrace check` lists both before anything is kept.

The codes below stand in `data/problems.csv` and in the list that `tailrace map --problems` writes.
"""


@dataclass(frozen=True)
class Entry:
    """One line of the page; `in_source` is what to do where a source is mapped, if that differs."""

    code: str
    meaning: str
    place: str
    remedy: str | None
    in_source: str | None
    exit_codes: tuple[int, ...]


def entries() -> list[Entry]:
    """Every code with its meaning, place, remedies and exit codes, in the order of the page."""
    place_of = {code: place for place, codes in PLACES.items() for code in codes.split()}
    placeless = sorted({*REFUSALS, *SET_ASIDES, *USAGES} - set(place_of))
    if placeless:
        raise SystemExit(f"no place, add to PLACES in pipeline/docs/errors.py: {placeless}")
    found = []
    for codes, exit_code in (
        (REFUSALS, EXIT_REFUSED),
        (SET_ASIDES, EXIT_SET_ASIDE),
        (USAGES, EXIT_USAGE),
    ):
        for code, meaning in sorted(codes.items()):
            exits = (exit_code, EXIT_USAGE) if code in ALSO_USAGE else (exit_code,)
            found.append(Entry(code, meaning, place_of[code], *_remedies(code), exits))
    return found


def _remedies(code: str) -> tuple[str | None, str | None]:
    """What to do about a code in a delivery, a store or a sheet, and in a source."""
    remedy = ELSEWHERE.get(code)
    if code in DELIVERY and remedy is None:
        remedy = f"{DELIVERY[code]}."
    elif code in ROW_RULES and remedy is None:
        remedy = ROW_RULES[code].remedy
    in_source = f"{SOURCE[code]}." if code in SOURCE else None
    if code in CELLS:
        in_source = CELLS[code][1]
    return remedy, None if in_source == remedy else in_source


def errors_page() -> str:
    """The page as Markdown."""
    sections = {
        EXIT_REFUSED: "## Refused: nothing is stored (exit code 3)",
        EXIT_SET_ASIDE: (
            "## Set aside: the rest is used (exit code 4)\n\n`tailrace review` goes on, says how"
            " many rows, and ends with 0."
        ),
        EXIT_USAGE: "## Called in a way that cannot be meant (exit code 2)",
    }
    parts = [HEAD]
    for exit_code, title in sections.items():
        rows = [_row(entry) for entry in entries() if entry.exit_codes[0] == exit_code]
        head = "| code | what is wrong | where it points | what to do | exit |"
        parts.append("\n".join([f"{title}\n", head, "| --- | --- | --- | --- | --- |", *rows, ""]))
    parts.append(_contradictions())
    return "\n".join(parts)


def _row(entry: Entry) -> str:
    what = entry.remedy or entry.in_source
    if entry.remedy and entry.in_source:
        what = f"{entry.remedy} *In a source that is mapped:* {entry.in_source}"
    exits = " or ".join(str(code) for code in entry.exit_codes)
    return f"| `{entry.code}` | {entry.meaning} | {entry.place} | {what} | {exits} |"


def _contradictions() -> str:
    """Records that cannot all be right: nothing is refused and nothing set aside for them."""
    lines = [
        "## Records that cannot all be right (no exit code)\n",
        "They are among the month's data problems. Verdicts rest on the records as they are.",
        "",
        "| code | what is wrong | where it points | what to do |",
        "| --- | --- | --- | --- |",
    ]
    for kind in sorted(CONTRADICTIONS.values(), key=lambda kind: kind.id):
        at = ", ".join(filter(None, (kind.table, kind.column))) or "the trip"
        sentence = kind.sentence.replace("{shown}", "(so many)")
        lines.append(f"| `{kind.id}` | {sentence} | {at} | {kind.remedy} |")
    return "\n".join([*lines, ""])


if __name__ == "__main__":
    print(errors_page(), end="")
