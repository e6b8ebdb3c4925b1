"""How many identifiers the privacy screen catches, and how often it cries wolf."""

from __future__ import annotations

import random

import duckdb
import pytest

from pipeline.ingest.looks import looks, prepare
from tests.mapping.identifiers import HARMLESS, IDENTIFIERS, Make

EACH = 200
SEED = 20260101


def made(kinds: dict[str, list[Make]]) -> list[tuple[str, int, str]]:
    """Kind, form and text, of every form as many."""
    draw = random.Random(SEED)
    return [
        (kind, form, make(draw))
        for kind, makes in kinds.items()
        for form, make in enumerate(makes)
        for _ in range(EACH)
    ]


def flagged(
    values: list[tuple[str, int, str]], column: str = "about"
) -> list[tuple[str, int, float, str]]:
    """For each kind and form: the share that is flagged in a column, and one that is not."""
    with duckdb.connect() as con:
        con.execute(
            "create temp table cell (kind VARCHAR, form INTEGER, value VARCHAR, name VARCHAR)"
        )
        con.execute(
            "insert into cell select unnest(?), unnest(?), unnest(?), ?",
            [*map(list, zip(*values, strict=True)), column],
        )
        prepare(con, "cell")
        asks = " or ".join(f"({condition})" for condition in looks().values())
        return con.execute(f"""
            select kind, form, avg(flag::INT), coalesce(min(value) filter (not flag), '')
            from (select *, coalesce({asks}, false) as flag from cell)
            group by all order by all
        """).fetchall()


def rate(rows: list[tuple[str, int, float, str]]) -> float:
    return sum(row[2] for row in rows) / len(rows)


def lines(rows: list[tuple[str, int, float, str]], wanted: float) -> str:
    """What is not as wanted, for whoever tunes the screen."""
    return "\n".join(f"{k} {f}: {r:.2f} {example!r}" for k, f, r, example in rows if r != wanted)


def test_identifiers_are_caught() -> None:
    rows = flagged(made(IDENTIFIERS))
    assert rate(rows) >= 0.97, lines(rows, 1.0)
    worst = {kind: rate([row for row in rows if row[0] == kind]) for kind in IDENTIFIERS}
    assert min(worst.values()) >= 0.75, worst


def test_look_alikes_pass() -> None:
    rows = flagged(made(HARMLESS))
    assert rate(rows) <= 0.01, lines(rows, 0.0)


@pytest.mark.parametrize("column", ["trip_id", "crew_member"])
def test_tokens_pass_where_any_two_words_look_like_a_name(column: str) -> None:
    tokens = made({kind: HARMLESS[kind] for kind in ("token", "keyed hash", "random id")})
    assert rate(flagged(tokens, column)) <= 0.02, lines(flagged(tokens, column), 0.0)
    names = made({"name": IDENTIFIERS["name"]})
    assert rate(flagged(names, column)) >= 0.97


if __name__ == "__main__":
    for title, kinds in (("caught", IDENTIFIERS), ("flagged though harmless", HARMLESS)):
        found = flagged(made(kinds))
        print(f"{title}: {rate(found):.4f} of {len(found) * EACH}")
        for kind in kinds:
            print(f"  {kind}: {rate([row for row in found if row[0] == kind]):.3f}")
        print(lines([row for row in found if 0 < row[2] < 1 or row[2] == (title != "caught")], 9))
