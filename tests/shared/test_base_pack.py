"""A base's pack: drawn from the shared edition's tables, so nothing small is in it."""

from __future__ import annotations

import csv
import re
import shutil
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import Usage
from pipeline.followup.ledger_words import ledger
from pipeline.handover import check_base
from pipeline.sharing.act import share
from pipeline.store.database import open_store
from pipeline.store.ledger import Entry, entries
from reports.render.packs import base_pack
from schemas.shared_outputs import OTHER_BASES, SMALLEST_DISCLOSED
from tests.acceptance.command_runs import Run, refused
from tests.shared.editions import (
    World,
    bare_review,
    few_trips_are_enough,
    read_page,
    without_full_pages,
)
from tests.shared.test_files import OF

STATEMENT = "Peer-review record of an invented service: do not copy."


@pytest.fixture(scope="module")
def packs(by_half_year: World) -> dict[str, str]:
    """The pack of every base, by its token."""
    with (by_half_year.delivery / "trips.csv").open(encoding="utf-8", newline="") as file:
        bases = sorted({row["base"] for row in csv.DictReader(file)})
    month = by_half_year.months[-1]
    with closing(open_store(by_half_year.into / "store.duckdb", create=False)) as con:
        first = share(con, bare_review(con, month))
        safe, disclosed = first.safe, set(first.tables.bases["base"])
        assert disclosed - {OTHER_BASES}, "no base can be told: the test would hold nothing"
        again = share(con, bare_review(con, month)).safe
    found = {base: base_pack(safe, base) for base in bases}
    assert found == {base: base_pack(again, base) for base in bases}
    own = {base for base, html in found.items() if "This base</th>" in html}
    assert own == disclosed & set(bases)
    return found


def test_no_small_number_of_trips_stands_in_it(packs: dict[str, str], tmp_path: Path) -> None:
    seen = 0
    for html in packs.values():
        (tmp_path / "pack.html").write_text(html, encoding="utf-8")
        page = read_page(tmp_path / "pack.html")
        sentence = [n.replace(",", "") for text in page.text for n in OF.findall(text)]
        counts = [
            int(n) for n in [*sentence, *(c.replace(",", "") for c in page.numbers if c.isdigit())]
        ]
        assert counts
        assert [n for n in counts if 0 < n < SMALLEST_DISCLOSED] == []
        for part, whole in re.findall(r"(\d[\d,]*) of (\d[\d,]*)\s+trips? judged", html):
            few, all_of_them = int(part.replace(",", "")), int(whole.replace(",", ""))
            for number in (few, all_of_them, all_of_them - few):
                assert number == 0 or number > 10
            seen += 1
        for number in re.findall(r"(\d[\d,]*)\s+trips? of this base", html):
            assert int(number.replace(",", "")) > 10
    assert seen


def test_it_names_no_trip_and_nobody_and_runs_nothing(
    packs: dict[str, str], by_half_year: World
) -> None:
    tokens = set()
    for table, column in (("trips", "trip_id"), ("crew", "crew_member"),
                          ("trips", "ventilator_unit")):  # fmt: skip
        with (by_half_year.delivery / f"{table}.csv").open(encoding="utf-8", newline="") as file:
            tokens |= {row[column] for row in csv.DictReader(file) if row[column]}
    assert tokens
    for html in packs.values():
        within = [token for token in tokens if token in html]
        assert not [token for token in within if re.search(rf"\b{re.escape(token)}\b", html)]
        assert "<script" not in html
        assert 'href="http' not in html


@pytest.mark.parametrize(("audience", "base"), [("base", None), ("committee", "alder")])
def test_a_base_is_named_for_a_base_alone(audience: str, base: str | None) -> None:
    with pytest.raises(Usage, match="--for base --base TOKEN"):
        check_base(audience, base)


def test_a_base_that_is_not_told_reads_why_and_the_whole_service(packs: dict[str, str]) -> None:
    pooled = [html for html in packs.values() if "This base</th>" not in html]
    assert pooled, "every base is told: the test would hold nothing"
    for html in pooled:
        assert "too small to hand over by themselves" in html
        assert "Not every rule kept</th>" in html
        assert "trips of this base" not in html
        assert 'id="rates"' in html


