"""Every command with every rule, table, measure, page and audience, as typed, on a reviewed store.

What is asked of each: a documented exit code, no traceback, no warning on the screen, and words
that name what was asked for.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterable, Iterator
from itertools import product
from pathlib import Path

import pytest

from pipeline.cli.handover import AUDIENCES
from pipeline.cli.main import app
from pipeline.measures.registry import MEASURES
from pipeline.rules import all_rules
from pipeline.simulate import simulate
from schemas.contract import TABLES
from tests.deep import examples, with_deep
from tests.faults.typed import typed
from tests.followup import reviewed_store

pytestmark = pytest.mark.usefixtures("without_screen")
MONTHS = ("2026-01", "2026-02")[examples(1, 0) :]
BASES = ("alder", "birch", "nobody")
PAGES = ("index.html", "director.html", "education.html")
RULES = tuple(all_rules())


@pytest.fixture(scope="module")
def delivery(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("every") / "delivery"
    simulate(folder, trips=40, months=2, seed=7)
    return folder


@pytest.fixture(scope="module")
def reviewed(delivery: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the second month reviewed and shared, with `--deep` the first one, too."""
    into = tmp_path_factory.mktemp("reviewed") / "out"
    for month in MONTHS:
        more = ["--edition", "shared"] if month == MONTHS[-1] else []
        ended = typed("review", delivery, "--into", into, "--month", month, *more)
        assert ended.code == 0, ended
    return into


@pytest.mark.parametrize("rule", RULES)
def test_a_rule_is_explained(rule: str, delivery: Path) -> None:
    for more in ((), ("--protocol", delivery / "protocol.toml")):
        ended = typed("explain", rule, *more)
        assert (ended.code, ended.err) == (0, "")
        assert rule in ended.out


@pytest.mark.parametrize("rule", RULES)
def test_a_protocol_with_one_rule_alone_is_checked_and_reviewed(
    rule: str, delivery: Path, tmp_path: Path
) -> None:
    """Every rule by itself, with the parameters it has where none are given.

    A delivery is checked against every sixth, and with `--deep` against each.
    """
    text = (delivery / "protocol.toml").read_text(encoding="utf-8")
    head, *tables = re.split(r"(?m)^(?=\[version\.rules\.)", text)
    own = [table for table in tables if table.startswith(f"[version.rules.{rule}]")]
    alone = tmp_path / "protocol.toml"
    alone.write_text(head + (own or [f"[version.rules.{rule}]\nlimit_min = 5\n"])[0], "utf-8")
    ended = typed("protocol", "check", alone)
    assert (ended.code, ended.err) == (0, "")
    assert rule in ended.out
    compared = typed("protocol", "compare", alone, delivery / "protocol.toml")
    assert (compared.code, compared.err) == (0, "")
    if RULES.index(rule) % examples(6, 1) == 0:
        checked = typed("check", delivery, "--protocol", alone)
        assert (checked.code, checked.err) == (0, "")


SPOILT = ("missing", "empty", "header alone", "another's header")
OPTIONAL = {"training", "expected"}
"""Tables that a delivery may do without."""


def spoil(delivery: Path, tables: Iterable[str], spoilt: str) -> None:
    for table in tables:
        path = delivery / f"{table}.csv"
        header = path.read_text(encoding="utf-8").splitlines()[0] if path.exists() else "month,base"
        path.unlink(missing_ok=True)
        if spoilt != "missing":
            text = {"empty": "", "header alone": f"{header}\n", "another's header": "a,b\n1,2\n"}
            path.write_text(text[spoilt], encoding="utf-8")


@pytest.mark.parametrize("spoilt", SPOILT)
def test_tables_that_are_not_as_they_should_be(spoilt: str, delivery: Path, tmp_path: Path) -> None:
    """All of them at once: each is named."""
    copy = shutil.copytree(delivery, tmp_path / "copy")
    alone = spoilt == "header alone"
    spoil(copy, TABLES.keys() - {"trips"} if alone else TABLES, spoilt)
    ended = typed("check", copy)
    assert ended.code in ((0, 4) if alone else (3,)), ended
    wanted = set() if alone else TABLES.keys() - (OPTIONAL if spoilt == "missing" else set())
    assert {table for table in wanted if f"{table}.csv" not in ended.err} == set()
    if alone:
        spoil(copy, ["trips"], spoilt)
        assert typed("check", copy).code == 3, "a delivery without a trip"


