"""Everything a user can be told is wrong: its code, meaning, place, remedy and exit code.

`errors_page` is the page docs/errors.md; `python -m pipeline.docs.errors` prints it.
"""

from __future__ import annotations

from pipeline.docs.markdown import table
from pipeline.errors.codes import TABLE
from pipeline.errors.kinds import (
    DOUBTFUL,
    NOTED,
    NOTHING,
    REFUSED,
    SET_ASIDE,
    UNFINISHED,
    USAGE,
    Code,
)
from pipeline.timeline.contradictions import CONTRADICTIONS

HEAD = """\
# What can go wrong

<!-- Made from pipeline/errors/codes.py, to which a test holds this page: change it there. -->

Every message is one line: where it is, what is wrong there, and one thing to do. All that is wrong
is listed at once. A message never repeats a cell that may identify a person. An error of ours ends
with a traceback and exit code 1; please report it.

A delivery, source or store that is refused leaves everything as it was: nothing is stored and
nothing is written. A row that is set aside is not repaired, and what it would have said counts as
unknown; the rest is used. `tailrace check` lists both before anything is kept.

The codes below stand in `data/problems.csv` and in the list that `tailrace map --problems` writes.
"""


SECTIONS = {
    REFUSED: "## Refused: nothing is stored (exit code 3)",
    SET_ASIDE: (
        "## Set aside: the rest is used (exit code 4)\n\n`tailrace review` goes on, says how"
        " many rows, and ends with 0."
    ),
    UNFINISHED: "## Stored, but not all is written (exit code 5)",
    NOTHING: "## Not there yet: nothing is stored (exit code 6)",
    DOUBTFUL: (
        "## Doubtful: kept and used, and hardly true (`tailrace check` exits with 4)\n\n`tailrace"
        " review` goes on, says how many, and ends with 0."
    ),
    USAGE: "## Called in a way that cannot be meant (exit code 2)",
}


def errors_page() -> str:
    """The page as Markdown."""
    parts = [HEAD]
    for kind, title in SECTIONS.items():
        head = ["code", "what is wrong", "where it points", "what to do", "exit"]
        rows = [_row(code) for code in _sorted() if code.kind == kind]
        parts.append(f"{title}\n\n{table(head, rows)}\n")
    return "\n".join([*parts, _noted(), _contradictions()])


def _sorted() -> list[Code]:
    return sorted(TABLE, key=lambda code: code.id)


def _row(code: Code) -> list[str]:
    what = code.remedy or code.in_source
    if code.remedy and code.in_source and code.in_source != code.remedy:
        what = f"{code.remedy} *In a source that is mapped:* {code.in_source}"
    exits = " or ".join(str(number) for number in code.exit_codes)
    return [f"`{code.id}`", code.meaning, code.place, str(what), exits]


def _noted() -> str:
    """What reports say in place of a value: nothing is wrong, and nothing to do."""
    rows = [[f"`{c.id}`", c.meaning, c.place] for c in _sorted() if c.kind == NOTED]
    return (
        "## Noted where a source is mapped (no exit code)\n\n"
        "Nothing is wrong with these; they are counted, so that a reader knows.\n\n"
        f"{table(['code', 'what it says', 'where it points'], rows)}\n"
    )


def _contradictions() -> str:
    """Records that cannot all be right: nothing is refused and nothing set aside for them."""
    rows = []
    for kind in sorted(CONTRADICTIONS.values(), key=lambda kind: kind.id):
        at = ", ".join(filter(None, (kind.table, kind.column))) or "the trip"
        sentence = kind.sentence.replace("{shown}", "(so many)")
        rows.append([f"`{kind.id}`", sentence, at, kind.remedy])
    return (
        "## Records that cannot all be right (no exit code)\n\n"
        "They are among the month's data problems. Verdicts rest on the records as they are.\n\n"
        f"{table(['code', 'what is wrong', 'where it points', 'what to do'], rows)}\n"
    )


if __name__ == "__main__":
    print(errors_page(), end="")
