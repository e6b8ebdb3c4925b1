"""What a text looks like: SQL over normalised texts, for every screen of this program.

Texts are normalised before they are looked at (NFKC, digits of any script as 0 to 9, one kind of
hyphen and apostrophe, nothing invisible), and folded for words (no capitals, no accents).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable

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
from pipeline.store.database import one
from pipeline.store.sql import literal
from schemas.connection import Connection

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
UNCASED = r"^\p{Lo}+(?:[ ,・·]+\p{Lo}+){1,3}$"


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


IN_ASCII = {
    r"\p{L}": "a-zA-Z", r"\p{Lu}": "A-Z", r"\p{Ll}": "a-z", r"\p{Lo}": "",
    r"\P{L}": r"\x00-@\[-`{-\x7f",
}  # fmt: skip
"""What is left in ASCII of the kinds of letter that patterns name, inside brackets."""


def in_ascii(sql: str) -> str:
    """The same conditions for texts of plain ASCII alone: an alphabet of letters takes long to
    compile, and nearly every delivery has no others.
    """
    inside = False

    def plain(found: re.Match[str]) -> str:
        nonlocal inside
        part = found[0]
        if part in "[]":
            inside = part == "["
            return part
        letters = IN_ASCII.get(part, part)
        if inside or letters == part:
            return letters
        return f"[{letters}]" if letters else r"[^\x00-\x{10ffff}]"

    return re.sub(r"\\[pP]\{\w+\}|\\.|[\[\]]", plain, sql)


def alphabet(con: Connection, table: str) -> Callable[[str], str]:
    """How conditions over a prepared `table` are best put: in ASCII, if all its texts are."""
    strange = f"select count(*) from {table} where regexp_matches(value, '[^\\x00-\\x7F]')"
    return str if one(con, strange)[0] else in_ascii


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


def prepare(con: Connection, table: str) -> None:
    """Add to the temporary `table`, which has `value`, what `looks` asks of: seen, folded,
    words, and whether these are strong words of the trade.

    Texts of plain ASCII, as nearly all are, stay in SQL. Sets `WORD_LISTS` on the connection.
    """
    for name, words in WORD_LISTS.items():
        con.execute(f"set variable {name} = $1::VARCHAR[]", [sorted(words)])
    con.execute(f"""
        alter table {table} add column seen VARCHAR;
        alter table {table} add column folded VARCHAR;
        alter table {table} add column words VARCHAR[];
        alter table {table} add column strong BOOLEAN;
        update {table} set seen = value, folded = lower(value)
    """)
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
    put = str if strange else in_ascii
    con.execute(
        put(
            f"update {table} set words = list_filter(regexp_split_to_array(folded, '[^\\p{{L}}]+'),"
            f" lambda w: w != '') where regexp_matches(seen, {literal(SHAPE_OF_WORDS)})"
        )
    )
    con.execute(put(f"update {table} set strong = {_strong()} where words is not null"))


def looks() -> dict[str, str]:
    """SQL over a prepared row (name, seen, folded, words) for each kind of identifier.

    `name` is the column the text stands in.
    """
    conditions = {
        what: f"regexp_matches({'folded' if what in FOLDED else 'seen'}, {literal(pattern)})"
        for what, pattern in CONTENT.items()
    }
    conditions["a full date"] += (
        " or (case when regexp_matches(folded, '[0-9]') and regexp_matches(folded, '\\p{L}{3}')"
        f" then regexp_matches(folded, {literal(NAMED_MONTH)}) else false end)"
    )
    least, most = PHONE_DIGITS
    conditions["a phone number"] += (
        f" or (regexp_matches(seen, {literal(PHONE_SHAPE)}) and length("
        f"regexp_replace(seen, '[^0-9]', '', 'g')) between {least} and {most})"
    )
    people, words = _columns(PERSONAL), _columns(NUMBERLESS)
    conditions["a record number"] += (
        f" or (name in ({people}) and regexp_matches(seen, {literal(RECORD_LIKE)}))"
        f" or (name in ({words}) and regexp_full_match(seen, '[0-9]{{6,}}'))"
    )
    conditions["a person's name"] = person()
    conditions["a serial number"] = (
        f"name in ({_columns(UNITS)}) and regexp_matches(seen, {literal(SERIAL)})"
    )
    return conditions


def person() -> str:
    """SQL for whether a prepared row looks like a person's name."""
    personal, words = f"name in ({_columns(PERSONAL)})", f"name in ({_columns(WORD_COLUMNS)})"
    given = _has("given_names")
    title = rf"(?:^|\P{{L}})(?:{TITLES})\.? +\p{{Lu}}[\p{{Ll}}'-]"
    return f"""(
        regexp_matches(seen, {literal(title)}) and not {_trade()}
        or case when words is null then false
           when {personal} and (regexp_matches(seen, {literal(ANY_PAIR)}) or {_pair()})
               then not {_trade()}
           when {personal} and regexp_matches(seen, {literal(HYPHENATED)}) then not strong
           when {personal} then {given} and len(words) > 1 and not strong
           when len(words) > 4 or strong then false
           when {given} then len(words) > 1
           when {_has("perhaps_surnames")} then false
           when regexp_matches(seen, {literal(INITIALS)}) then true
           when {words} then false
           else {_pair()} end
        or (regexp_matches(seen, {literal(UNCASED)}) and not {words}))"""


def perhaps_person() -> str:
    """SQL for whether a prepared row is two unknown words, which may be a name.

    Only columns of a service's own words have such.
    """
    return f"""(case when name not in ({_columns(WORD_COLUMNS)}) then false
        when regexp_matches(seen, {literal(UNCASED)}) then true
        when words is null or strong or {_has("perhaps_surnames")} then false
        else {_pair()} or regexp_matches(seen, {literal(HYPHENATED)}) end)"""


def named_inside() -> str:
    """SQL for whether a prepared text names a person somewhere: two words with capitals, neither
    of the trade nor of a place or roster, or a given name alone.
    """
    capital = r"\p{Lu}[\p{Ll}'-]+"
    pairs = f"regexp_extract_all(seen, {literal(f'{capital} {capital}')})"
    single = r"regexp_extract_all(seen, '\p{Lu}\p{Ll}+')"
    folded_words = f"list_transform({single}, lambda w: strip_accents(lower(w)))"
    strange = (
        f"list_filter({pairs}, lambda p: not regexp_matches(p, {literal(TRADE_WORD)}) and not"
        f" list_has_any(string_split(lower(p), ' '), getvariable('ordinary_words')))"
    )
    return f"(list_has_any({folded_words}, getvariable('given_names')) or len({strange}) > 0)"


def _pair() -> str:
    return (
        f"(case when regexp_matches(seen, {literal(PAIR_MARK)})"
        f" then regexp_matches(seen, {literal(PAIR)}) else false end)"
    )


def _trade() -> str:
    return f"regexp_matches(seen, {literal(TRADE_WORD)})"


def _strong() -> str:
    """Whether words are of the trade, a place, a roster or a disease, whatever else they hold."""
    joined = "array_to_string(words, ' ')"
    phrase = rf"(?:^| )(?:{PHRASES})(?: |$)"
    return (
        f"({_trade()} or {_has('places_and_things')}"
        " or list_contains(getvariable('first_of_place'), words[1])"
        f" or regexp_matches({joined}, {literal(phrase)}))"
    )


def _has(listed: str) -> str:
    return f"coalesce(list_has_any(words, getvariable('{listed}')), false)"


def _columns(names: Iterable[str]) -> str:
    return ", ".join(map(literal, names))
