"""A base's pack: drawn from the shared edition's tables, so nothing small is in it."""

from __future__ import annotations

import csv
import re
import shutil
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.errors import Usage
from pipeline.handover import check_base
from pipeline.sharing.edition import share
from pipeline.store.database import open_store
from reports.render.packs import base_pack
from schemas.shared_outputs import OTHER_BASES, SMALLEST_TOLD
from tests.acceptance.cli_kit import Run, refused
from tests.shared.kit import (
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
        safe = share(con, bare_review(con, month))
        assert safe.shared is not None
        told = set(safe.shared.bases["base"])
        assert told - {OTHER_BASES}, "no base can be told: the test would hold nothing"
        again = share(con, bare_review(con, month))
    found = {base: base_pack(safe, base) for base in bases}
    assert found == {base: base_pack(again, base) for base in bases}
    own = {base for base, html in found.items() if "This base</th>" in html}
    assert own == told & set(bases)
    return found


def test_no_small_number_of_trips_stands_in_it(packs: dict[str, str], tmp_path: Path) -> None:
    seen = 0
    for html in packs.values():
        (tmp_path / "pack.html").write_text(html, encoding="utf-8")
        page = read_page(tmp_path / "pack.html")
        said = [n.replace(",", "") for text in page.text for n in OF.findall(text)]
        counts = [
            int(n) for n in [*said, *(c.replace(",", "") for c in page.numbers if c.isdigit())]
        ]
        assert counts
        assert [n for n in counts if 0 < n < SMALLEST_TOLD] == []
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
        assert not [token for token in tokens if re.search(rf"\b{re.escape(token)}\b", html)]
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
        html = base_pack(share(con, stated), "alder")
    foot = html[html.index("<tfoot") : html.index("</tfoot>")]
    assert STATEMENT in foot


def test_the_command_writes_a_bases_pack_the_same_twice_and_refuses_an_unknown_base(
    run: Run, by_half_year: World, packs: dict[str, str], tmp_path: Path
) -> None:
    month, into = by_half_year.months[-1], tmp_path / "pages"
    (into / month).mkdir(parents=True)
    (into / month / "index.html").write_text("a page", encoding="utf-8")
    shutil.copy(by_half_year.into / "store.duckdb", into)
    base = next(base for base, html in packs.items() if "This base</th>" in html)
    written = into / month / f"pack-base-{base}.html"
    with few_trips_are_enough(), without_full_pages():
        for again in ([], ["--to", "again.html"]):
            ran = run("pack", month, "--for", "base", "--base", base, "--into", into, *again)
            assert (ran.code, ran.err) == (0, "")
        ran = run("pack", month, "--for", "base", "--base", "no-such", "--into", into)
    refused(ran, 2, '"no-such" is no base', base)
    assert written.read_bytes() == Path("again.html").read_bytes()
    assert "This base</th>" in written.read_text(encoding="utf-8")
