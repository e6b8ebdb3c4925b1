"""What a filled sheet may not say, and what is read as it is meant; sent through the commands."""

from __future__ import annotations

import warnings
from contextlib import closing
from pathlib import Path

import duckdb
import pytest

from pipeline.followup import screen_text
from pipeline.followup.audit import audit_results
from pipeline.followup.confirmed import FEWEST_READINGS, agreement
from tests.frames import in_pandas

from . import judged_store, reviewed_store
from .test_commands import Run, run
from .test_confirmed import MONTH, sentence, trips

audit_results = in_pandas(audit_results)
agreement = in_pandas(agreement)

__all__ = ["run"]


@pytest.fixture
def one(folder: Path) -> tuple[str, str]:
    """A trip of the month with a variance, and its rule."""
    return reviewed_store.flagged(folder)[0]


def test_codes_are_read_in_any_case(run: Run, folder: Path, one: tuple[str, str]) -> None:
    row = reviewed_store.answer(*one, "Practice", status="Closed", refer_to="DIRECTOR")
    rows = [row, dict.fromkeys(row, "")]
    ran = run("determine", reviewed_store.write_csv(folder.parent / "a.csv", rows),
              "--into", folder)  # fmt: skip
    assert (ran.code, ran.err) == (0, "")
    assert reviewed_store.ask(folder, "SELECT conclusion, status, refer_to FROM loop.answer") == [
        ("practice", "closed", "director")
    ]


CANNOT_STAND = [
    ({"rules": "", "conclusion": "missed"}, "rules", "which rule should have flagged it"),
    ({"note": "spoke to Marlowe Dexter, who agreed"}, "note", "a person's name"),
    ({"note": "Helena forgot the heater"}, "note", "a person's name"),
    ({"action": "=HYPERLINK(1)"}, "action", "not begin with = + - or @"),
    ({"reviewer": ""}, "reviewer", "must not be empty"),
    ({"reviewer": "@me"}, "reviewer", "not begin with"),
]


@pytest.mark.usefixtures("with_screen")
def test_answers_that_cannot_stand_are_set_aside_with_a_sentence(
    run: Run, folder: Path, one: tuple[str, str]
) -> None:
    rows = [reviewed_store.answer(*one, "practice") | cells for cells, _, _ in CANNOT_STAND]
    sheet = reviewed_store.write_csv(folder.parent / "a.csv", rows)
    ran = run("determine", sheet, "--into", folder)
    assert ran.code == 4
    told = (ran.out + ran.err).splitlines()
    for number, (_, column, word) in enumerate(CANNOT_STAND, start=2):
        place = f"line {number}: {column}:"
        assert any(place in line and word in line for line in told), (place, ran)
    assert "Marlowe" not in ran.out + ran.err
    assert reviewed_store.ask(folder, "SELECT count(*) FROM loop.answer") == [(0,)]


@pytest.mark.usefixtures("with_screen")
def test_a_note_without_a_name_stands(run: Run, folder: Path) -> None:
    notes = ["Heater Fault, flow change at once", "Called the desk. Flow was up", "see V-cedar-3"]
    flags = reviewed_store.flagged(folder)[: len(notes)]
    rows = [
        reviewed_store.answer(*flag, "practice", note=note)
        for flag, note in zip(flags, notes, strict=True)
    ]
    sheet = reviewed_store.write_csv(folder.parent / "a.csv", rows)
    ran = run("determine", sheet, "--into", folder)
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.startswith("3 answers read: 3 stored")


@pytest.mark.parametrize("readings", [2, FEWEST_READINGS - 1, FEWEST_READINGS])
def test_a_kappa_needs_ten_double_readings(readings: int) -> None:
    con = judged_store.with_trips(trips({"deviation": 20}))
    for reviewer, other in (("R1", "practice"), ("R2", "logistics")):
        answers: dict[int, str | None] = dict.fromkeys(range(readings), "practice")
        judged_store.answered(
            con, sentence({**answers, 0: other, 1: "equipment"}, reviewer=reviewer)
        )
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        row = agreement(con, MONTH).iloc[0]
    assert (row["cases"], row["same"]) == (readings, readings - 1)
    assert row[["kappa", "low", "high"]].isna().all() == (readings < FEWEST_READINGS)


def test_a_reader_who_always_says_the_same_gives_no_kappa() -> None:
    con = judged_store.with_trips(trips({"deviation": 20}))
    for reviewer, other in (("R1", "practice"), ("R2", "logistics")):
        answers: dict[int, str | None] = dict.fromkeys(range(12), "practice")
        judged_store.answered(con, sentence({**answers, 0: other}, reviewer=reviewer))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        row = agreement(con, MONTH).iloc[0]
    assert (row["cases"], row["same"]) == (12, 11)
    assert row[["kappa", "low", "high"]].isna().all()


@pytest.mark.parametrize("readings", [3, FEWEST_READINGS])
def test_a_miss_rate_needs_ten_readings(readings: int) -> None:
    con = judged_store.with_trips(trips({"met": 40}))
    from pipeline.followup.audit import draw_audit

    judged_store.cases(con, MONTH)
    draw_audit(con, MONTH, a_year=12 * FEWEST_READINGS)
    drawn = con.execute("SELECT trip_id FROM loop.audit_trip ORDER BY ALL").df().head(readings)
    judged_store.answered(con, drawn.assign(conclusion=["missed"] + [None] * (readings - 1)))
    row = audit_results(con, MONTH).iloc[0]
    assert (row["read"], row["missed"]) == (readings, 1)
    assert row[["miss_rate", "low", "high"]].isna().all() == (readings < FEWEST_READINGS)


def test_texts_looked_at_before_and_new_ones_come_together(monkeypatch: pytest.MonkeyPatch) -> None:
    """Also where so many are known that they are forgotten in between."""
    monkeypatch.setattr(screen_text, "MOST_KNOWN", 0)
    known, new = "seen before, kept calm", "Anna Example, 03/04/2019"
    with closing(duckdb.connect()) as con:
        assert screen_text.screened_texts(con, {"note": known}) == {}
        found = screen_text.screened_texts(con, {"note": known, "action": new})
    assert list(found) == ["action"]
