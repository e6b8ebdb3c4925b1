"""What a text looks like: SQL over normalised texts, for every screen of this program.

Texts are normalised before they are looked at (NFKC, digits of any script as 0 to 9, one kind of
hyphen and apostrophe, nothing invisible), and folded for words (no capitals, no accents).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from functools import cache
from typing import TYPE_CHECKING

from pipeline.ingest.identifiers import (
    ANY_PAIR,
    CONTENT,
    NAMED_MONTH,
    PAIR,
    PAIR_MARK,
    PERSONAL,
    PHONE_DIGITS,
    PHONE_SHAPE,
    RECORD_LIKE,
    SERIAL,
    TRADE_WORD,
    UNITS,
)
from pipeline.ingest.known_words import (
    FIRST_OF_PLACE,
    GIVEN_NAMES,
    PERHAPS_SURNAME,
    PHRASES,
    PLACE_OR_THING,
    TITLES,
)
from pipeline.store.sql import literal

if TYPE_CHECKING:
    import duckdb

WORD_COLUMNS = ("base", "role", "diagnosis_group")
"""Columns of a service's own words, among which pairs of unknown words are not rare."""

NUMBERLESS = ("base", "diagnosis_group")
"""Those in which a long number is no word; of roles a published standard has seven-digit codes."""

FOLDED = ("a postal address",)
SAME_AS = str.maketrans({
    **dict.fromkeys("\u2010\u2011\u2012\u2013\u2014\u2015\u2212\ufe63\uff0d", "-"),
    **dict.fromkeys("\u2018\u2019\u02bc\u00b4\u2032\uff07", "'"),
    "\u2044": "/",
})  # fmt: skip
_NO_NAMES_TEXT = """
monday tuesday wednesday thursday friday saturday sunday january february march april may june july
august september october november december called asked told said spoke discussed agreed reviewed
checked confirmed charted recorded changed started stopped moved the this that these all no not
none when while after before because since during if then as we they it he she
"""
NO_NAMES = _NO_NAMES_TEXT.split()
"""Words that begin a sentence, or are written with a capital, and name nobody."""

SHAPE_OF_WORDS = r"^[\p{L}.' ,_-]*\p{L}[ ,._-]+\p{L}[\p{L}.' ,_-]*$"
HYPHENATED = r"^\p{Lu}[\p{Ll}']{2,}(?:[-_.]\p{Lu}[\p{Ll}']{2,}){1,2}$"
INITIALS = r"^(?:\p{Lu}\. ?){1,3}\p{Lu}[\p{L}'-]+$|^\p{Lu}[\p{L}'-]+, *\p{Lu}[\p{L}.'-]*$"
NO_LETTERS, THREE_LETTERS = r"[^\p{L}]+", r"\p{L}{3}"
ONE_CAPITAL, TWO_CAPITALS = r"\p{Lu}\p{Ll}+", r"\p{Lu}[\p{Ll}'-]+ \p{Lu}[\p{Ll}'-]+"
TITLED = rf"(?:^|\P{{L}})(?:{TITLES})\.? +\p{{Lu}}[\p{{Ll}}'-]"
UNCASED = r"^\p{Lo}+(?:[ ,・·]+\p{Lo}+){1,3}$"

ASCII_LETTERS = {r"\p{L}": "A-Za-z", r"\P{L}": "^A-Za-z", r"\p{Lu}": "A-Z", r"\p{Ll}": "a-z",
                 r"\p{Lo}": r"\x{80}"}  # fmt: skip
"""Classes of letters within plain ASCII. The last has none there: it is one that never comes."""

WORD_LISTS = {
    "given_names": GIVEN_NAMES,
    "perhaps_surnames": PERHAPS_SURNAME,
    "places_and_things": PLACE_OR_THING,
    "first_of_place": FIRST_OF_PLACE,
    "ordinary_words": frozenset(
        [*PLACE_OR_THING, *PERHAPS_SURNAME, *FIRST_OF_PLACE, *NO_NAMES]
    ),
}  # fmt: skip
"""Variables of the connection: written out in each question, they took longest to parse."""


