"""Whatever changes, a review gives what one gives that has nothing kept: byte for byte.

Each test takes the folder as the last review of the test before left it.
"""

from __future__ import annotations

import csv
import shutil
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import duckdb
import pytest

import reports
from pipeline import kept_month
from pipeline.followup.by_hand import add
from pipeline.followup.correct import correct
from pipeline.followup.determine import determine
from pipeline.followup.retraining import retrained
from pipeline.handover import packed_month
from pipeline.measures.registry import MEASURES
from pipeline.review import publish, review
from pipeline.store import kept_results
from reports.charts.static_rendering import svg
from reports.render.packs import pack
from reports.render.pictures import WIDTH, pictures, sheet
from tests.deep import examples, with_deep

from . import small_delivery

pytestmark = pytest.mark.usefixtures("without_screen")


MONTH = "2026-02"
MORE = {
    "trips": "T4,2026-02,b2,ground,croup,4.1,3,5000\nT5,2026-02,b1,ground,asthma,9,14,7000\n",
    "settings": "T4,0,high_flow,wall,6,0.5,heated,prong-2,start\n"
    "T5,0,high_flow,wall,6,0.5,heated,prong-2,start\n"
    "T5,4800,,ventilator,,,,,\n",
    "observations": "T4,0,95,44\n",
    "crew": "T4,c1,nurse\n",
}
"""Trips of the month under review: more than an hour on wall oxygen, so that there are cases."""

LATER = """
[[version]]
id = "2026.2"
from_month = "2026-02"
carry_forward_min = { flow_lpm = 30, fio2 = 30 }

[version.rules.wall-oxygen-time]
limit_min = 40
severity = "high"
text = "Undiluted oxygen for no more than forty minutes."
source = "local protocol"
"""

LARGER = small_delivery.CANNULAS.replace("prong-2", "prong-3").replace("prong 2", "prong 3")
EXPECTED = "\ntrip_id,service_month,base\nT3,2026-02,b2\nT9,2026-02,b2\n"


