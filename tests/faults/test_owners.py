"""What others on the machine may read: nothing, unless it is handed over or a group is let in."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.store.database import open_store
from tests.acceptance.cli_kit import Run, data_alone

pytestmark = pytest.mark.skipif(os.name != "posix", reason="permissions are kept elsewhere here")


@pytest.fixture(params=[0o000, 0o022])
def umask(request: pytest.FixtureRequest) -> Iterator[int]:
    before = os.umask(request.param)
    yield request.param
    assert os.umask(before) == request.param, "a command leaves the umask as it was"


@pytest.fixture
def run_(run: Run) -> Iterator[Run]:
    with data_alone():
        yield run


def modes(folder: Path) -> dict[str, int]:
    """Every file and folder below, with what is set of its nine bits."""
    found = [folder, *folder.rglob("*")]
    return {str(p.relative_to(folder)): stat.S_IMODE(p.lstat().st_mode) for p in found}


def open_to_others(folder: Path, bits: int = 0o077) -> list[str]:
    return [name for name, mode in modes(folder).items() if mode & bits]


def test_all_is_for_the_owner_alone(run_: Run, clean_delivery: Path, umask: int) -> None:
    assert run_("review", clean_delivery).code == 0
    assert run_("pack", "2026-02", "--for", "director").code == 2, "no page was drawn"
    assert len(modes(Path("tailrace-out"))) > 20
    assert open_to_others(Path("tailrace-out")) == []


def test_a_store_made_open_before_is_closed(run_: Run, clean_delivery: Path) -> None:
    into = Path("tailrace-out")
    run_("review", clean_delivery)
    for name in modes(into):
        (into / name).chmod(0o777 if (into / name).is_dir() else 0o666)
    assert run_("review", clean_delivery).code == 0
    assert open_to_others(into / "2026-02") == []
    assert open_to_others(into / "sheets") == []
    assert modes(into)["store.duckdb"] == 0o600
    assert modes(into)["."] == 0o777, "the folder itself may be anybody's"


def test_a_group_is_let_in_where_it_is_told(run_: Run, clean_delivery: Path, umask: int) -> None:
    into = Path("tailrace-out")
    run_("review", clean_delivery)
    assert run_("review", clean_delivery, "--readable-by-group").code == 0
    found = modes(into)
    assert all(mode & 0o050 in (0o050, 0o040) for mode in found.values()), found
    assert open_to_others(into, 0o027) == [], "nobody else, and nobody may write"
    run_("publish", "2026-02")
    assert modes(into)["store.duckdb"] == 0o640, "what was given to the group stays with it"


def test_what_is_handed_over_follows_the_umask(run_: Run, clean_delivery: Path, umask: int) -> None:
    assert run_("review", clean_delivery, "--edition", "shared").code == 0
    edition = modes(Path("tailrace-out/shared"))
    assert len(edition) > 10
    for name, mode in edition.items():
        whole = 0o777 if (Path("tailrace-out/shared") / name).is_dir() else 0o666
        assert mode == whole & ~umask, name


def test_what_is_spilt_and_a_scratch_folder_are_the_owners(tmp_path: Path, umask: int) -> None:
    from pipeline.store import owners
    from pipeline.store.database import open_scratch

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
            assert modes(Path(folder).parent)["."] == 0o700


def test_a_mapped_delivery_and_its_list_of_problems(
    run_: Run, clean_delivery: Path, tmp_path: Path, umask: int
) -> None:
    from tests.mapping import kit as mapping

    folder = mapping.source(tmp_path / "own")
    ran = run_("map", folder, "--to", "made", "--problems", "list.csv")
    assert ran.code in (0, 4), ran
    assert open_to_others(Path("made")) == []
    assert modes(Path("list.csv"))["."] == 0o600
    again = run_("map", folder, "--to", "team", "--readable-by-group")
    assert again.code == ran.code
    assert open_to_others(Path("team"), 0o027) == []
    assert set(modes(Path("team")).values()) == {0o640, 0o750}
