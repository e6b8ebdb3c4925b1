"""Nothing but what may be told stands in any byte of the folder that is handed over."""

from __future__ import annotations

import csv
import json
import re
import shutil
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import duckdb
import pytest

import reports
from pipeline.followup.ledger_words import ledger
from pipeline.review import shared_edition
from pipeline.sharing.act import hand_over, proposed
from pipeline.sharing.edition import received_of
from pipeline.sharing.periods import Period
from pipeline.store.database import open_store
from pipeline.store.followup_tables import insert
from pipeline.store.ledger import entries, verify
from reports.shared.data import RECEIVED_WORDS, WITHHELD, shared_data
from reports.text.navigation import SHARED
from schemas.contract import TABLES
from schemas.followup_outputs import FollowUpReview
from schemas.frame import Frame
from schemas.shared_outputs import SHARED_OUTPUTS, SMALLEST_DISCLOSED
from tests.acceptance.command_runs import Run
from tests.shared.editions import (
    COUNTS,
    PAGES,
    World,
    bare,
    bare_review,
    disclosed,
    disclosed_in_workbook,
    few_trips_are_enough,
    files,
    read_page,
    strings,
)

TOKENS = {"trips": ("trip_id", "ventilator_unit", "heater_unit"), "crew": ("crew_member",)}
OF = re.compile(r"(?<![\w.,])(\d[\d,]*)(?:\u00a0| )?(?:/|of|trips?\b|events?\b)(?! bases)")
"""A number that counts: '14 of 189 trips', '17 / 34 h', '356 trips'."""


@pytest.fixture(params=["by_month", "by_half_year"])
def edition(request: pytest.FixtureRequest) -> Path:
    world = request.getfixturevalue(request.param)
    assert isinstance(world, World)
    return world.editions()[-1]


def tokens(delivery: Path) -> set[str]:
    """Every token of a trip, a crew member or a unit of equipment in a delivery."""
    found = set()
    for table, columns in TOKENS.items():
        with (delivery / f"{table}.csv").open(encoding="utf-8", newline="") as file:
            for row in csv.DictReader(file):
                found |= {row[column] for column in columns if row.get(column)}
    return found


def words_of(files_: dict[str, bytes]) -> set[str]:
    return set(
        re.findall(r"[\w.-]+", " ".join(b.decode("utf-8", "ignore") for b in files_.values()))
    )


def test_no_token_of_a_trip_a_crew_or_a_unit_stands_in_any_file(by_half_year: World) -> None:
    secret = tokens(by_half_year.delivery)
    assert len(secret) > 300
    for edition in by_half_year.editions():
        assert words_of(files(edition)) & secret == set()
    full = files(by_half_year.into / by_half_year.months[-1])
    assert words_of(full) & secret, "the search finds none where there are some"


def test_no_line_of_a_delivered_file_and_no_digest_stands_in_any_file(edition: Path) -> None:
    place = re.compile(rb"\b(?:" + "|".join(TABLES).encode() + rb")\.(?:csv|parquet)|[0-9a-f]{64}")
    for name, content in files(edition).items():
        assert not place.search(content), name


def test_every_page_of_the_shared_edition_has_a_template() -> None:
    templates = Path(reports.__file__).parent / "shared"
    assert {f"shared_{page}.html" for page in SHARED} == {
        path.name for path in templates.glob("shared_*.html") if path.name != "shared_base.html"
    }


def test_the_folder_holds_what_it_should_and_nothing_else(edition: Path) -> None:
    names = {n for n in files(edition) if "!" not in n}
    data = {f"data/{name}.csv" for name in SHARED_OUTPUTS}
    assert names == {*PAGES, *data, "shared.xlsx", "run.json"}
    for page in PAGES:
        links = re.findall(r'(?:href|src)="([^"#]+)', (edition / page).read_text("utf-8"))
        assert all((edition / link).is_file() for link in links), page


def test_no_count_from_1_to_10_stands_in_a_table(edition: Path) -> None:
    for tables in (disclosed(edition), disclosed_in_workbook(edition)):
        assert tables.keys() == SHARED_OUTPUTS.keys()
        counts = [
            row[column]
            for rows in tables.values()
            for row in rows
            for column in COUNTS
            if row.get(column) is not None
        ]
        assert len(counts) > 50
        assert [n for n in counts if 0 < n < SMALLEST_DISCLOSED] == []


def test_the_workbook_holds_the_data_files_and_no_sheet_to_answer_on(edition: Path) -> None:
    sheets, rows = disclosed_in_workbook(edition), disclosed(edition)
    assert "determinations" not in sheets
    for name, table in rows.items():
        assert sheets[name] == [pytest.approx(row) for row in table], name