@dataclass
class World:
    """A store that is reviewed again and again, and the files of the next delivery."""

    folder: Path
    files: dict[str, str]
    options: dict[str, object] = field(default_factory=dict)

    @property
    def into(self) -> Path:
        return self.folder / "pages"

    def deliver(self) -> Path:
        made = self.folder / "delivery"
        shutil.rmtree(made, ignore_errors=True)
        small_delivery.write(made, **{n: t for n, t in self.files.items() if n != "expected"})
        if "expected" in self.files:
            (made / "expected.csv").write_text(self.files["expected"], encoding="utf-8")
        return made

    def edit(self, name: str, old: str, new: str) -> None:
        assert old in self.files[name]
        self.files[name] = self.files[name].replace(old, new, 1)

    def sheet(self, **cells: str) -> Path:
        path = self.folder / "sheet.csv"
        with path.open("w", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows([cells.keys(), cells.values()])
        return path

    def reviewed(self, into: Path | None = None) -> dict[str, bytes]:
        review(self.deliver(), into or self.into, month=MONTH, **self.options)  # type: ignore[arg-type]
        return written(into or self.into)


def written(into: Path) -> dict[str, bytes]:
    """Every file of the month, its workbook and the assets, by name."""
    drawn = [path for part in (MONTH, "assets") for path in sorted((into / part).rglob("*"))]
    return {
        path.relative_to(into).as_posix(): path.read_bytes()
        for path in [*drawn, *sorted((into / "sheets").glob(f"{MONTH}*"))]
        if path.is_file()
    }


def from_nothing(world: World) -> dict[str, bytes]:
    """What a review gives in a copy of the store without what is kept, judged and drawn."""
    copy = world.folder / "copy"
    shutil.rmtree(copy, ignore_errors=True)
    shutil.copytree(world.into, copy)
    for drawn in (MONTH, "sheets", "assets"):
        shutil.rmtree(copy / drawn)
    with duckdb.connect(str(copy / "store.duckdb")) as con:
        con.execute("DROP SCHEMA kept CASCADE; DROP SCHEMA judged CASCADE")
    return world.reviewed(copy)


def table(name: str, old: str, new: str) -> Callable[[World], None]:
    return lambda world: world.edit(name, old, new)


def answered(world: World) -> None:
    determine(
        world.sheet(trip_id="T4", rules="wall-oxygen-time", conclusion="practice", status="open",
                    reviewer="R1", refer_to="", action="talk", due_month="2026-04", note=""),
        world.into,
    )  # fmt: skip


def answer(world: World, action: str) -> None:
    determine(
        world.sheet(trip_id="T5", rules="wall-oxygen-time", conclusion="equipment", status="open",
                    reviewer="R2", refer_to="", action=action, due_month="2026-05", note=""),
        world.into,
    )  # fmt: skip


def corrected(world: World) -> None:
    correct(
        world.sheet(trip_id="T4", table="trips", at_s="", column="weight_kg", value="4.6",
                    reason="misread", by="R1"),
        world.into,
    )  # fmt: skip


def held(world: World) -> None:
    retrained(
        world.sheet(base="b2", crew_member="", month="2026-01", rule="wall-oxygen-time",
                    withdrawn=""),
        world.into,
    )  # fmt: skip


def published(world: World) -> None:
    publish(world.into, MONTH, anyway=True)


def other_month(world: World) -> None:
    review(world.deliver(), world.into, month="2026-01")


def baseline(world: World) -> None:
    world.options["baseline"] = True


def by_hand(world: World) -> None:
    page = world.into / MONTH / "index.html"
    page.write_bytes(page.read_bytes() + b"<!-- mine -->")


def taken_away(world: World) -> None:
    (world.into / MONTH / "data" / "verdicts.csv").unlink()


def added(world: World) -> None:
    add(world.into, "T3", "told of at the meeting", "R1")


SEEN = {
    "trips": table("trips", "T4,2026-02,b2,ground,croup", "T4,2026-02,b2,rotor,croup"),
    "crew": table("crew", "T4,c1,nurse", "T4,c1,physician"),
    "settings": table("settings", "T4,0,high_flow,wall,6,0.5", "T4,0,high_flow,wall,7,0.5"),
    "device_events": table("device_events", "51.5,8", "52.5,8"),
    "observations": table("observations", "T4,0,95,44", "T4,0,94,44"),
    "contacts": table("contacts", "007,300", "T5,300"),
    "training": table("training", "2026-02,b1", "2026-01,b1"),
    "expected": lambda world: world.files.update(expected=EXPECTED[1:]),
    "a late trip": table("trips", "T2,2026-01", "T8,2026-01,b1,ground,croup,5,4,4000\nT2,2026-01"),
    "export.toml": table("export", "2026-01 = 3", "2026-01 = 9"),
    "protocol.toml": lambda world: world.edit("protocol", "[[version]]", f"{LATER}[[version]]"),
    "cannulas.toml": lambda world: world.files.update(cannulas=small_delivery.CANNULAS + LARGER),
    "a determination": answered,
    "a correction": corrected,
    "a retraining": held,
    "a trip added by hand": added,
    "a publication": published,
    "another month's pages": other_month,
}
"""What there is to change; each on top of those before it, and each shows somewhere."""


def no_workbook(world: World) -> None:
    (world.into / "sheets" / f"{MONTH}.xlsx").unlink()


def no_style(world: World) -> None:
    next((world.into / "assets").glob("*.css")).unlink()


def all_of_it(world: World) -> None:
    by_hand(world)
    taken_away(world)
    no_style(world)


def neither(world: World) -> None:
    taken_away(world)
    no_workbook(world)


STANDING: dict[str, Callable[[World], None]] = {
    "everything": lambda _: None,
    "not a data file": taken_away,
    "not the workbook": no_workbook,
    "another month's facts": other_month,
    "neither a data file nor the workbook": neither,
}
"""What of the last review may still be there when somebody has answered."""
STANDING_IN_SHORT = ("neither a data file nor the workbook",)

MENDED = {
    "a page changed by hand": by_hand,
    "a data file taken away": taken_away,
    "the style sheet taken away": no_style,
    "all of it": all_of_it,
}
MENDED_IN_SHORT = ("all of it",)


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> World:
    files = {name: text[1:] for name, text in small_delivery.TABLES.items()}
    files |= {name: text + MORE.get(name, "") for name, text in files.items()}
    files |= {"export": small_delivery.EXPORT, "protocol": small_delivery.PROTOCOL}
    made = World(tmp_path_factory.mktemp("world"), {**files, "cannulas": small_delivery.CANNULAS})
    made.reviewed()
    return made


# else the tests below have an answer, and a table and the protocol changed together, and
# `tests/followup/test_publish.py` looks at pages after a publication
@with_deep
@pytest.mark.parametrize("change", list(SEEN)[: examples(1, len(SEEN))])
def test_a_change_is_seen(world: World, change: str) -> None:
    before = written(world.into)
    SEEN[change](world)
    nothing_kept = from_nothing(world)
    assert world.reviewed() == nothing_kept
    assert nothing_kept != before


@pytest.mark.parametrize("stands", STANDING if examples(0, 1) else STANDING_IN_SHORT)
def test_an_answer_is_seen_whatever_stands_of_the_last_review(
    world: World, stands: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And the next one has nothing made again that it does not change."""

    def made(*_: object) -> None:
        raise AssertionError("facts of the records were made once more")

    before = written(world.into)
    STANDING[stands](world)
    answer(world, f"look, {stands}")
    nothing_kept = from_nothing(world)
    assert world.reviewed() == nothing_kept != before
    answer(world, f"look at nothing else, {stands}")
    monkeypatch.setattr(kept_month, "_records_made", made)
    assert world.reviewed() != nothing_kept


@pytest.mark.parametrize("change", MENDED if examples(0, 1) else MENDED_IN_SHORT)
def test_what_was_done_to_the_folder_is_mended(world: World, change: str) -> None:
    before = written(world.into)
    MENDED[change](world)
    assert written(world.into) != before
    assert world.reviewed() == before


def test_where_nothing_changed_nothing_is_drawn(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    def drawn(*_: object) -> Path:
        raise AssertionError("pages were drawn once more")

    before = written(world.into)
    inodes = {p: p.stat().st_ino for p in world.into.rglob("*") if p.is_file()}
    monkeypatch.setattr(reports, "write_pages", drawn)
    assert world.reviewed() == before
    assert {p: p.stat().st_ino for p in inodes} == inodes


def test_a_pack_and_a_picture_show_what_was_said_since_the_pages_were_drawn(world: World) -> None:
    """Drawn from the store as it is, not as it was at the last review; and so once more."""
    before = handed(world.into)
    determine(
        world.sheet(trip_id="T5", rules="wall-oxygen-time", conclusion="practice", status="open",
                    reviewer="R3", refer_to="", action="look", due_month="2026-03", note=""),
        world.into,
    )  # fmt: skip
    copy = world.folder / "copy"
    shutil.rmtree(copy, ignore_errors=True)
    shutil.copytree(world.into, copy)
    with duckdb.connect(str(copy / "store.duckdb")) as con:
        con.execute("DROP SCHEMA kept CASCADE; DROP SCHEMA judged CASCADE")
    nothing_kept = handed(copy)
    assert handed(world.into) == nothing_kept != before
    assert handed(world.into) == nothing_kept


def handed(into: Path) -> list[str]:
    """Packs and pictures of the month, with `--deep` every one, as the store has it now."""
    months = {who: packed_month(into, MONTH, who) for who in ("director", "committee")}
    packs = [pack(month, who) for who, month in months.items()]
    measures = [*MEASURES][:: examples(8, 1)]
    drawn = [way for measure in measures for way in pictures(months["director"], measure).values()]
    return [*packs, *(svg(sheet(draw()), WIDTH) for draw in drawn)]


# else the tests above have what is not made again
@with_deep
def test_one_determination_draws_no_page_again_that_does_not_show_it(world: World) -> None:
    world.reviewed()
    cases = sorted((world.into / MONTH / "cases").iterdir())
    before = {path: path.stat().st_ino for path in cases}
    (world.folder / "sheet.csv").write_text(
        "trip_id,rules,conclusion,status,reviewer,refer_to,action,due_month,note\n"
        "T5,wall-oxygen-time,logistics,closed,R2,,,,\n",
        encoding="utf-8",
    )
    determine(world.folder / "sheet.csv", world.into)
    world.reviewed()
    again = {path for path, inode in before.items() if path.stat().st_ino != inode}
    assert len(again) < len(cases)


def test_a_kill_while_pages_are_drawn_leaves_no_half_kept_result(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    def killed(*_: object) -> Path:
        raise KeyboardInterrupt

    before = written(world.into)
    world.edit("trips", "T5,2026-02,b1,ground,asthma,9", "T5,2026-02,b1,ground,asthma,10")
    if "2026.2" not in world.files["protocol"]:
        SEEN["protocol.toml"](world)
    with monkeypatch.context() as patched:
        patched.setattr(reports, "write_pages", killed)
        with pytest.raises(KeyboardInterrupt):
            world.reviewed()
    nothing_kept = from_nothing(world)
    assert world.reviewed() == nothing_kept != before


def test_another_program_uses_nothing_of_what_this_one_kept(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The last of the tests: what it leaves is of no program that the others know."""
    before = written(world.into)
    monkeypatch.setattr("pipeline.kept_month.tool_version", lambda: "99.0")
    monkeypatch.setattr(kept_results, "program", lambda: "another")
    nothing_kept = from_nothing(world)
    assert world.reviewed() == nothing_kept != before