# else all at once
@with_deep
@pytest.mark.parametrize("table", list(TABLES)[: examples(1, len(TABLES))])
@pytest.mark.parametrize("spoilt", SPOILT[: examples(1, 4)])
def test_a_table_that_is_not_as_it_should_be(
    table: str, spoilt: str, delivery: Path, tmp_path: Path
) -> None:
    copy = shutil.copytree(delivery, tmp_path / "copy")
    spoil(copy, [table], spoilt)
    ended = typed("check", copy)
    assert ended.code in (0, 3, 4), ended
    if ended.code == 3 or (spoilt in ("empty", "another's header")):
        assert ended.code == 3
        assert f"{table}.csv" in ended.err
    if table == "trips" and spoilt == "header alone":
        assert ended.code == 3, "a delivery without a trip"


@pytest.mark.parametrize("measure", MEASURES)
def test_a_measure_is_drawn_every_way_there_is_or_a_sentence_says_why_not(
    measure: str, reviewed: Path, tmp_path: Path
) -> None:
    for way in (None, "size", "month", "base"):
        by = () if way is None else ("--by", way)
        target = tmp_path / f"{way}.svg"
        ended = typed("picture", measure, "--to", target, *by, "--into", reviewed)
        assert ended.code in (0, 2), ended
        assert target.exists() == (ended.code == 0)
        if ended.code == 0:
            assert target.read_text(encoding="utf-8").lstrip().startswith("<")
        else:
            assert measure in ended.err, ended


@pytest.fixture(scope="module", autouse=True)
def gathered_once() -> Iterator[None]:
    """A month is gathered once for all pictures and packs of it; each is a command all the same."""
    from pipeline import handover

    gather, found = handover.reviewed_month, {}

    def once(folder: Path, month: str | None, *_: object) -> object:
        if (folder, month) not in found:
            found[folder, month] = gather(folder, month)
        return found[folder, month]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(handover, "reviewed_month", once)
        yield


PACKS = [*product([*MONTHS, "2031-01", "next"], [*AUDIENCES, "nobody"])]
WRONG = [("2031-01", "director"), ("next", "base")]
"""In short one audience for each month that is none."""


@pytest.mark.parametrize(
    ("month", "audience"),
    [pack for pack in PACKS if pack[0] in MONTHS or pack in WRONG or examples(0, 1)],
)
def test_a_pack_for_each_audience_and_month(
    audience: str, month: str, reviewed: Path, tmp_path: Path
) -> None:
    trips = reviewed_store.ask(reviewed, "select min(trip_id) from delivered.trips")[0]
    named = {"base": [("--base", base) for base in BASES],
             "teaching": [("--trip", trip) for trip in (*trips, "nobody")]}  # fmt: skip
    for place, more in enumerate(named.get(audience, [()])):
        target = tmp_path / f"{place}.html"
        ended = typed("pack", month, "--for", audience, "--to", target, "--into", reviewed, *more)
        wrong = month not in MONTHS or audience == "nobody"
        assert ended.code in ((2,) if wrong else (0, 2)), ended
        assert target.exists() == (ended.code == 0)
        if ended.code:
            assert ended.err.strip()
        else:
            assert "<script" not in target.read_text(encoding="utf-8")


@pytest.mark.parametrize("month", MONTHS)
@pytest.mark.parametrize("page", PAGES)
def test_a_page_is_there_and_whole(month: str, page: str, reviewed: Path) -> None:
    text = (reviewed / month / page).read_text(encoding="utf-8")
    assert text.rstrip().endswith("</html>")


def test_every_command_has_help_and_takes_no_unknown_option() -> None:
    names = [command.name or command.callback.__name__ for command in app.registered_commands]  # type: ignore[union-attr]
    assert len(names) >= 14
    for name in names:
        assert typed(name, "--help").code == 0
        assert typed(name, "--no-such-option").code == 2
