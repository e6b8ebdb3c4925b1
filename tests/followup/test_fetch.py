"""Records to fetch: who may still have them, what people say, and that a delivery brings them."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import pytest

from pipeline.errors import Usage
from pipeline.followup.fetch import say
from pipeline.ingest.delivery import read_delivery
from pipeline.ingest.load import load
from pipeline.judging.evaluator import judge
from pipeline.store.database import open_store
from pipeline.store.ledger import verify
from schemas.work import MonthWork, WorkItem

from . import reviewed_store
from .test_commands import Run, run
from .test_work import with_work

__all__ = ["run"]
MONTH = reviewed_store.MONTH
Missing = tuple[dict[str, str], dict[str, WorkItem], Path]


def received(folder: Path, delivery: Path) -> MonthWork:
    """The month's work after a delivery, as a review would leave it, without its pages."""
    with closing(open_store(folder / "store.duckdb")) as con:
        load(con, read_delivery(con, delivery))
        judge(con)
        return with_work(con, MONTH)


def ventilated(folder: Path) -> list[tuple[str, str]]:
    """Trips of the month with ventilator time and a complete log, and their bases."""
    rows = reviewed_store.ask(folder, f"""
        SELECT DISTINCT w.trip_id, t.base FROM judged.trip_window w
        JOIN delivered.trips t USING (trip_key) JOIN judged.timeline e USING (trip_key)
        WHERE w.service_month = '{MONTH}' AND w.log_complete AND e.source = 'ventilator'
          AND NOT EXISTS (FROM delivered.device_events d
                          WHERE d.trip_key = w.trip_key AND d.event = 'occlusion')
        ORDER BY ALL""")  # fmt: skip
    return [(trip, base) for trip, base in rows]


def others(folder: Path, besides: set[str]) -> list[str]:
    """Trips of the month that were never on a ventilator."""
    rows = reviewed_store.ask(folder, f"""
        SELECT trip_id FROM judged.trip_window w WHERE service_month = '{MONTH}'
          AND NOT EXISTS (FROM judged.timeline e WHERE e.trip_key = w.trip_key
                          AND coalesce(e.source = 'ventilator', TRUE)) ORDER BY ALL""")  # fmt: skip
    return [trip for (trip,) in rows if trip not in besides]


@pytest.fixture(scope="module")
def poorer_once(
    reviewed_once: Path, clean_delivery: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, Missing]:
    """A folder that received records with much missing, and what its work says of them."""
    folder = reviewed_store.copy_of(reviewed_once, tmp_path_factory.mktemp("poorer") / "pages")
    (partial, _), (none, _) = ventilated(folder)[:2]
    dry, late, outcome, departed = others(folder, {partial, none})[:4]
    lacks = {"partial": partial, "none": none, "no ventilator": dry, "handover": late,
             "outcome": outcome, "departed": departed}  # fmt: skip
    delivery = reviewed_store.delivery_like(clean_delivery, folder.parent / "poorer", edits={
        ("trips", partial): {"device_log": "partial"}, ("trips", none): {"device_log": "none"},
        ("trips", dry): {"device_log": "none"}, ("trips", late): {"handover_s": ""},
        ("trips", outcome): {"outcome": ""}, ("trips", departed): {"departed_s": ""},
    })  # fmt: skip
    work = received(folder, delivery)
    return folder, (lacks, {item.trip_id: item for item in work.of("fetch")}, delivery)


@pytest.fixture
def missing(poorer_once: tuple[Path, Missing]) -> Missing:
    """Trips by what they lack, the lines that the month's work has of them, and the delivery."""
    return poorer_once[1]


@pytest.fixture
def folder(poorer_once: tuple[Path, Missing], tmp_path: Path) -> Path:
    """A copy of that folder."""
    return reviewed_store.copy_of(poorer_once[0], tmp_path / "pages")


def test_what_is_missing_is_told_apart_and_asks_for_no_reading(
    missing: Missing,
) -> None:
    lacks, lines, _ = missing
    whys = {what: lines[trip].why for what, trip in lacks.items() if trip in lines}
    assert "no ventilator" not in whys, "a log of a trip without ventilator time settles nothing"
    assert len(set(whys.values())) == len(whys) == 5, "each is said otherwise"
    assert "in part" in whys["partial"]
    assert "not downloaded" in whys["none"]
    assert {line.state for line in lines.values()} == {"open"}
    assert all(line.rules for line in lines.values())


def test_what_people_say_and_what_a_delivery_brings(
    missing: Missing,
    folder: Path,
    clean_delivery: Path,
    run: Run,
) -> None:
    lacks, lines, poorer = missing
    partial, none, late = lacks["partial"], lacks["none"], lacks["handover"]
    ran = run("fetch", partial, none, "--asked", "--into", folder, "--by", "C1")
    assert (ran.code, "2 trips" in ran.out) == (0, True)
    assert run("fetch", late, "--not-to-be-had", "--into", folder).code == 0
    states = {i.trip_id: i.state for i in received(folder, poorer).of("fetch")}
    assert {states[partial], states[none]} == {"asked"}
    assert late not in states
    assert run("fetch", late, "--asked", "--into", folder).code == 0, "it was to be had after all"
    work = received(folder, clean_delivery)
    states = {i.trip_id: i.state for i in work.of("fetch")}
    assert {states[trip] for trip in lines if trip in set(lacks.values())} == {"arrived"}
    assert work.count("fetch") == sum(state != "arrived" for state in states.values())
    ran = run("fetch", partial, "--asked", "--into", folder)
    assert ran.code == 2
    assert "arrived" in ran.err
    told = run("ledger", "--into", folder)
    assert (told.code, told.out.count("records to fetch")) == (0, 3)


def test_a_base_is_asked_at_once(missing: Missing, folder: Path) -> None:
    lacks, lines, poorer = missing
    base = lines[lacks["partial"]].base
    own = {trip for trip, line in lines.items() if line.base == base}
    assert say(folder, "asked", base=base, month=MONTH, by="C1") == len(own)
    states = {i.trip_id: i.state for i in received(folder, poorer).of("fetch")}
    assert {trip for trip, state in states.items() if state == "asked"} == own
    assert say(folder, "asked", base=base, month=MONTH) == len(own), "said before: nothing is kept"
    said = reviewed_store.ask(folder, "SELECT count(DISTINCT said_no) FROM loop.fetch_said")
    assert said == [(1,)]


def test_what_is_not_on_the_list_is_a_mistake(folder: Path, run: Run) -> None:
    with pytest.raises(Usage):
        say(folder, "asked", ["nobody"])
    with pytest.raises(Usage):
        say(folder, "asked", base="nowhere")
    for wrong in (["T1"], ["T1", "--asked", "--not-to-be-had"], ["--asked"],
                  ["T1", "--base", "b", "--asked"]):  # fmt: skip
        assert run("fetch", *wrong, "--into", folder).code == 2, wrong


def test_a_word_on_a_record_that_was_changed_is_found_out(missing: Missing, folder: Path) -> None:
    say(folder, "asked", [missing[0]["partial"]])
    reviewed_store.tamper(folder, "UPDATE loop.fetch_said SET state = 'not_to_be_had'")
    with closing(open_store(folder / "store.duckdb", read_only=True)) as con:
        assert any("fetch_said" in sentence for sentence in verify(con))
