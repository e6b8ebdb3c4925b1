"""Spoiled inputs by the thousand into every reader: `python -m tests.faults --inputs N`.

An input is read, set aside or refused in a sentence. Everything else is a fault: a traceback, more
than `MOST_S` seconds of the processor, a store that holds a part of what was refused, or a cell of
nonsense that nothing was said about. Draw number K of a kind is the same for the same seed, so that
a fault can be looked at again: `spoiled(kind, K, seed)`. A draw is one input, of deliveries one a
table.
"""

from __future__ import annotations

import filecmp
import random
import shutil
import signal
import tempfile
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from pipeline.errors import Mistake
from pipeline.simulate.service import protocol_text
from tests.acceptance import small_delivery
from tests.faults import deliveries, world
from tests.faults.spoiling import spoil
from tests.mapping import fuzzing, reports_system, wide_csv

MOST_S = 30.0
AT_ONCE = 50
"""Draws that one process is given at a time."""


@dataclass
class Found:
    """What came of the inputs of one kind."""

    draws: int = 0
    counts: Counter[str] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)

    def add(self, more: Found) -> None:
        """Add what came of others."""
        self.draws += more.draws
        self.counts.update(more.counts)
        self.faults += more.faults


class TooLongError(Exception):
    """An input took too long."""


def settings_files(draw: random.Random, folder: Path) -> str:
    """One of a delivery's three settings files with bytes spoiled."""
    name, text = draw.choice([
        ("export", small_delivery.EXPORT), ("cannulas", small_delivery.CANNULAS),
        ("protocol", small_delivery.PROTOCOL),
        ("protocol", protocol_text("2026-01", all_rules=True)),
    ])  # fmt: skip
    spoiled = spoil(draw, text.encode())
    if name == "protocol":
        return "read" if fuzzing.protocol(spoiled) else "refused"
    small_delivery.write(folder, **{name: spoiled})
    return _settings(folder)


def _settings(folder: Path) -> str:
    from pipeline.errors import Refused
    from pipeline.ingest.delivery_files import find_parts
    from pipeline.ingest.problems import Findings
    from pipeline.ingest.settings_files import read_settings_files

    findings = Findings()
    read_settings_files(find_parts(folder, None, None, findings), findings)
    if findings.refusals:
        raise Refused(findings.refusals)
    return "read"


def mapping_files(draw: random.Random, folder: Path) -> str:
    """A mapping file with bytes spoiled."""
    text = draw.choice([wide_csv.MAPPING, reports_system.MAPPING])
    return "read" if fuzzing.mapping(spoil(draw, text.encode())) else "refused"


def source_files(draw: random.Random, folder: Path) -> str:
    """A file of a service's own: text, workbook, Parquet or a report."""
    from tests.mapping import test_fuzz

    kind, data = draw.choice([
        ("delimited", test_fuzz.TABLE), ("workbook", test_fuzz.BOOK),
        ("parquet", _parquet()), ("reports", test_fuzz.DOCUMENT),
    ])  # fmt: skip
    return "read" if fuzzing.TARGETS[kind](spoil(draw, data)) else "refused"


@cache
def _parquet() -> bytes:
    from tests.mapping import test_fuzz

    return test_fuzz.parquet_bytes()


@cache
def _reviewed() -> tuple[world.World, world.Tables]:
    """A small reviewed store for this process, its tables, and the sheets its readers filled in."""
    made = world.make(Path(tempfile.mkdtemp(prefix="faults-")), trips=12)
    return made, world.tables(made.base)


