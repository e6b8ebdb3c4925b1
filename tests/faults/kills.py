"""Kill a command at some moment, look at what it left, and run it again."""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from tests.faults import commands, world
from tests.faults.world import Tables, Units, World


@dataclass
class Expected:
    """What an operation makes of a folder when nobody disturbs it."""

    before: Units
    after: Units
    again: Units
    tables_before: Tables
    tables_after: Tables
    writes: int
    seconds: float


@dataclass
class Figures:
    """What a run of kills found."""

    kills: int = 0
    ended_before: int = 0
    reruns: int = 0
    wrong: list[str] = field(default_factory=list)


def expected(made: World, name: str, into: Path, *, again: bool = True) -> Expected:
    """Run an operation undisturbed, and once more.

    Not `again`: to run it once more must change nothing.
    """
    made.prepare(name, into)
    before, tables_before = world.units(into), world.tables(into)
    command = made.operations(into)[name]
    begun = time.perf_counter()
    writes = commands.writes(*command, before=world.plainly)
    seconds = time.perf_counter() - begun
    after, tables_after = world.units(into), world.tables(into)
    if again:
        ended = world.run(*command)
        assert ended.fine or name == "map", ended
    return Expected(before, after, world.units(into), tables_before, tables_after, writes, seconds)


def kill(
    made: World, name: str, into: Path, whole: Expected, *, at_write: int | None, after_s: float = 0
) -> tuple[bool, list[str]]:
    """Kill an operation once; whether it was killed in time, and everything wrong afterwards."""
    made.prepare(name, into)
    killed, found = interrupt(made, name, into, whole, at_write=at_write, after_s=after_s)
    return killed, found + rerun(made, name, into, whole)


def interrupt(
    made: World, name: str, into: Path, whole: Expected, *, at_write: int | None, after_s: float = 0
) -> tuple[bool, list[str]]:
    """Begin an operation on the folder as it is and kill it; what is then neither old nor new."""
    command = made.operations(into)[name]
    started = commands.start(*command, kill_before=at_write, before=world.plainly)
    ended = started.end() if at_write is not None else started.kill_after(after_s)
    found = [f"left {what}" for what in world.wrong(into, whole.before, whole.after)]
    now = world.tables(into)
    found += [
        f"table {table}: neither the old nor the new"
        for table, content in now.items()
        if content not in (whole.tables_before.get(table, _EMPTY), whole.tables_after.get(table))
        and table != "loop.shared_period"
    ]
    found += world.ledger_problems(into)
    where = f"{name}, killed {f'before write {at_write}' if at_write else f'after {after_s:.3f} s'}"
    return ended.code == -9, [f"{where}: {what}" for what in found]


def rerun(made: World, name: str, into: Path, whole: Expected) -> list[str]:
    """Run an operation to its end after a kill, and say what is not as if nobody had disturbed."""
    found = []
    again = world.run(*made.operations(into)[name])
    refused = name == "map" and world.units(into) == whole.after
    if not again.fine and not refused:
        found.append(f"the command again ended with {again.code}: {again.err[-300:]}")
    healed = world.units(into)
    if healed not in (whole.after, whole.again):
        found.append("the command again did not give the same bytes")
    found += [f"the command again left {what}" for what in world.dangling(into)]
    if world.tables(into) != whole.tables_after:
        found.append("the command again did not give the same tables")
    found += world.ledger_problems(into)
    left = [p.name for p in [*into.glob(".*"), *into.glob("store.duckdb.*")]]
    found += [f"the command again left {name}" for name in left]
    return [f"{name}: {what}" for what in found]


_EMPTY = "(0, 0)"
IN_A_ROW = 4
"""How often one operation may be killed, each time as it begins again, before it may end."""
FEW_WRITES = 4


def many(
    made: World, into: Path, kills: int, seed: int = 1, tell: Callable[[str], None] = lambda _: None
) -> dict[str, Figures]:
    """Kill every operation in turn, until so many of the kills were in time.

    Half at a write and half at a moment; where an operation has few writes of its own (most are
    the database's), at a moment. After one to `IN_A_ROW` kills it runs to its end.
    """
    draw = random.Random(seed)
    names = list(made.operations(into))
    wholes = {name: expected(made, name, into) for name in names}
    figures = {name: Figures() for name in names}
    while sum(counted.kills for counted in figures.values()) < kills:
        for name in names:
            whole, counted = wholes[name], figures[name]
            made.prepare(name, into)
            for _ in range(draw.randint(1, IN_A_ROW)):
                at_write = (
                    draw.randint(1, whole.writes)
                    if whole.writes > FEW_WRITES and draw.random() < 0.5
                    else None
                )
                after_s = 0.0 if at_write else draw.uniform(0, whole.seconds)
                killed, found = interrupt(
                    made, name, into, whole, at_write=at_write, after_s=after_s
                )
                counted.kills += killed
                counted.ended_before += not killed
                counted.wrong += found
                if not killed:
                    break
            counted.reruns += 1
            counted.wrong += rerun(made, name, into, whole)
            tell(f"{name}: {counted}")
    return figures
