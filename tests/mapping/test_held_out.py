"""The privacy screen on texts that its patterns were never changed for.

`held_out.tsv` was put together by the author of the patterns, in part; `unseen.tsv` by somebody
else, later, from the open-source generator Mimesis 18.0 in its 48 languages and the titles of
ICD-10-CM. Do not tune on the lists: if the screen is changed, put another beside them and measure
on that.
"""

from __future__ import annotations

import csv
from pathlib import Path

import duckdb
import pytest

from pipeline.ingest.looks import looks, perhaps_person, prepare

HELD_OUT, UNSEEN = (Path(__file__).with_name(f"{name}.tsv") for name in ("held_out", "unseen"))
WORD = "word: "
LONG = "word: diagnoses of five words or more"
"""Free text, which is refused by what it is."""

Found = list[tuple[str, int, int, int]]


def measured(path: Path) -> Found:
    """Of each kind of text: how many there are, are refused, and are doubtful if not."""
    with path.open(encoding="utf-8", newline="") as file:
        texts = list(csv.DictReader(file, delimiter="\t", quoting=csv.QUOTE_NONE))
    with duckdb.connect() as con:
        con.execute("create temp table cell (kind VARCHAR, name VARCHAR, value VARCHAR)")
        con.execute(
            "insert into cell select unnest(?), unnest(?), unnest(?)",
            [[t[name] for t in texts] for name in ("kind", "column", "text")],
        )
        prepare(con, "cell")
        refused = " or ".join(f"coalesce({condition}, false)" for condition in looks().values())
        return con.execute(f"""
            select kind, count(*), count(*) filter (refused),
                   count(*) filter (not refused and doubtful)
            from (select kind, {refused} as refused, {perhaps_person()} as doubtful from cell)
            group by kind order by kind
        """).fetchall()


@pytest.fixture(scope="module", params=[HELD_OUT, UNSEEN], ids=["held out", "unseen"])
def found(request: pytest.FixtureRequest) -> Found:
    return measured(request.param)


def counts(found: Found, *, words: bool) -> tuple[int, int, int]:
    rows = [row[1:] for row in found if row[0].startswith(WORD) == words and row[0] != LONG]
    texts, refused, doubtful = map(sum, zip(*rows, strict=True))
    return texts, refused, doubtful


def test_identifiers_are_refused(found: Found) -> None:
    texts, refused, _ = counts(found, words=False)
    assert refused >= 0.60 * texts


def test_ordinary_words_are_not(found: Found) -> None:
    texts, refused, _ = counts(found, words=True)
    assert refused <= 0.03 * texts


def test_the_document_tells_what_is_measured(found: Found) -> None:
    text = (Path(__file__).parents[2] / "docs" / "privacy.md").read_text(encoding="utf-8")
    for words in (False, True):
        texts, refused, doubtful = counts(found, words=words)
        cells = f"| {texts} | {refused / texts:.0%} | {doubtful / texts:.0%} |"
        assert cells.replace("%", " %") in text
    for kind, texts, refused, doubtful in found:
        if not kind.startswith(WORD):
            assert f"| {texts} | {refused} | {doubtful} |" in text, kind


if __name__ == "__main__":
    for path in (HELD_OUT, UNSEEN):
        print(path.name)
        for kind, texts, refused, doubtful in measured(path):
            print(f"  {kind}: {texts} texts, {refused} refused, {doubtful} doubtful")