def test_no_count_from_1_to_10_stands_on_a_page(edition: Path) -> None:
    """In cells of tables, in sentences, and in the figures with what is said when pointed at."""
    for name in PAGES:
        page = read_page(edition / name)
        figures = strings(page.figures)
        sentence = [*page.text, *figures]
        counts = [int(n.replace(",", "")) for text in sentence for n in OF.findall(text)]
        assert name == "index.html" or figures
        assert counts, name
        assert [n for n in counts if 0 < n < SMALLEST_DISCLOSED] == [], name
        cells = [c.replace(",", "") for c in page.numbers]
        whole = [int(c) for c in cells if c.isdigit()]
        assert [n for n in whole if 0 < n < SMALLEST_DISCLOSED] == [], name


def test_a_page_tells_no_count_that_its_data_files_do_not(edition: Path) -> None:
    known = {
        int(row[column])
        for rows in disclosed(edition).values()
        for row in rows
        for column in (*COUNTS, "hours")
        if row.get(column) is not None
    } | {0}
    known |= {
        round(r["hours"]) for r in disclosed(edition)["shared_sizes"] if r["hours"] is not None
    }
    known |= {r["variance"] + r["kept"] for r in disclosed(edition)["shared_bases"]}
    for name in PAGES:
        page = read_page(edition / name)
        sentence = [*page.text, *strings(page.figures)]
        counts = {int(n.replace(",", "")) for text in sentence for n in OF.findall(text)}
        assert counts <= known, name


def test_no_age_and_no_column_of_a_delivery_is_in_it(edition: Path) -> None:
    """There is nothing to coarsen: no age at all, nor another column that holds one child."""
    columns = {
        column for rows in disclosed(edition).values() for column in (rows[0] if rows else ())
    }
    of_a_trip = {c for model in TABLES.values() for c in model.to_schema().columns}
    assert columns & of_a_trip == {"base", "rule", "cannula"}
    text = " ".join(" ".join(read_page(edition / name).text) for name in PAGES)
    assert not re.search(r"\bage[ds]?\b(?! in it)|\b\d+ (?:months|years) old|\bdiagnos", text)


def test_withheld_is_said_in_words_and_explained_on_each_page(edition: Path) -> None:
    for name in PAGES:
        page = read_page(edition / name)
        text = " ".join(" ".join(page.text).split())
        assert "Why some numbers are withheld" in text
        assert "It does not mean none" in text
    assert WITHHELD in read_page(edition / "index.html").numbers


def test_the_same_store_gives_the_same_bytes(by_month: World, tmp_path: Path) -> None:
    """The second time from the periods as they were kept."""
    with (
        few_trips_are_enough(),
        closing(open_store(by_month.into / "store.duckdb", create=False)) as con,
    ):
        for edition in by_month.editions():
            shared_edition(con, tmp_path, bare_review(con, edition.name))
            again = files(tmp_path / "shared" / edition.name)
            assert again == files(edition)


def test_before_a_period_is_complete_the_edition_says_so(by_month: World, tmp_path: Path) -> None:
    with closing(open_store(by_month.into / "store.duckdb", create=False)) as con:
        shared_edition(con, tmp_path, bare_review(con, "2025-12"))
    for name in PAGES:
        text = " ".join(read_page(tmp_path / "shared" / "2025-12" / name).text)
        assert "No period is complete yet" in text


def test_sharing_is_in_the_ledger_and_a_changed_period_is_found(
    by_month: World, tmp_path: Path
) -> None:
    store = tmp_path / "store.duckdb"
    shutil.copy(by_month.into / "store.duckdb", store)
    with few_trips_are_enough(), closing(open_store(store, create=False)) as con:
        shared_edition(con, tmp_path, bare_review(con, "2026-02"), by="Q1")
        disclosed = [entry.parsed for entry in entries(con) if entry.what == "shared"]
        # the world's two months were shared one after the other, and perhaps again since
        periods = [list(d["periods"]) for d in disclosed]
        assert periods[:2] == [["2026-01 to 2026-01"], ["2026-02 to 2026-02"]]
        assert periods[2:] == [[]] * (len(periods) - 2)
        assert len(periods) > 2
        assert (disclosed[-1]["reviewed"], disclosed[-1]["by"]) == ("2026-02", "Q1")
        assert verify(con) == []
        con.execute("UPDATE loop.shared_period SET told = '{}' WHERE first_month = '2026-01'")
        assert verify(con) == ["What is stored of shared periods is not what the ledger tells of."]
    sentence, _ = ledger(tmp_path)
    assert "shared edition of 2026-02 handed over, no period for the first time by Q1" in sentence