def filled_sheets(draw: random.Random, folder: Path) -> str:
    """A filled sheet, spoiled, read into a store that must keep all of it or nothing."""
    from pipeline.followup.correct import correct
    from pipeline.followup.determine import determine
    from pipeline.followup.retraining import retrained

    made, before = _reviewed()
    readers: list[tuple[str, Callable[..., Any]]] = [
        ("answers", determine), ("fixes", correct), ("retraining", retrained),
    ]  # fmt: skip
    name, read = draw.choice(readers)
    path = folder / f"{name}.csv"
    path.write_bytes(spoil(draw, (made.top / f"{name}.csv").read_bytes()))
    store = folder / "into"
    store.mkdir()
    shutil.copy2(made.base / "store.duckdb", store)
    try:
        done = read(path, store)
    except Mistake:
        same = filecmp.cmp(store / "store.duckdb", made.base / "store.duckdb", shallow=False)
        if not same and world.tables(store) != before:
            raise AssertionError("a refused sheet left something in the store") from None
        raise
    if wrong := world.ledger_problems(store):
        raise AssertionError(f"the ledger does not verify: {wrong}")
    return "set aside or doubtful" if done.problems else "read"


KINDS: dict[str, Callable[[random.Random, Path], str | list[str]]] = {
    "settings files": settings_files,
    "mapping files": mapping_files,
    "source files": source_files,
    "deliveries as CSV": deliveries.as_csv,
    "deliveries as Parquet": deliveries.as_parquet,
    "deliveries as workbooks": deliveries.as_workbook,
    "filled sheets": filled_sheets,
}


@contextmanager
def at_most(seconds: float) -> Iterator[None]:
    """Raise TooLongError after so long of the processor in the block, or ten times by the clock."""

    def stop(*_: object) -> None:
        raise TooLongError(f"longer than {seconds} s")

    timers = ((signal.ITIMER_PROF, signal.SIGPROF, 1), (signal.ITIMER_REAL, signal.SIGALRM, 10))
    before = [signal.signal(sent, stop) for _, sent, _ in timers]
    for timer, _, times in timers:
        signal.setitimer(timer, times * seconds)
    try:
        yield
    finally:
        for (timer, sent, _), was in zip(timers, before, strict=True):
            signal.setitimer(timer, 0)
            signal.signal(sent, was)


def spoiled(kind: str, number: int, seed: int) -> tuple[list[str], str]:
    """Read one draw: what came of its inputs, and the traceback if that is a fault."""
    draw = random.Random(f"{kind} {number} {seed}")
    folder = Path(tempfile.mkdtemp(prefix="input-"))
    if KINDS[kind] is filled_sheets:
        _reviewed()
    try:
        with at_most(MOST_S):
            came = KINDS[kind](draw, folder)
        return [came] if isinstance(came, str) else came, ""
    except Mistake:
        return ["refused"], ""
    except Exception:
        return ["fault"], f"{kind} {number} (seed {seed}): {traceback.format_exc()}"
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def some(kind: str, numbers: range, seed: int) -> Found:
    """Read some draws of one kind, one after the other."""
    found = Found()
    for number in numbers:
        came, fault = spoiled(kind, number, seed)
        found.draws += 1
        found.counts.update(came)
        found.faults += [fault] if fault else []
    return found


def many(
    inputs: dict[str, int],
    seed: int = 1,
    processes: int = 2,
    tell: Callable[[str], None] = lambda _: None,
) -> dict[str, Found]:
    """Read draws until there were so many inputs of each kind, in several processes."""
    found = {kind: Found() for kind in inputs}
    with ProcessPoolExecutor(processes) as pool:
        for kind, number in inputs.items():
            first = 0
            while found[kind].counts.total() < number:
                left = number - found[kind].counts.total()
                pieces = range(first, first + AT_ONCE * processes, AT_ONCE)
                first = pieces[-1] + AT_ONCE
                if left < AT_ONCE:
                    pieces = pieces[:1]
                for part in pool.map(
                    some, [kind] * len(pieces), [range(at, at + AT_ONCE) for at in pieces],
                    [seed] * len(pieces),
                ):  # fmt: skip
                    found[kind].add(part)
                tell(f"{kind}: {found[kind]}")
    return found
