"""The privacy screen over what people write in a sheet: a net, not a proof."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from pipeline.errors import Problem, in_cell, problem, refused
from pipeline.errors.mistakes import Refused
from pipeline.followup.sheets import Row, Sheet
from pipeline.ingest.looks import alphabet, looks, named_inside, prepare
from pipeline.store.database import open_scratch
from pipeline.store.session import check_token
from pipeline.store.sql import literal
from schemas.connection import Connection

LONGEST = 4000

WINDOW = 8
"""Words within which what is refused is looked for."""
MOST_QUOTED = 80

MOST_KNOWN = 2000
_KNOWN: dict[tuple[str, str], str | None] = {}
"""What texts looked like that this process has looked at: a draft's are those that are saved."""


def screened(
    con: Connection,
    sheet: Sheet,
    rows: Sequence[Row],
    columns: Sequence[str],
    *,
    personal: Sequence[str] = (),
) -> list[Problem]:
    """One problem for each cell of `columns` that looks as if it identifies a person.

    Free text is allowed here, and looked through for names. In `personal` columns, which hold
    tokens, any two words look like a name. The value itself is never repeated.
    """
    texts = {
        (row.line, column): ("crew_member" if column in personal else column, text)
        for row in rows for column in columns if (text := row.cells.get(column))
    }  # fmt: skip
    kinds = _looked_at(con, set(texts.values()))
    remedy = "Take it out: tokens and what happened are enough."
    return [
        in_cell(
            "private-content", sheet.file, line, name, f"the cell looks like {kind}", remedy=remedy
        )
        for (line, name), text in sorted(texts.items())
        if (kind := kinds[text])
    ]


def _looked_at(con: Connection, texts: set[tuple[str, str]]) -> dict[tuple[str, str], str | None]:
    """What each text looks like, by the name of its column and the text."""
    known = {text: _KNOWN[text] for text in texts if text in _KNOWN}
    if new := sorted(texts - known.keys()):
        con.execute("CREATE OR REPLACE TEMP TABLE sheet_text (name VARCHAR, value VARCHAR)")
        con.executemany("INSERT INTO sheet_text VALUES (?, ?)", new)
        prepare(con, "sheet_text")
        kinds = alphabet(con, "sheet_text")(_kinds())
        found = con.execute(f"SELECT name, value, CASE {kinds} END FROM sheet_text").fetchall()
        looked = {(name, value): kind for name, value, kind in found}
        if len(_KNOWN) > MOST_KNOWN:
            _KNOWN.clear()
        _KNOWN.update(looked)
        known |= looked
    return known


def check_by(by: str | None, field: str = "--by") -> None:
    """Usage if what somebody works under is no token; Refused if it looks like a person's name.

    `field`: the name of the option or field where it stands.
    """
    check_token(by, field)
    if by is None:
        return
    with open_scratch() as con:
        looks_like = screened_texts(con, {"crew_member": by})
    for kind in looks_like.values():
        what, remedy = f"it looks like {kind}", "Use a token, never a name."
        raise Refused(problem("private-content", None, what, column=field, remedy=remedy))


def check_text(con: Connection, texts: dict[str, str | None]) -> None:
    """Refused (private-content) if a text looks as if it identifies a person, or is too long.

    `texts`: what somebody wrote, by the name of its field or option.
    """
    given = {name: text for name, text in texts.items() if text and text.strip()}
    looks_like = screened_texts(con, given)
    if looks_like:
        remedy = "Take it out: tokens and what happened are enough."
        raise Refused([
            problem("private-content", None, f"what stands there looks like {kind}", column=name,
                    remedy=remedy)
            for name, kind in looks_like.items()
        ])  # fmt: skip
    for name, text in given.items():
        if len(text) > LONGEST:
            what, remedy = f"it is longer than {LONGEST} characters", "Make it shorter."
            raise refused("private-content", None, what, column=name, remedy=remedy)


def screened_texts(con: Connection, texts: Mapping[str, str | None]) -> dict[str, str]:
    """What each text looks like that looks as if it identifies a person, by its name."""
    sheet = Sheet("", "", [Row(1, dict(texts))])
    found = screened(con, sheet, sheet.rows, list(texts))
    return {str(p.column): p.what.removeprefix("the cell looks like ") for p in found}


def refused_words(con: Connection, text: str) -> str:
    """The fewest words in a row of a refused text that are refused alone; else its start.

    With the words beside them that begin with a capital: of a name the rest is to go, too.
    """
    own = text.split()
    windows = [own[at : at + WINDOW] for at in range(0, len(own), WINDOW // 2)]
    first = _first_refused(con, [" ".join(window) for window in windows]).split()
    spans = [
        (at, at + many)
        for many in range(1, len(first) + 1) for at in range(len(first) - many + 1)
    ]  # fmt: skip
    found = _first_refused(con, [" ".join(first[low:high]) for low, high in spans])
    if found:
        low, high = next(span for span in spans if " ".join(first[slice(*span)]) == found)
        while low and first[low - 1][0].isupper():
            low -= 1
        while high < len(first) and first[high][0].isupper():
            high += 1
        found = " ".join(first[low:high]).strip(",.;:")
    quote = found or text
    return quote if len(quote) <= MOST_QUOTED else f"{quote[:MOST_QUOTED]}..."


def _first_refused(con: Connection, texts: Sequence[str]) -> str:
    looked = _looked_at(con, {("", text) for text in texts})
    return next((text for text in texts if looked["", text]), "")


def _kinds() -> str:
    arms = looks()
    del arms["free text"]
    arms["a person's name"] += f" OR (name <> 'crew_member' AND {named_inside()})"
    return " ".join(f"WHEN {condition} THEN {literal(kind)}" for kind, condition in arms.items())