def normalised(text: str) -> str:
    """The text as it is looked at; capitals and accents are kept."""
    plain = unicodedata.normalize("NFKC", text).translate(SAME_AS)
    return "".join(
        str(unicodedata.decimal(c)) if c.isdecimal() else c
        for c in plain
        if unicodedata.category(c) != "Cf"
    )


def folded(text: str) -> str:
    """A normalised text without capitals and accents."""
    bare = unicodedata.normalize("NFD", text.casefold()).translate(str.maketrans("łøđı", "lodi"))
    return "".join(c for c in bare if not unicodedata.combining(c))


def prepare(con: duckdb.DuckDBPyConnection, table: str) -> bool:
    """Add to the temporary `table`, which has `name` and `value`, what `looks` asks of.

    `name` is the column a text stands in. Added are seen, folded and words, and whether these are
    of the trade, or strong, or look like a person (`person`, `perhaps_person`). Each long pattern
    is asked once, for to compile it takes longer than to ask it of a month. Sets `WORD_LISTS` on
    the connection. Return whether all texts are plain ASCII, as nearly always, for `looks`.
    """
    for name, words in WORD_LISTS.items():
        con.execute(f"set variable {name} = $1::VARCHAR[]", [sorted(words)])
    booleans = ("traded", "paired", "hyphenated", "strong", "person", "perhaps_person")
    con.execute(
        "".join(
            f"alter table {table} add column {column} {kind};"
            for column, kind in [
                ("seen", "VARCHAR"), ("folded", "VARCHAR"), ("words", "VARCHAR[]"),
                *((column, "BOOLEAN") for column in booleans),
            ]
        )
        + f"update {table} set seen = value, folded = lower(value)"
    )  # fmt: skip
    plain = not _normalise(con, table)
    con.execute(
        f"update {table} set words = list_filter(regexp_split_to_array(folded,"
        f" {_pattern(NO_LETTERS, plain)}), lambda w: w != '')"
        f" where {_matches(SHAPE_OF_WORDS, plain)}"
    )
    con.execute(f"""
        update {table} set traded = {_matches(TRADE_WORD, plain)},
            hyphenated = {_matches(HYPHENATED, plain)},
            paired = case when {_matches(PAIR_MARK, plain)} then {_matches(PAIR, plain)}
                          else false end
        where words is not null
    """)
    con.execute(f"update {table} set strong = {_strong()} where words is not null")
    con.execute(
        f"update {table} set person = {_person(plain)}, perhaps_person = {_perhaps_person(plain)}"
    )
    return plain


def _normalise(con: duckdb.DuckDBPyConnection, table: str) -> bool:
    """Normalise the texts that are not plain ASCII; whether there are any. The rest stays SQL."""
    strange = con.execute(
        f"select distinct value from {table} where regexp_matches(value, '[^\\x00-\\x7F]')"
    ).fetchall()
    if strange:
        con.execute(
            "create or replace temp table looked_at (value VARCHAR, seen VARCHAR, folded VARCHAR)"
        )
        rows = [(text, seen := normalised(text), folded(seen)) for (text,) in strange]
        con.executemany("insert into looked_at values (?, ?, ?)", rows)
        con.execute(
            f"update {table} set seen = l.seen, folded = l.folded"
            f" from looked_at l where l.value = {table}.value"
        )
    return bool(strange)


def looks(*, plain: bool = False) -> dict[str, str]:
    """SQL over a row that `prepare` prepared, for each kind of identifier.

    `plain`: all texts are plain ASCII.
    """
    conditions = {
        what: _matches(pattern, plain, "folded" if what in FOLDED else "seen")
        for what, pattern in CONTENT.items()
    }
    conditions["a full date"] += (
        " or (case when regexp_matches(folded, '[0-9]')"
        f" and {_matches(THREE_LETTERS, plain, 'folded')}"
        f" then {_matches(NAMED_MONTH, plain, 'folded')} else false end)"
    )
    least, most = PHONE_DIGITS
    conditions["a phone number"] += (
        f" or ({_matches(PHONE_SHAPE, plain)} and length("
        f"regexp_replace(seen, '[^0-9]', '', 'g')) between {least} and {most})"
    )
    people, words = _columns(PERSONAL), _columns(NUMBERLESS)
    conditions["a record number"] += (
        f" or (name in ({people}) and {_matches(RECORD_LIKE, plain)})"
        f" or (name in ({words}) and regexp_full_match(seen, '[0-9]{{6,}}'))"
    )
    conditions["a person's name"] = "person"
    conditions["a serial number"] = f"name in ({_columns(UNITS)}) and {_matches(SERIAL, plain)}"
    return conditions


