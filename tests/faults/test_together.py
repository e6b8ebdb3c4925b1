"""Two and three processes at once: each success is in the store, each failure a sentence."""

from __future__ import annotations

from pathlib import Path

from pipeline.followup.ledger_words import ledger
from tests.deep import with_deep
from tests.faults import commands, world
from tests.faults.world import World
from tests.followup import reviewed_store


@with_deep
def test_a_first_review_and_another_service_month_begun_together(
    made: World, tmp_path: Path
) -> None:
    """Without a store yet, two deliveries: both that report success are there."""
    into = tmp_path / "into"
    ends = commands.together(
        ["review", made.top / "delivery", "--into", into],
        ["review", made.top / "replaced", "--into", into],
    )
    assert all(end.code in (0, 3) and "Traceback" not in end.err for end in ends), ends
    assert all("is using this store" in end.err for end in ends if end.code == 3)
    succeeded = sum(end.fine for end in ends)
    assert succeeded >= 1
    assert reviewed_store.ask(into, "select count(*) from delivered.delivery") == [(succeeded,)]
    assert world.dangling(into) == []
    assert ledger(into)[1] == []


def test_sheets_of_three_kinds_read_together_are_all_there(made: World, tmp_path: Path) -> None:
    into = made.prepare("determine", tmp_path / "into")
    operations = made.operations(into)
    names = ("determine", "correct", "retrained")
    ends = commands.together(*(operations[name] for name in names))
    assert any(end.fine for end in ends)
    for end, table in zip(ends, ("determination", "correction", "retraining"), strict=True):
        # one that waited in vain says who held the store, and has stored nothing
        assert end.code == 0 or (end.code == 3 and "is using this store" in end.err), end
        assert reviewed_store.ask(into, f"select count(*) from loop.{table}") == [(int(end.fine),)]
    assert ledger(into)[1] == []


def test_two_mappings_into_one_folder_and_with_one_crosswalk(made: World, tmp_path: Path) -> None:
    from tests.mapping import small_source as mapping

    into = made.prepare("map", tmp_path / "into")
    twice = commands.together(*[made.operations(into)["map"]] * 2)
    assert sorted(end.code for end in twice) == [0, 2], twice
    assert sorted(p.name for p in into.iterdir()) == ["made"]
    assert (into / "made" / "export.toml").is_file()
    keys = tmp_path / "keys"
    keys.mkdir()
    assert commands.run("map", "--new-key", keys / "key").code == 0
    folders = []
    for number in range(3):
        trips = f"case,month,site,kind,kg,dx\nN{number},2026-03,b1,ground,8.4,croup\n"
        stated = '[tokens]\nkey_file = "../keys/key"\ncrosswalk = "../keys/crosswalk.csv"\n'
        folder = mapping.source(tmp_path / f"own-{number}", {"trips.csv": trips}, tokens=stated)
        text = (folder / "mapping.toml").read_text()
        hashed = text.replace('trip_id = "case"', 'trip_id = { from = "case", token = "trip" }')
        (folder / "mapping.toml").write_text(hashed)
        folders.append(folder)
    ends = commands.together(*(["map", f, "--to", f"{f}-made"] for f in folders))
    assert [end.code for end in ends] == [0, 0, 0], ends
    assert len((keys / "crosswalk.csv").read_text().splitlines()) == 4
