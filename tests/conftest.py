"""Two small deliveries of the invented service, and the command line to try on them.

The deliveries are made once; tests that change one copy it.
"""

from __future__ import annotations

import gc
import os
import shutil
import sys
from collections.abc import Iterator
from contextlib import closing
from functools import cache
from pathlib import Path

import pytest
import typer.main
import typer.testing

from pipeline.cli import main as cli
from tests import unscreened
from tests.acceptance.command_runs import Ran, Run
from tests.deep import DEEP
from tests.made_once import made_once

TRIPS, MONTHS = 60, 2
SAMPLE = Path(__file__).parents[1] / "sample_data"


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--deep", action="store_true", help="many more inputs to generative tests")


def pytest_configure(config: pytest.Config) -> None:
    """Before the tests are imported, which say at import how many inputs they want."""
    gc.disable()  # next to nothing of what is imported is ever let go
    compiled_once(config)
    if config.getoption("--deep"):
        os.environ[DEEP] = "1"
    # the command line is put together once, and not once for each command that a test types
    typer.main.get_command = typer.testing._get_command = cache(typer.main.get_command)


def compiled_once(config: pytest.Config) -> None:
    """Where modules may not be kept compiled beside their text, as in many containers, they are
    kept with what pytest keeps: each worker, and each process that a test starts, would else
    compile all of them again."""
    cache = getattr(config, "cache", None)
    if cache and os.environ.pop("PYTHONDONTWRITEBYTECODE", None) and not sys.pycache_prefix:
        sys.pycache_prefix = str(cache.mkdir("compiled"))
        os.environ["PYTHONPYCACHEPREFIX"] = sys.pycache_prefix
        sys.dont_write_bytecode = False


def pytest_collection_finish() -> None:
    """What was imported stays: it need not be looked through whenever memory is."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)
    gc.enable()


@pytest.fixture(scope="session")
def clean_delivery(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """60 trips over 2026-01 and 2026-02, every row usable."""
    from pipeline.simulate import simulate

    folder = tmp_path_factory.mktemp("clean") / "delivery"
    simulate(folder, trips=TRIPS, months=MONTHS, seed=7)
    return folder


@pytest.fixture(scope="session")
def judged_store(clean_delivery: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with the clean delivery, judged and no more; a test that changes it copies it."""
    from pipeline.ingest.delivery import read_delivery
    from pipeline.ingest.load import load
    from pipeline.judging.evaluator import judge
    from pipeline.store.database import open_store

    def make(folder: Path) -> None:
        with unscreened.unscreened(), closing(open_store(folder / "store.duckdb")) as con:
            load(con, read_delivery(con, clean_delivery))
            judge(con)

    return made_once(tmp_path_factory, "judged", make) / "store.duckdb"


@pytest.fixture(scope="session")
def dirty_delivery(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same number of trips with rows of every kind that are set aside."""
    from pipeline.simulate import simulate

    folder = tmp_path_factory.mktemp("dirty") / "delivery"
    simulate(folder, trips=TRIPS, months=MONTHS, seed=7, dirt=True)
    return folder


@pytest.fixture(scope="session")
def reviewed_sample(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """`delivery`, the sample, and `out`, where its last month is reviewed, with every page.

    The workbook is without its tables. A test that opens the store copies it.
    """
    from pipeline.review import review
    from reports.render import workbook

    def make(folder: Path) -> None:
        shutil.copytree(SAMPLE, folder / "delivery")
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(workbook, "_write_tables", lambda *_: None)
            review(folder / "delivery", folder / "out")

    return made_once(tmp_path_factory, "sample", make)


@pytest.fixture(scope="module")
def without_screen() -> Iterator[None]:
    """Nothing is screened in the tests of this module: they are about something else."""
    with unscreened.unscreened():
        yield


@pytest.fixture
def with_screen() -> Iterator[None]:
    """In this test it is, for all that the other tests of its module are not."""
    with unscreened.screened():
        yield


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Run `tailrace` with these arguments, in this process and in an empty folder.

    An exception that nobody turned into a sentence fails the test.
    """
    folder = tmp_path / "here"
    folder.mkdir()
    monkeypatch.chdir(folder)

    def command(*arguments: object) -> Ran:
        monkeypatch.setattr(sys, "argv", ["tailrace", *map(str, arguments)])
        capsys.readouterr()
        code: object = 0
        try:
            cli.main()
        except SystemExit as ended:
            code = ended.code or 0
        printed = capsys.readouterr()
        assert isinstance(code, int)
        return Ran(code, printed.out, printed.err)

    return command
