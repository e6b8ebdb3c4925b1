"""The privacy screen on texts that its patterns were never changed for (`held_out.tsv`).

Do not tune on the list: if the screen is changed, put another list beside it and measure on that.
"""

from __future__ import annotations

import csv
from pathlib import Path

import duckdb
import pytest

from pipeline.ingest.looks import looks, perhaps_person, prepare

LIST = Path(__file__).with_name("held_out.tsv")
WORD = "word: "


def measured() -> list[tuple[str, int, int, int]]:
    """Of each kind of text: how many there are, are refused, and are doubtful if not."""
    with LIST.open(encoding="utf-8", newline="") as file:
        texts = list(csv.DictReader(file, delimiter="\t", quoting=csv.QUOTE_NONE))
    with duckdb.connect() as con:
        con.execute("create temp table cell (kind VARCHAR, name VARCHAR, value VARCHAR)")
        con.executemany(
            "insert into cell values (?, ?, ?)",
            [(t["kind"], t["column"], t["text"]) for t in texts],
        )
        prepare(con, "cell")
        refused = " or ".join(f"coalesce({condition}, false)" for condition in looks().values())
        return con.execute(f"""
            select kind, count(*), count(*) filter (refused),
                   count(*) filter (not refused and doubtful)
            from (select kind, {refused} as refused, {perhaps_person()} as doubtful from cell)
            group by kind order by kind
        """).fetchall()


@pytest.fixture(scope="module")
def found() -> list[tuple[str, int, int, int]]:
    return measured()


def share(found: list[tuple[str, int, int, int]], *, words: bool) -> float:
    rows = [row for row in found if row[0].startswith(WORD) == words]
    return sum(row[2] for row in rows) / sum(row[1] for row in rows)


def test_identifiers_are_refused(found: list[tuple[str, int, int, int]]) -> None:
    assert share(found, words=False) >= 0.60


def test_ordinary_words_are_not(found: list[tuple[str, int, int, int]]) -> None:
    assert share(found, words=True) <= 0.03


def test_the_document_tells_what_is_measured(found: list[tuple[str, int, int, int]]) -> None:
    text = (Path(__file__).parents[2] / "docs" / "privacy.md").read_text(encoding="utf-8")
    for words in (False, True):
        rows = [row for row in found if row[0].startswith(WORD) == words]
        texts, refused = sum(row[1] for row in rows), sum(row[2] for row in rows)
        doubtful = sum(row[3] for row in rows)
        assert (
            f"| {texts} | {refused / texts:.0%} | {doubtful / texts:.0%} |".replace("%", " %")
            in text
        )


if __name__ == "__main__":
    for kind, texts, refused, doubtful in measured():
        print(f"{kind}: {texts} texts, {refused} refused, {doubtful} doubtful")
