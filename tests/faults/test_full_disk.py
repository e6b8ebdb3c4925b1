"""A full disk: the exit code and the sentence say what is true of the store.

On a small file system in memory, filled up to some room; only root may mount one.
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.deep import examples, with_deep
from tests.faults import world
from tests.faults.commands import Ended
from tests.followup import reviewed_store
from tests.mapping import small_source

SIZE_MB = 64


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    where = tmp_path / "disk"
    where.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", f"size={SIZE_MB}m", "tmpfs", str(where)]
    if os.name != "posix" or subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("a file system in memory may not be mounted here")
    yield where
    subprocess.run(["umount", str(where)], check=True)


@pytest.fixture(scope="module")
def delivery(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from pipeline.simulate import simulate

    folder = tmp_path_factory.mktemp("few") / "delivery"
    simulate(folder, trips=12, months=2, seed=7)
    return folder


def leave_room(disk: Path, kib: int) -> None:
    filler = disk / "filler"
    filler.unlink(missing_ok=True)
    disk_errors = os.statvfs(disk)
    with filler.open("wb") as file:
        file.write(bytes(max(0, disk_errors.f_bavail * disk_errors.f_frsize - kib * 1024)))


def deliveries(into: Path) -> int:
    if not (into / "store.duckdb").exists():
        return 0
    (count,) = reviewed_store.ask(into, "select count(*) from delivered.receipt")[0]
    return int(count)


def check(ended: Ended, into: Path) -> None:
    """Hold the code to what is in the store."""
    assert "Traceback" not in ended.err
    if ended.code == 3:
        assert deliveries(into) == 0
        assert "no room" in ended.err
    else:
        assert ended.code == 5, ended
        assert deliveries(into) == 1
        assert "the delivery is stored, but not" in ended.err
        assert "run the same command again" in ended.err
        assert world.dangling(into) == []
        assert not (into / "2026-02").exists(), "a folder comes whole or not"


@with_deep
def test_a_month_by_itself(disk: Path, delivery: Path, tmp_path: Path) -> None:
    """Without room nothing is stored or kept as delivered; with room the same command does."""
    mapping = small_month(tmp_path / "own", disk / "into", delivery)
    for kib, code in ((64, 3), (130, 3), (None, 0)):
        if kib is None:
            (disk / "filler").unlink()
        else:
            leave_room(disk, kib)
        ended = world.run("month", mapping)
        assert "Traceback" not in ended.err
        assert ended.code == code, ended
        assert deliveries(disk / "into") == (code == 0)
        kept = disk / "into" / "deliveries"
        assert [path.name for path in kept.glob("2*")] == (["2026-03"] if code == 0 else [])
        assert not list(kept.glob(".*"))
    assert world.dangling(disk / "into") == []


def small_month(folder: Path, into: Path, delivery: Path) -> Path:
    """A mapping of two trips for `tailrace month` that keeps its store there."""
    stated = f'protocol = "protocol.toml"\ncannulas = "cannulas.toml"\nmonth.into = "{into}"'
    small_source.source(folder, columns='weight_kg = "kg"', top=stated)
    for name in ("protocol.toml", "cannulas.toml"):
        (folder / name).write_bytes((delivery / name).read_bytes())
    return folder / "mapping.toml"


def test_the_code_says_what_is_stored(disk: Path, delivery: Path) -> None:
    """64 KB are too few for an empty store, 130 for more; 4 MB hold one with a delivery."""
    codes = []
    for number, kib in enumerate((64, 130, 4_000)[:: examples(2, 1)]):
        into = disk / f"into-{number}"
        leave_room(disk, kib)
        ended = world.run("review", delivery, "--into", into)
        codes.append(ended.code)
        (disk / "filler").unlink()
        check(ended, into)
    assert (codes[0], codes[-1]) == (3, 5)
    again = world.run("review", delivery, "--into", into)
    assert again.code == 0, again
    assert "nothing new was stored" in again.out
    assert world.dangling(into) == []