def _person(plain: bool) -> str:
    """SQL for whether a row looks like a person's name."""
    personal, words = f"name in ({_columns(PERSONAL)})", f"name in ({_columns(WORD_COLUMNS)})"
    given = _has("given_names")
    return f"""(
        {_matches(TITLED, plain)} and not {_matches(TRADE_WORD, plain)}
        or case when words is null then false
           when {personal} and ({_matches(ANY_PAIR, plain)} or paired) then not traded
           when {personal} and hyphenated then not strong
           when {personal} then {given} and len(words) > 1 and not strong
           when len(words) > 4 or strong then false
           when {given} then len(words) > 1
           when {_has("perhaps_surnames")} then false
           when {_matches(INITIALS, plain)} then true
           when {words} then false
           else paired end
        or ({_matches(UNCASED, plain)} and not {words}))"""


def _perhaps_person(plain: bool) -> str:
    """SQL for whether a row is two unknown words, which may be a name.

    Only columns of a service's own words have such.
    """
    return f"""(case when name not in ({_columns(WORD_COLUMNS)}) then false
        when {_matches(UNCASED, plain)} then true
        when words is null or strong or {_has("perhaps_surnames")} then false
        else paired or hyphenated end)"""


def named_inside(*, plain: bool = False) -> str:
    """SQL for whether a prepared text names a person somewhere: two words with capitals, neither
    of the trade nor of a place or roster, or a given name alone.
    """
    pairs = f"regexp_extract_all(seen, {_pattern(TWO_CAPITALS, plain)})"
    single = f"regexp_extract_all(seen, {_pattern(ONE_CAPITAL, plain)})"
    folded_words = f"list_transform({single}, lambda w: strip_accents(lower(w)))"
    strange = (
        f"list_filter({pairs}, lambda p: not {_matches(TRADE_WORD, plain, 'p')} and not"
        f" list_has_any(string_split(lower(p), ' '), getvariable('ordinary_words')))"
    )
    return f"(list_has_any({folded_words}, getvariable('given_names')) or len({strange}) > 0)"


def _matches(pattern: str, plain: bool, column: str = "seen") -> str:
    return f"regexp_matches({column}, {_pattern(pattern, plain)})"


def _pattern(pattern: str, plain: bool) -> str:
    return literal(of_plain(pattern) if plain else pattern)


@cache
def of_plain(pattern: str) -> str:
    """The pattern that finds the same in plain ASCII, and is compiled in a tenth of the time."""
    found, within = [], False
    for piece in re.findall(r"\\[pP]\{\w+\}|\\.|.", pattern, re.DOTALL):
        if piece in "[]":
            within = piece == "["
        letters = ASCII_LETTERS.get(piece)
        found.append(piece if letters is None else letters if within else f"[{letters}]")
    return "".join(found)


def _strong() -> str:
    """Whether words are of the trade, a place, a roster or a disease, whatever else they hold."""
    joined = "array_to_string(words, ' ')"
    phrase = rf"(?:^| )(?:{PHRASES})(?: |$)"
    return (
        f"(traded or {_has('places_and_things')}"
        " or list_contains(getvariable('first_of_place'), words[1])"
        f" or regexp_matches({joined}, {literal(phrase)}))"
    )


def _has(listed: str) -> str:
    return f"coalesce(list_has_any(words, getvariable('{listed}')), false)"


def _columns(names: Iterable[str]) -> str:
    return ", ".join(map(literal, names))
