"""A published month stays as it was, can be brought back, and what changes it later is told."""

from __future__ import annotations

import shutil
import zlib
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd
import pytest

import reports
from pipeline.errors import Refused, Usage
from pipeline.followup import publish as module
from pipeline.followup.ledger_words import ledger
from pipeline.followup.publish import reproduce
from pipeline.followup.restate import restatements
from pipeline.review import publish, review
from pipeline.store.answers_view import make_answers
from pipeline.store.ledger import head
from pipeline.store.session import store_in
from schemas.followup_outputs import Restatements
from tests.deep import with_deep
from tests.frames import from_pandas
from tests.made_once import made_once

from . import reviewed_store
from .conftest import plain_page
from .reviewed_store import drawn_for_a_second

if TYPE_CHECKING:
    from schemas.month_review import MonthReview

MONTH = reviewed_store.MONTH
LEFT_OVER = f"{MONTH}/cases/0123456789abcdef.html"
OWN = f"{MONTH}/minutes.html"


def written(folder: Path) -> dict[str, bytes]:
    """Every file below a folder of pages, workbooks and store apart."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.suffix not in (".xlsx", ".duckdb")
    }


def restated(folder: Path, month: str = MONTH) -> pd.DataFrame:
    path = folder / month / "data" / "restatements.csv"
    found = pd.read_csv(path, dtype={"trips": str}, keep_default_na=False)
    assert list(found.columns) == list(Restatements.to_schema().columns)
    return found


@pytest.fixture(scope="module")
def late_rule(clean_delivery: Path) -> tuple[list[str], str]:
    """Two trips of the month, one with a variance and one that met the rule, and that rule."""
    rows = pd.read_csv(clean_delivery / "planted.csv", dtype=str)
    months = pd.read_csv(clean_delivery / "trips.csv", dtype=str).set_index("trip_id")
    own = rows[rows["trip_id"].map(months["service_month"]) == MONTH]
    flagged = own[own["verdict"] == "deviation"].iloc[0]
    met = own[(own["verdict"] == "met") & (own["rule"] == flagged["rule"])]
    return sorted([flagged["trip_id"], met["trip_id"].iloc[0]]), flagged["rule"]


@pytest.fixture(scope="module")
def late(late_rule: tuple[list[str], str]) -> list[str]:
    return late_rule[0]


@pytest.fixture(scope="module")
def published_once(
    clean_delivery: Path, late: list[str], tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """A folder whose month was reviewed without two late trips, and published."""

    def make(top: Path) -> None:
        first = reviewed_store.delivery_like(clean_delivery, top / "first", without=late)
        review(first, top / "pages")
        words = publish(top / "pages", MONTH, "D1", anyway=True)
        assert words.startswith(f"{MONTH} is published: ")

    return made_once(tmp_path_factory, "published", make) / "pages"


@pytest.fixture
def published(published_once: Path, tmp_path: Path) -> Path:
    """A copy of that folder and of what was delivered, for the test to change."""
    shutil.copytree(published_once.parent, tmp_path, dirs_exist_ok=True)
    return tmp_path / "pages"


@pytest.fixture(scope="module")
def late_came_once(
    published_once: Path, clean_delivery: Path, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """That folder reviewed again with the two late trips.

    Before, the month's folder had a page of a case that is none any more, and somebody's own file.
    """
    into = shutil.copytree(published_once, tmp_path_factory.mktemp("late") / "pages")
    (into / LEFT_OVER).parent.mkdir(exist_ok=True)
    (into / LEFT_OVER).write_text("a case that is none any more", encoding="utf-8")
    (into / OWN).write_text("somebody's own", encoding="utf-8")
    review(clean_delivery, into)
    return into


@pytest.fixture
def late_came(late_came_once: Path, tmp_path: Path) -> Path:
    """A copy of it, for the test to change."""
    shutil.copytree(late_came_once, tmp_path / "late" / "pages")
    return tmp_path / "late" / "pages"


@pytest.fixture(scope="module")
def twice_once(late_came_once: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """That, published for the second time, and what publishing said."""
    into = shutil.copytree(late_came_once, tmp_path_factory.mktemp("twice") / "pages")
    return into, publish(into, MONTH, anyway=True)


# ---- what is kept


def frozen(folder: Path) -> dict[str, bytes]:
    """What of a folder a publication of the month holds."""
    return {k: v for k, v in written(folder).items() if k.startswith((MONTH, "assets"))}


def test_a_published_month_comes_back_byte_for_byte(
    published_once: Path, late_came: Path, tmp_path: Path
) -> None:
    before, published = frozen(published_once), late_came
    assert written(published)[f"{MONTH}/index.html"] != before[f"{MONTH}/index.html"]
    count = reproduce(published, MONTH, tmp_path / "back")
    assert written(tmp_path / "back") == before
    assert count == len(before)
    alone = tmp_path / "alone"
    alone.mkdir()
    (published / "store.duckdb").rename(alone / "store.duckdb")
    reproduce(alone, MONTH, tmp_path / "again")
    assert written(tmp_path / "again") == before


def test_workbooks_are_not_published(published: Path) -> None:
    paths = {
        path for (path,) in reviewed_store.ask(published, "SELECT path FROM loop.published_file")
    }
    assert f"{MONTH}/index.html" in paths
    assert f"{MONTH}/data/verdicts.csv" in paths
    assert not any(path.endswith(".xlsx") for path in paths)
    assert not (published / ".drawing").exists()


def test_the_ledger_tells_who_and_ends_with_the_printed_hash(published: Path) -> None:
    text, problems = ledger(published)
    assert problems == []
    assert text.splitlines()[-2].endswith("by D1")
    with store_in(published, read_only=True) as con:
        last = head(con)
    assert f"The ledger now ends with {last}" in module.published_words(
        module.Published(MONTH, 1, True, 3, None, last)
    )


def test_publishing_again_stores_only_what_changed(
    published: Path, twice_once: tuple[Path, str], clean_delivery: Path, tmp_path: Path
) -> None:
    again = publish(published, MONTH, anyway=True)
    assert again == f"{MONTH} was published before, and no figure has changed since."
    once, changed = twice_once
    assert f"{MONTH} is published again, for the 2nd time; " in changed
    twice = shutil.copytree(once, tmp_path / "twice")
    assert reviewed_store.ask(twice, "SELECT publication_no, month FROM loop.publication") == [
        (1, MONTH), (2, MONTH),
    ]  # fmt: skip
    followup = review(clean_delivery, twice).month.followup
    assert followup is not None
    assert not len(followup.restatements)
    assert restated(twice).empty


def test_each_publication_comes_back(
    published_once: Path, twice_once: tuple[Path, str], tmp_path: Path
) -> None:
    first = frozen(published_once)
    published = shutil.copytree(twice_once[0], tmp_path / "twice")
    (published / OWN).unlink()
    second = frozen(published)
    assert first != second
    for name, time, wanted in (("a", 1, first), ("b", 2, second), ("c", None, second)):
        reproduce(published, MONTH, tmp_path / name, time)
        assert written(tmp_path / name) == wanted
    with pytest.raises(Refused) as refused:
        reproduce(published, MONTH, tmp_path / "d", 3)
    assert "has been published 2 times" in str(refused.value)


def test_the_figures_are_those_of_the_pages(published: Path) -> None:
    measures = pd.read_csv(published / MONTH / "data" / "measures.csv", keep_default_na=False)
    own = measures[measures["month"] == MONTH]
    stored = reviewed_store.ask(
        published, "SELECT measure, group_by, group_value, numerator FROM loop.published_figure"
    )
    assert sorted(stored) == sorted(
        own[["measure", "group_by", "group_value", "numerator"]].itertuples(index=False, name=None)
    )


def test_what_is_made_for_the_month_under_review_alone_is_never_restated(published: Path) -> None:
    own = pd.read_csv(published / MONTH / "data" / "measures.csv")
    assert "occlusion-rate-ratio" in set(own["measure"])
    later = own[own["measure"] != "occlusion-rate-ratio"]
    with store_in(published, read_only=True) as con:
        make_answers(con)
        assert not len(restatements(con, "2026-03", from_pandas(later)))
        fewer = later[later["measure"] != "all-rules-share"]
        assert set(restatements(con, "2026-03", from_pandas(fewer))["measure"]) <= {
            "all-rules-share"
        }


def test_months_that_cannot_be_published_or_brought_back(published: Path, tmp_path: Path) -> None:
    with pytest.raises(Usage) as usage:
        publish(published, "2027-01")
    assert "no trips in 2027-01" in str(usage.value)
    with pytest.raises(Refused) as refused:
        reproduce(published, "2026-01", tmp_path / "back")
    assert [p.code for p in refused.value.problems] == ["not-published"]
    assert not (tmp_path / "back").exists()


def test_changed_bytes_are_not_brought_back(published: Path, tmp_path: Path) -> None:
    ((name,),) = reviewed_store.ask(
        published, f"SELECT sha256 FROM loop.published_file WHERE path = '{MONTH}/run.json'"
    )
    forged = zlib.compress(b"{}").hex()
    reviewed_store.tamper(
        published, f"UPDATE loop.file_content SET packed = unhex('{forged}') WHERE sha256='{name}'"
    )
    with pytest.raises(Refused) as refused:
        reproduce(published, MONTH, tmp_path / "back")
    assert refused.value.problems[0].code == "ledger-broken"
    assert "run.json is not as it was published" in str(ledger(published)[1])


def test_publishing_is_all_or_nothing(late_came: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    published = late_came
    before = reviewed_store.ask(published, "FROM loop.published_figure ORDER BY ALL")

    def fail(*_: object) -> None:
        raise RuntimeError

    monkeypatch.setattr(module, "record_stored", fail)
    with pytest.raises(RuntimeError):
        publish(published, MONTH, anyway=True)
    assert reviewed_store.ask(published, "FROM loop.published_figure ORDER BY ALL") == before
    assert len(reviewed_store.ask(published, "FROM loop.publication")) == 1
    assert not (published / ".drawing").exists()


# ---- restatements


def test_late_trips_restate_what_they_change(
    late_came: Path, late_rule: tuple[list[str], str]
) -> None:
    late, rule = late_rule
    found = restated(late_came)
    row = found[(found["measure"] == "deviation-share") & (found["group_value"] == rule)].iloc[0]
    assert row["month"] == MONTH
    assert row["now_numerator"] == row["then_numerator"] + 1
    assert row["now_denominator"] == row["then_denominator"] + 2
    assert (row["late"], row["replaced"], row["corrected"], row["rejudged"]) == (2, 0, 0, 0)
    assert row["trips"].split() == late
    assert row["why"] == "2 trips came late."
    assert not any(trip in why for trip in late for why in found["why"])
    assert set(found["month"]) == {MONTH}
    everything = found[found["measure"] == "all-rules-share"]
    assert list(everything["late"]) == [2]


# else `test_a_replaced_trip_restates_its_rule_alone`
@with_deep
def test_the_same_content_again_restates_nothing(
    published: Path, clean_delivery: Path, late: list[str], tmp_path: Path
) -> None:
    same = reviewed_store.delivery_like(clean_delivery, tmp_path / "same", without=late)
    (same / "notes.txt").write_text("left unread", encoding="utf-8")
    settings = same / "settings.csv"
    settings.write_text(settings.read_text("utf-8").replace("\n", "\r\n"), encoding="utf-8",
                        newline="")  # fmt: skip
    review(same, published)
    keys = reviewed_store.ask(published, "SELECT count(DISTINCT trip_key) FROM delivered.trips")
    assert keys[0][0] > 60, "every trip came again"
    assert restated(published).empty


def test_a_replaced_trip_restates_its_rule_alone(
    published: Path, clean_delivery: Path, late: list[str], tmp_path: Path
) -> None:
    (trip,) = reviewed_store.ask(
        published,
        f"""SELECT min(w.trip_id) FROM judged.verdict JOIN judged.trip_window w USING (trip_key)
            WHERE rule = 'escalation-call' AND verdict = 'not_applicable'
            AND service_month = '{MONTH}'""",
    )[0]
    other = reviewed_store.delivery_like(
        clean_delivery, tmp_path / "other", without=late,
        edits={("trips", trip): {"outcome": "intubated"}},
    )  # fmt: skip
    review(other, published)
    found = restated(published)
    rules = found[found["group_by"] == "rule"]
    assert set(rules["group_value"]) == {"escalation-call"}
    assert set(rules["why"]) == {"1 trip was delivered again with other content."}
    assert set(rules["trips"]) == {trip}


def test_answers_restate_confirmed_figures_and_what_nothing_explains_is_the_program(
    published: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And the frozen page says how often the month is published."""
    told: list[int] = []

    def listening(review: MonthReview, folder: Path, *_: object) -> Path:
        assert review.followup is not None
        told.append(review.followup.published)
        return plain_page(review, folder)

    monkeypatch.setattr(reports, "write_pages", listening)
    reviewed_store.tamper(
        published,
        "UPDATE loop.published_figure SET numerator = numerator + 1"
        " WHERE measure = 'deviation-share' AND group_value = 'heat-ready'",
    )
    apart = drawn_for_a_second(published)
    trip, rule = next(pair for pair in reviewed_store.flagged(published) if pair[0] not in apart)
    row = reviewed_store.answer(trip, rule, "practice", status="open")
    assert reviewed_store.read_back(published, [row]).stored == 1
    review(published.parent / "first", published)
    found = restated(published)
    screened = found[found["measure"] == "deviation-share"]
    assert list(screened["group_value"]) == ["heat-ready"]
    assert screened["why"].iloc[0].endswith("the program reckons otherwise than it did.")
    found = found.drop(screened.index)
    assert set(found["measure"]) == {
        "confirmed-share", "confirmed-deviation-share", "practice-share",
    }  # fmt: skip
    assert set(found["group_value"]) == {rule}
    assert set(found["determinations"]) == {1}
    assert set(found["why"]) == {"1 answer was read since."}
    publish(published, MONTH, anyway=True)
    assert told == [1, 2]


def test_a_month_never_published_has_no_restatements(folder: Path) -> None:
    assert restated(folder).empty