@pytest.mark.parametrize(
    ("received", "expected", "step", "sentence"),
    [
        (220, 220, "all", "2026-01: all 220 trips expected were received."),
        (215, 220, "most", "Warning: of 220 trips expected in 2026-01, 5 are missing."),
        (150, 220, "fewer", "Warning: of 220 trips expected in 2026-01, 70 are missing."),
        (220, None, None, "Warning: 2026-01 has 220 trips received; how many to expect is not"),
    ],
)
def test_a_period_says_how_much_of_it_was_received(  # noqa: PLR0917 - a row of the table each
    by_month: World,
    tmp_path: Path,
    received: int,
    expected: int | None,
    step: str | None,
    sentence: str,
) -> None:
    """The number is for the service; who is handed the edition learns a step."""
    by_months = {"2026-01": (received, expected)}
    with never_shared(by_month, tmp_path) as con:
        review = replace(bare("2026-01"), expected_by_month=by_months)
        found = proposed(con, review)
    assert found.tables.periods["received"].tolist() == [step]
    assert "Would be told for the first time, and for good: 2026-01." in found.words(done=False)
    assert sentence in found.words(done=False)
    page = shared_data(found.safe, "month").received
    assert page == RECEIVED_WORDS[step or ""]
    assert not re.search("2[0-9]{2}|150", page)


def test_a_month_of_a_period_that_nothing_came_of_is_not_complete(by_month: World) -> None:
    review = replace(bare("2026-03"), expected_by_month={"2026-01": (9, 9), "2026-03": (8, 8)})
    assert received_of(review, Period("2026-01", "2026-03")) == (17, None)
    early = replace(review, expected_by_month={"2026-02": (9, 9), "2026-03": (8, 8)})
    assert received_of(early, Period("2026-01", "2026-03")) == (17, 17), "records begin in February"


def test_a_published_month_that_changed_is_named_before_it_is_told_for_good(
    by_month: World, tmp_path: Path
) -> None:
    changed = SimpleNamespace(restatements=Frame({"month": ["2026-01", "2025-12"]}))
    with never_shared(by_month, tmp_path) as con:
        review = replace(bare("2026-01"), followup=cast(FollowUpReview, changed))
        words = proposed(con, review).words(done=False)
        assert "Warning: 2026-01, in 2026-01, was published, and its figures changed" in words
        assert "2025-12" not in words
        hand_over(con, proposed(con, review))
        again = proposed(con, review).words(done=False)
    assert "was published" not in again, "what is told already is told as it was"
    assert "Would be told again, as first shared: 2026-01." in again


def test_what_an_earlier_version_told_too_much_of_is_said_not_to_be_unsaid(
    by_month: World, tmp_path: Path
) -> None:
    """Two trips of prong-1 without an occlusion: 'all' without the others was their hours."""
    sizes = [
        {"period": "2026-01", "cannula": name, "events": events, "hours": hours}
        for name, events, hours in (("prong-1", None, None), ("prong-2", 14, 60.0),
                                    ("all", 14, 63.1))
    ]  # fmt: skip
    head = {"period": "2026-01", "from_month": "2026-01", "until_month": "2026-01", "trips": 220}
    disclosed = {"periods": [head], "shared_rules": [], "shared_bases": [], "shared_sizes": sizes}
    with never_shared(by_month, tmp_path) as con:
        insert(con, "shared_period", [("2026-01", "2026-01", json.dumps(disclosed))])
        found = proposed(con, bare("2026-01"))
    assert "cannot be unsaid" in found.words(done=False)
    assert "(prong-1)" in found.words(done=False)
    assert found.tables.sizes["hours"].tolist()[1:] == [60.0, 63.1], "it stays as first shared"


@contextmanager
def never_shared(world: World, tmp_path: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """A copy of its store from which nothing was handed over."""
    store = tmp_path / "never.duckdb"
    shutil.copy(world.into / "store.duckdb", store)
    with few_trips_are_enough(), closing(open_store(store, create=False)) as con:
        con.execute("DELETE FROM loop.shared_period")
        con.execute("DELETE FROM loop.ledger WHERE what = 'shared'")
        yield con


def test_the_command_writes_both_editions(by_half_year: World, run: Run) -> None:
    """The fixture ran it."""
    assert (by_half_year.into / "sheets" / "2026-07.xlsx").is_file()
    assert (by_half_year.into / "shared" / "2026-07" / "index.html").is_file()
    refused = run("review", by_half_year.delivery, "--edition", "neither")
    assert refused.code == 2
    assert "shared" in refused.err
