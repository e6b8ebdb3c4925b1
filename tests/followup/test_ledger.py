"""The ledger tells what was done, and a change behind its back shows."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from pipeline.followup.ledger_words import ledger
from pipeline.store import ledger as store_ledger
from pipeline.store.database import open_store
from pipeline.store.ledger import entries, verify
from schemas.followup import FOLLOWUP_TABLES
from schemas.followup_outputs import FOLLOWUP_OUTPUTS
from tests.acceptance import small_delivery

from . import reviewed_store

OLD_STORE = "DROP SCHEMA loop CASCADE"


def test_each_deed_is_an_entry_and_the_chain_holds(folder: Path) -> None:
    trip, rule = reviewed_store.flagged(folder)[0]
    reviewed_store.read_back(folder, [reviewed_store.answer(trip, rule, "practice")], by="C1")
    text, problems = ledger(folder)
    assert problems == []
    lines = text.splitlines()
    assert "delivery 1 received: 60 trips" in lines[0]
    assert lines[0].endswith("by C1")
    assert f"audit of {reviewed_store.MONTH}" in lines[1]
    assert "determinations: 1 of 1 rows stored" in lines[2]
    assert lines[-1] == "The ledger is whole: 3 entries."


def test_hashes_are_those_of_the_text(folder: Path) -> None:
    """Reckoned here from the columns alone, by the definition the schema gives."""
    rows = reviewed_store.ask(folder, "FROM loop.ledger ORDER BY entry_no")
    previous = "0" * 64
    for number, what, detail, before, found in rows:
        assert before == previous
        text = f"{before}\n{number}\n{what}\n{detail}"
        assert found == hashlib.sha256(text.encode()).hexdigest()
        assert json.dumps(json.loads(detail), sort_keys=True, separators=(",", ":"),
                          ensure_ascii=False) == detail  # fmt: skip
        previous = found


@pytest.fixture(scope="module")
def answered_once(reviewed_once: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with two sheets read, and a ledger that is whole."""
    folder = reviewed_store.copy_of(reviewed_once, tmp_path_factory.mktemp("answered") / "pages")
    first, second = reviewed_store.flagged(folder)[:2]
    reviewed_store.read_back(folder, [reviewed_store.answer(*first, "practice")])
    reviewed_store.read_back(
        folder, [reviewed_store.answer(*second, "logistics", note="No bed was free.")]
    )
    assert ledger(folder)[1] == []
    return folder


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ("UPDATE loop.ledger SET detail = replace(detail, 'C1', 'C2') WHERE entry_no = 1",
         "Entry 1 (delivery) was changed"),
        ("UPDATE loop.ledger SET detail = 'no JSON' WHERE entry_no = 3",
         "Entry 3 (determinations) was changed"),
        ("UPDATE loop.ledger SET what = 'baseline' WHERE entry_no = 1", "was changed"),
        ("DELETE FROM loop.ledger WHERE entry_no = 2", "Entry 2 is missing"),
        ("DELETE FROM loop.ledger WHERE entry_no = 4", "stored of determinations is not"),
        ("UPDATE loop.ledger SET entry_no = 5 - entry_no WHERE entry_no IN (2, 3)",
         "does not follow"),
        ("UPDATE loop.determination SET conclusion = 'flag_wrong'", "Rows of determination were"),
        ("UPDATE loop.determination_rule SET verdict = 'met'", "Rows of determination_rule were"),
        ("DELETE FROM loop.determination WHERE sheet_no = 2", "Rows of determination were"),
        ("UPDATE delivered.settings SET flow_lpm = 3.25 WHERE trip_key = 3",
         "Rows of settings were changed after entry 1"),
        ("UPDATE delivered.trips SET handover_s = handover_s + 60 WHERE trip_key = 5",
         "Rows of trips were changed after entry 1"),
        ("DELETE FROM loop.audit_trip", "stored of audit is not"),
        ("INSERT INTO loop.baseline VALUES ('2026-02')", "stored of baseline is not"),
        ("INSERT INTO delivered.receipt VALUES (2, 1)", "deliveries received are not those"),
    ],
)  # fmt: skip
def test_tampering_shows(answered_once: Path, tmp_path: Path, change: str, expected: str) -> None:
    folder = reviewed_store.copy_of(answered_once, tmp_path / "pages")
    reviewed_store.tamper(folder, change)
    sentences = [problem.sentence() for problem in ledger(folder)[1]]
    assert any(expected in sentence for sentence in sentences), sentences


def test_the_same_delivery_again_is_no_entry_and_one_after_another_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An entry is stored with its delivery or not at all; a store from before the ledger begins
    one."""
    path = tmp_path / "store.duckdb"
    a = small_delivery.write(tmp_path / "a")
    b = small_delivery.write(tmp_path / "b", **small_delivery.swap("trips", "8.4", "8.6"))
    c = small_delivery.write(tmp_path / "c", **small_delivery.swap("trips", "8.4", "8.8"))
    for folder in (a, a, b, a):
        small_delivery.store(path, folder)
    con = open_store(path, read_only=True)
    told = [json.loads(entry.detail)["delivery"] for entry in entries(con)]
    assert told == [1, 2, 1]
    assert verify(con) == []
    con.close()

    def fail(*_: object) -> str:
        raise RuntimeError

    with monkeypatch.context() as patched:
        patched.setattr(store_ledger, "content_digests", fail)
        with pytest.raises(RuntimeError):
            small_delivery.store(path, c)
    assert small_delivery.ask(path, "SELECT count(*) FROM delivered.receipt") == [(3,)]
    reviewed_store.tamper(tmp_path, OLD_STORE)
    assert ledger(tmp_path)[0].startswith("The ledger is empty")
    small_delivery.store(path, c)
    text, problems = ledger(tmp_path)
    assert problems == []
    assert "the ledger begins; 3 deliveries came before it" in text


def test_every_column_is_described() -> None:
    models = {name: model.to_schema() for name, model in FOLLOWUP_OUTPUTS.items()}
    for name, schema in {**FOLLOWUP_TABLES, **models}.items():
        assert schema.description or FOLLOWUP_OUTPUTS[name].__doc__, name
        for column, field in schema.columns.items():
            assert field.description, f"{name}.{column}"
