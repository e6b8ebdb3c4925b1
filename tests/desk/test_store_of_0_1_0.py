"""A store that the program of version 0.1.0 itself wrote: it opens, verifies, shows, goes on.

`older/store-0.1.0.duckdb.xz` was made by the program as it stood at commit bd1bef6, the last of
version 0.1.0, on invented trips (`simulate --trips 40 --months 2 --seed 3`): `review`, `determine`
of the six answers below, `publish 2026-02`. The one thing not as that program does it: the chart
library that a publication keeps was one line of comment, or the file would hold nothing else.
That version shared no periods; `test_older_store.py` has one.
"""

from __future__ import annotations

import lzma
import re
from pathlib import Path

import pytest

from pipeline import review as steps
from pipeline.errors.mistakes import Refused
from pipeline.followup.ledger_words import ledger
from tests.deep import with_deep
from tests.followup.reviewed_store import answer as row
from tests.followup.reviewed_store import ask, read_back

from .visiting import Visit, opened

KEPT = Path(__file__).parent / "older" / "store-0.1.0.duckdb.xz"
MONTH = "2026-02"
SAID = {
    "T0000021": ("oxygen-titration", "holds: skill or knowledge"),
    "T0000023": ("wall-oxygen-time", "not documented"),
    "T0000032": ("wall-oxygen-time", "holds: reasonable care"),
    "T0000034": ("wall-oxygen-time", "does not hold"),
    "T0000036": ("flow-kept", "holds: protocol unclear"),
    "T0000039": ("wall-oxygen-time", "holds: equipment"),
}
"""What was answered, in the words of 0.1.0 practice, record_gap, justified, flag_wrong,
protocol_unclear and equipment; and what the desk shows."""


@pytest.fixture
def older(tmp_path: Path) -> Path:
    """A folder with that store."""
    folder = tmp_path / "pages"
    folder.mkdir()
    (folder / "store.duckdb").write_bytes(lzma.decompress(KEPT.read_bytes()))
    return folder


def test_it_verifies_and_the_desk_shows_its_answers_in_the_new_words(older: Path) -> None:
    lines, broken = ledger(older)
    assert broken == []
    here = Visit.of(opened(older), "R2")
    assert SAID.keys() == {trip for (trip,) in here.ask("SELECT trip_id FROM loop.determination")}
    for trip, (rule, said) in SAID.items():
        page = here.get(f"/case?trip={trip}")
        (finding,) = re.findall(rf'data-rule="{rule}">.*?</fieldset>', page, re.DOTALL)
        assert f"{said} <" in finding
    assert "Look at the gas changes." in here.text("/actions")
    assert "is published, by" in here.text(f"/publish?month={MONTH}")
    more, broken = ledger(older)
    assert broken == []
    assert more.splitlines()[: len(lines.splitlines()) - 1] == lines.splitlines()[:-1]


@with_deep
def test_it_goes_on_in_the_desk_and_is_published_again(older: Path) -> None:
    here = Visit.of(opened(older), "R2")
    trip = "T0000039"
    here.kept("/case", here.case(trip, _all="cannot_say", status="closed"))
    with pytest.raises(Refused) as refused:
        steps.publish(older, MONTH, "C1")
    assert {problem.code for problem in refused.value.problems} == {"not-read"}
    here.kept("/publish", {"month": MONTH, "sure": "yes"})
    assert here.ask("SELECT count(*) FROM loop.publication") == [(2,)]
    assert (older / MONTH / "index.html").is_file()
    assert ledger(older)[1] == []


@with_deep
def test_commands_go_on_with_it_without_the_desk(older: Path) -> None:
    trip, (rule, _) = next(iter(SAID.items()))
    assert read_back(older, [row(trip, rule, "cannot_say", status="open", reviewer="R2")]).stored
    steps.publish(older, MONTH, "C1", anyway=True)
    assert ask(older, "SELECT count(*) FROM loop.publication") == [(2,)]
    assert ledger(older)[1] == []