def test_the_services_statement_survives_and_runs_under_every_page(by_half_year: World) -> None:
    """A table's foot is printed under each page; the other packs' printing is tested so."""
    with closing(open_store(by_half_year.into / "store.duckdb", create=False)) as con:
        stated = replace(bare_review(con, by_half_year.months[-1]), confidentiality=STATEMENT)
        html = base_pack(share(con, stated).safe, "alder")
    foot = html[html.index("<tfoot") : html.index("</tfoot>")]
    assert STATEMENT in foot


@pytest.fixture
def folder(by_half_year: World, tmp_path: Path) -> Path:
    """Pages and a store from which nothing was handed over yet."""
    into = tmp_path / "pages"
    (into / by_half_year.months[-1]).mkdir(parents=True)
    (into / by_half_year.months[-1] / "index.html").write_text("a page", encoding="utf-8")
    shutil.copy(by_half_year.into / "store.duckdb", into)
    with closing(open_store(into / "store.duckdb", create=False)) as con:
        con.execute("DELETE FROM loop.shared_period")
        con.execute("DELETE FROM loop.ledger WHERE what = 'shared'")
    return into


def kept(into: Path) -> tuple[list[Any], list[Entry]]:
    """The periods that were handed over, and the ledger's entries of it."""
    with closing(open_store(into / "store.duckdb", create=False)) as con:
        periods = con.execute("FROM loop.shared_period ORDER BY ALL").fetchall()
        return periods, [entry for entry in entries(con) if entry.what == "shared"]


def test_a_bases_pack_is_a_preview_until_it_is_handed_over(
    run: Run, by_half_year: World, packs: dict[str, str], folder: Path
) -> None:
    month = by_half_year.months[-1]
    base = next(base for base, html in packs.items() if "This base</th>" in html)
    asked = ("pack", month, "--for", "base", "--base", base, "--into", folder)
    preview = folder / month / f"preview-pack-base-{base}.html"
    written = folder / month / f"pack-base-{base}.html"
    with few_trips_are_enough(), without_full_pages():
        ran = run(*asked)
        assert (ran.code, ran.err) == (0, "")
        assert "nothing is handed over yet" in ran.out
        assert "Would be told for the first time, and for good: 2026-01 to 2026-06." in ran.out
        assert "--hand-over" in ran.out
        assert "Not handed over" in preview.read_text(encoding="utf-8")
        assert not written.exists()
        assert kept(folder) == ([], [])
        ran = run(*asked, "--hand-over", "--by", "Q7")
        assert (ran.code, ran.err) == (0, "")
        assert f"Handed over to base {base}" in ran.out
        assert "Told for the first time, and for good: 2026-01 to 2026-06." in ran.out
        disclosed, (entry,) = kept(folder)
        ran = run(*asked, "--to", "again.html", "--hand-over")
        assert "Told again, as first shared: 2026-01 to 2026-06." in ran.out
    assert len(disclosed) == 1
    assert (entry.parsed["by"], entry.parsed["base"]) == ("Q7", base)
    assert list(entry.parsed["periods"]) == ["2026-01 to 2026-06"]
    html = written.read_text(encoding="utf-8")
    assert "This base</th>" in html
    assert "Not handed over" not in html
    assert Path("again.html").read_text(encoding="utf-8") == html
    sentence, _ = ledger(folder)
    assert f"pack of base {base} of {month} handed over, for the first time 2026-01" in sentence


def test_what_could_not_be_written_was_not_handed_over(
    run: Run, by_half_year: World, packs: dict[str, str], folder: Path
) -> None:
    asked = ("pack", by_half_year.months[-1], "--for", "base", "--base", next(iter(packs)))
    with few_trips_are_enough(), without_full_pages():
        ran = run(*asked, "--into", folder, "--hand-over", "--to", "no/such/folder/pack.html")
    refused(ran, 2, "this file cannot be written")
    assert kept(folder) == ([], [])


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["--for", "base", "--base", "no-such"], '"no-such" is no base'),
        (["--for", "base", "--base", "no-such", "--hand-over"], '"no-such" is no base'),
        (["--for", "committee", "--hand-over"], "only a base's pack is handed over"),
        (["--for", "base", "--base", "alder", "--by", "Q7"], "only a hand-over is entered"),
        (["--for", "base", "--base", "alder", "--hand-over", "--by", ""], "must be a token"),
    ],
)
def test_a_pack_that_cannot_be_handed_over_is_refused(
    run: Run, by_half_year: World, folder: Path, arguments: list[str], sentence: str
) -> None:
    refused(run("pack", by_half_year.months[-1], *arguments, "--into", folder), 2, sentence)
    assert kept(folder) == ([], [])
