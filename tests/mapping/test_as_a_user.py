"""`tailrace map` as a user meets it: exit codes, full disks, closed folders."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from pipeline.cli.main import main
from tests.mapping import direct, small_source

posix = pytest.mark.skipif(os.name != "posix", reason="needs limits and permissions")
NOBODY = 65534
Command = Callable[[Path, Path], "Ended"]


@dataclass
class Ended:
    """How a command ended, and what it printed."""

    code: int
    out: str
    err: str


@pytest.fixture
def command(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Command:
    """`tailrace map SOURCE --to DELIVERY` as a user meets it, but in this process."""

    def run(source: Path, to: Path) -> Ended:
        monkeypatch.setattr(sys, "argv", ["tailrace", "map", str(source), "--to", str(to)])
        with pytest.raises(SystemExit) as caught:
            main()
        printed = capsys.readouterr()
        return Ended(int(caught.value.code or 0), printed.out, printed.err)

    return run


@posix
def test_a_full_disk(tmp_path: Path, command: Command) -> None:
    """No file may grow beyond 200 kB, so writing ends as it does on a full disk."""
    import resource

    lines = [f"T{n},2026-03,b1,ground,8,croup" for n in range(20_000)]
    text = "\n".join(["case,month,site,kind,kg,dx", *lines, ""])
    folder = small_source.source(tmp_path / "in", {"trips.csv": text})
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, before[1]))
    try:
        ended = command(folder, tmp_path / "out")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert ended.code == 3
    assert "no room left" in ended.err
    assert [path.name for path in tmp_path.iterdir()] == ["in"]


@contextmanager
def as_nobody() -> Iterator[None]:
    """Give up root's rights for a while."""
    os.setresgid(NOBODY, NOBODY, 0)
    os.setresuid(NOBODY, NOBODY, 0)
    try:
        yield
    finally:
        os.setresuid(0, 0, 0)
        os.setresgid(0, 0, 0)


@posix
@pytest.mark.skipif(os.name == "posix" and os.geteuid() != 0, reason="needs to become nobody")
@pytest.mark.parametrize("what", ["source", "file", "target", "mapping", "key"])
def test_without_permission(what: str, command: Command) -> None:
    # not below the folder of the tests, which nobody may enter
    with TemporaryDirectory() as made:
        Path(made).chmod(0o755)
        without_permission(Path(made), what, command)


def without_permission(tmp_path: Path, what: str, command: Command) -> None:
    folder = small_source.source(tmp_path / "in")
    target = tmp_path / "open" / "out"
    (tmp_path / "open").mkdir()
    (tmp_path / "open").chmod(0o777)
    # what nobody may not read of the installation is read before
    assert command(folder, tmp_path / "warm").code == 0
    if what == "key":
        text = (folder / "mapping.toml").read_text()
        text = text.replace("[tokens]", '[tokens]\nkey_file = "key"')
        (folder / "mapping.toml").write_text(text)
        (folder / "key").write_text(direct.KEY)
    place = {
        "source": folder, "file": folder / "trips.csv", "target": tmp_path / "open",
        "mapping": folder / "mapping.toml", "key": folder / "key",
    }[what]  # fmt: skip
    place.chmod(0o555 if what == "target" else 0o000 if what != "key" else 0o600)
    with as_nobody():
        ended = command(folder, target)
    assert ended.code == (2 if what in ("source", "target") else 3), ended
    assert re.search("may not be|cannot be read|not readable", ended.err)
    place.chmod(0o777)
    assert not target.exists()


def test_exit_codes_as_a_user_meets_them(tmp_path: Path, command: Command) -> None:
    folder = small_source.source(tmp_path / "in", columns='weight_kg = "kg"')
    fine = command(folder, tmp_path / "fine")
    assert (fine.code, fine.err) == (0, "")
    assert "Next: tailrace check" in fine.out
    (folder / "trips.csv").write_text(small_source.TRIPS.replace("8.4", "heavy"))
    some = command(folder, tmp_path / "some")
    assert (some.code, some.err) == (4, "")
    assert "trips.csv, line 2: kg: the cell is not a number" in some.out
    (folder / "trips.csv").unlink()
    refused = command(folder, tmp_path / "refused")
    assert (refused.code, refused.out) == (3, "")
    assert command(folder, folder).code == 2
