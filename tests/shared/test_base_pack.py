"""A base's pack: drawn from the shared edition's tables, so nothing small is in it."""

from __future__ import annotations

import csv
import re
from contextlib import closing

import pytest

from pipeline.errors import Usage
from pipeline.outside import check_base
from pipeline.sharing.edition import share
from pipeline.store import open_store
from reports.packs import base_pack
from schemas.shared_outputs import OTHER_BASES
from tests.shared.kit import World, bare_review


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


def test_no_small_number_of_trips_stands_in_it(packs: dict[str, str]) -> None:
    seen = 0
    for html in packs.values():
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
