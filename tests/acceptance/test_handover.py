"""Packs and pictures by the command line: what they write, and what they refuse."""

from __future__ import annotations

import re
import shutil
from contextlib import closing
from pathlib import Path

import pytest

from pipeline.store.database import open_store
from tests.acceptance.command_runs import Run, refused
from tests.followup.reviewed_store import MONTH, answer, flagged, read_back

pytestmark = pytest.mark.usefixtures("without_screen")


@pytest.fixture(scope="module")
def folder(judged_store: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A judged store whose second month has a page, and an action whose text names its trip."""
    into = tmp_path_factory.mktemp("outside") / "pages"
    (into / MONTH).mkdir(parents=True)
    (into / MONTH / "index.html").write_text("a page", encoding="utf-8")
    shutil.copy(judged_store, into)
    trip, rule = flagged(into)[0]
    sentence = f"go through {trip} with reader R1 again"
    row = answer(trip, rule, "practice", status="open", refer_to="education", action=sentence)
    assert read_back(into, [row]).stored == 1
    return into


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["2026-03", "--for", "committee"], '"2026-03" has not been reviewed'),
        (["soon", "--for", "director"], '"soon" has not been reviewed'),
        ([MONTH, "--for", "visitors"], '"visitors" is no reader of a pack'),
        ([MONTH, "--for", "base"], "a base's pack needs the base"),
        ([MONTH, "--for", "committee", "--base", "alder"], "only a base's pack names a base"),
    ],
)
def test_a_pack_that_cannot_be_is_refused_in_a_sentence(
    run: Run, folder: Path, arguments: list[str], sentence: str
) -> None:
    refused(run("pack", *arguments, "--into", folder), 2, sentence)
    assert not list(folder.rglob("pack-*"))


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["nonsense", "--to", "x.svg"], '"nonsense" is no measure'),
        (["occlusion-rate", "--to", "x.gif"], '".gif" is no kind of picture'),
        (
            ["occlusion-rate", "--to", "x.svg", "--month", "2026-03"],
            '"2026-03" has not been reviewed',
        ),
    ],
)
def test_a_picture_that_cannot_be_is_refused_in_a_sentence(
    run: Run, folder: Path, arguments: list[str], sentence: str
) -> None:
    refused(run("picture", *arguments, "--into", folder), 2, sentence)
    assert not list(Path.cwd().iterdir())


def test_the_committees_pack_goes_where_it_is_sent_without_the_trip_an_action_names(
    run: Run, folder: Path
) -> None:
    trip, _ = flagged(folder)[0]
    ran = run("pack", MONTH, "--for", "committee", "--into", folder, "--to", "sent.html")
    assert (ran.code, ran.out.splitlines()[0]) == (0, "Wrote sent.html")
    assert "no confidentiality statement of your service" not in ran.out
    html = Path("sent.html").read_text(encoding="utf-8")
    assert "Peer-review record of heron-ridge, an invented service" in html
    assert "go through ... with reader ... again" in html
    assert not re.search(rf"\b{trip}\b|\bR1\b", html)
    assert not list(folder.rglob("pack-*"))


def test_a_picture_goes_where_it_is_sent(run: Run, folder: Path) -> None:
    ran = run("picture", "occlusion-rate", "--into", folder, "--to", "sent.svg")
    assert (ran.code, ran.out) == (0, "Wrote sent.svg\n")
    assert Path("sent.svg").read_bytes().startswith((b"<svg", b"<?xml"))


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["--for", "teaching"], "a case to teach with needs the trip"),
        (["--for", "committee", "--trip", "T1"], "only a case to teach with names a trip"),
        (["--for", "teaching", "--trip", "nobody"], '"nobody" is no case of'),
    ],
)
def test_a_case_to_teach_with_that_cannot_be_is_refused(
    run: Run, folder: Path, arguments: list[str], sentence: str
) -> None:
    refused(run("pack", MONTH, *arguments, "--into", folder), 2, sentence)
    assert not list(folder.rglob("pack-*"))


def test_a_case_to_teach_with_holds_neither_trip_nor_base(run: Run, folder: Path) -> None:
    trip, _ = flagged(folder)[0]
    ran = run(
        "pack", MONTH, "--for", "teaching", "--trip", trip, "--into", folder, "--to", "t.html"
    )
    assert ran.code == 0
    html = Path("t.html").read_text(encoding="utf-8")
    with closing(open_store(folder / "store.duckdb", create=False, read_only=True)) as con:
        row = con.execute(
            "SELECT base, ventilator_unit, heater_unit FROM delivered.trips WHERE trip_id = ?",
            [trip],
        ).fetchone()
    assert row is not None
    main = html[html.index("<main") : html.index("</main>")]
    assert not [token for token in (trip, *row) if token and token in main]
    assert "What was found" in main


def test_a_pack_without_the_services_statement_is_said_to_have_none(
    run: Run, folder: Path, tmp_path: Path
) -> None:
    into = tmp_path / "pages"
    shutil.copytree(folder, into)
    with closing(open_store(into / "store.duckdb", create=False)) as con:
        con.execute("UPDATE delivered.delivery SET confidentiality = NULL")
    ran = run("pack", MONTH, "--for", "committee", "--into", into, "--to", "sent.html")
    assert ran.code == 0
    assert "It carries no confidentiality statement of your service" in ran.out
