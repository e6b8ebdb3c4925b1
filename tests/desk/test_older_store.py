"""A store with what people said in version 0.1.0: it opens, verifies, shows that, and goes on.

That its deliveries are brought to the present layout is tested with the contract.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline import review as steps
from pipeline.errors.mistakes import Refused
from pipeline.followup import determine
from pipeline.followup.ledger_words import ledger
from pipeline.store import ledger as ledger_of_store
from pipeline.store.database import transaction
from pipeline.store.session import store_in
from tests.deep import with_deep
from tests.followup.reviewed_store import (
    MONTH,
    answer,
    ask,
    copy_of,
    flagged,
    read_back,
    tamper,
)

from .visiting import Visit, opened

SAID = {"practice": "holds: skill or knowledge", "record_gap": "not documented",
        "justified": "holds: reasonable care", "flag_wrong": "does not hold"}  # fmt: skip
"""Answers in the words of 0.1.0, and what the desk shows them as."""
NEW_SINCE = ("finding", "move", "draft")


@pytest.fixture
def folder(reviewed_once: Path, tmp_path: Path) -> Path:
    """A copy of the reviewed folder, on which no desk was ever open."""
    return copy_of(reviewed_once, tmp_path / "pages")


@pytest.fixture
def older(folder: Path) -> dict[str, str]:
    """Answers, a publication, a shared period and a ledger of 0.1.0; trips by their answer."""
    rules = dict(reversed(flagged(folder)))
    trips = dict(zip(SAID, sorted(rules), strict=False))
    with pytest.MonkeyPatch.context() as patch:
        told = ledger_of_store.STORED_BY["determinations"]
        patch.setitem(ledger_of_store.STORED_BY, "determinations",
                      {name: sql for name, sql in told.items() if name != "finding"})  # fmt: skip
        patch.setattr(determine, "follow_second_readings", lambda *_: None)
        rows = [answer(trip, rules[trip], said, status="open") for said, trip in trips.items()]
        assert read_back(folder, rows).stored == len(SAID)
        steps.publish(folder, MONTH, "C1", anyway=True)
    with store_in(folder) as con, transaction(con):
        con.execute("INSERT INTO loop.shared_period VALUES ('2026-01', '2026-02', '{}')")
        ledger_of_store.record_shared(con, MONTH, "C1")
    for view in ("answer", "reading", "standing"):
        tamper(folder, f"DROP VIEW loop.{view}")
    for table in NEW_SINCE:
        tamper(folder, f"DROP TABLE loop.{table}")
    return trips


@with_deep
def test_it_opens_verifies_and_shows_its_answers_in_the_new_words(
    older: dict[str, str], folder: Path
) -> None:
    assert ledger(folder)[1] == []
    here = Visit.of(opened(folder), "R2")
    for said, trip in older.items():
        assert f"{SAID[said]} (R1" in here.text(f"/case?trip={trip}").replace("( ", "(")
    assert older["practice"] in here.text("/")
    assert ledger(folder)[1] == []


def test_it_goes_on_and_is_published_again(older: dict[str, str], folder: Path) -> None:
    rule = dict(flagged(folder))[older["practice"]]
    assert read_back(folder, [answer(older["practice"], rule, "cannot_say", status="open",
                                     reviewer="R2")]).stored == 1  # fmt: skip
    with pytest.raises(Refused) as refused:
        steps.publish(folder, MONTH, "C1")
    assert {problem.code for problem in refused.value.problems} == {"not-read"}
    steps.publish(folder, MONTH, "C1", anyway=True)
    assert ask(folder, "SELECT count(*) FROM loop.publication") == [(2,)]
    assert ledger(folder)[1] == []
