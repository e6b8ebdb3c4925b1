"""What others on the machine may read: nothing, unless it is handed over or a group is let in."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.handover import write_out
from pipeline.store import owners
from pipeline.store.database import open_scratch, open_store
from tests.acceptance.command_runs import Run, verdicts_alone

pytestmark = pytest.mark.skipif(os.name != "posix", reason="permissions are kept elsewhere here")


@pytest.fixture(params=[0o000])
def umask(request: pytest.FixtureRequest) -> Iterator[int]:
    before = os.umask(request.param)
    yield request.param
    assert os.umask(before) == request.param, "a command leaves the umask as it was"


@pytest.fixture(scope="module")
def delivery(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from pipeline.simulate import simulate

    folder = tmp_path_factory.mktemp("few") / "delivery"
    simulate(folder, trips=12, months=2, seed=7)
    return folder


@pytest.fixture
def run_(run: Run) -> Iterator[Run]:
    with verdicts_alone():
        yield run


def modes(folder: Path) -> dict[str, int]:
    """Every file and folder below, with what is set of its nine bits."""
    found = [folder, *folder.rglob("*")]
    return {str(p.relative_to(folder)): stat.S_IMODE(p.lstat().st_mode) for p in found}


def open_to_others(folder: Path, bits: int = 0o077) -> list[str]:
    return [name for name, mode in modes(folder).items() if mode & bits]


def test_all_but_what_is_handed_over_is_its_owners_and_is_closed_where_it_was_made_open(
    run_: Run, delivery: Path, umask: int
) -> None:
    """A group is let in where it is told, also into what is not drawn again."""
    into = Path("tailrace-out")
    assert run_("review", delivery, "--edition", "shared").code == 0
    found = modes(into)
    kept = {name: mode for name, mode in found.items() if not name.startswith("shared")}
    assert len(kept) > 20
    assert {name: oct(mode) for name, mode in kept.items() if mode & 0o077} == {}
    shared = {name: mode for name, mode in found.items() if name.startswith("shared")}
    assert len(shared) > 10
    whole = {name: 0o777 if (into / name).is_dir() else 0o666 for name in shared}
    assert shared == whole, "what is handed over follows the umask"
    for name in kept:
        (into / name).chmod(0o777 if (into / name).is_dir() else 0o666)
    for nothing_changed in (False, True):
        assert run_("review", delivery).code == 0
        assert open_to_others(into / "2026-02") == [], nothing_changed
        assert open_to_others(into / "sheets") == []
        assert modes(into)["store.duckdb"] == 0o600
        assert modes(into)["."] == 0o777, "the folder itself may be anybody's"
        next((into / "2026-02" / "data").iterdir()).chmod(0o666)
    into.chmod(0o700)
    assert run_("review", delivery, "--readable-by-group").code == 0
    found = {name: mode for name, mode in modes(into).items() if name not in shared}
    assert {name: oct(m) for name, m in found.items() if not m & 0o040 or m & 0o027} == {}
    assert {oct(m) for name, m in found.items() if (into / name).is_dir()} == {"0o750"}
    run_("ledger")
    run_("publish", "2026-02", "--anyway")
    assert modes(into)["store.duckdb"] == 0o640, "what was given to the group stays with it"


@pytest.mark.parametrize("closed", [0o002, 0o027, 0o077])
def test_a_file_handed_over_follows_the_umask_and_one_kept_does_not(
    tmp_path: Path, closed: int
) -> None:
    before = os.umask(closed)
    try:
        with owners.private():
            write_out(tmp_path / "pack.html", b"x", handed_over=True)
            write_out(tmp_path / "kept.html", b"x")
            owners.allow(group=True)
            write_out(tmp_path / "team.html", b"x")
    finally:
        assert os.umask(before) == closed
    found = modes(tmp_path)
    assert (found["pack.html"], found["kept.html"], found["team.html"]) == (
        0o666 & ~closed, 0o600, 0o640,
    )  # fmt: skip


def test_what_is_spilt_and_a_scratch_folder_are_the_owners(tmp_path: Path, umask: int) -> None:
    with owners.private():
        con = open_store(tmp_path / "s" / "store.duckdb", memory_limit="60MB", threads=1)
        con.execute("create temp table t as select random() as r, i from range(3000000) s(i)")
        con.execute("create temp table u as from t order by r")
        spilt = tmp_path / "s" / "store.duckdb.tmp"
        assert list(spilt.iterdir()), "nothing was spilt"
        assert open_to_others(tmp_path / "s") == []
        con.close()
        with open_scratch() as scratch:
            (folder,) = scratch.execute("select current_setting('temp_directory')").fetchall()[0]
            assert modes(Path(folder))["."] == 0o700


def test_a_mapped_delivery_and_its_list_of_problems(run_: Run, tmp_path: Path, umask: int) -> None:
    from tests.mapping import small_source as mapping

    folder = mapping.source(tmp_path / "own")
    ran = run_("map", folder, "--to", "made", "--problems", "list.csv")
    assert ran.code in (0, 4), ran
    assert open_to_others(Path("made")) == []
    assert modes(Path("list.csv"))["."] == 0o600
    again = run_("map", folder, "--to", "team", "--readable-by-group")
    assert again.code == ran.code
    assert open_to_others(Path("team"), 0o027) == []
    assert set(modes(Path("team")).values()) == {0o640, 0o750}
