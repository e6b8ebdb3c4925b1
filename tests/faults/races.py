"""Two and three commands begun at the same moment on one folder: every success is in the store."""

from __future__ import annotations

import random
import shutil
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from tests.faults import commands, world
from tests.faults.commands import Ended
from tests.faults.world import MONTH, World
from tests.followup import reviewed_store

DELIVERED = {"first review": "delivery", "second review": "delivery", "share": "delivery",
             "replaced trips": "replaced"}  # fmt: skip
"""Which delivery each kind of review loads."""
KEPT = {"determine": "determination", "correct": "correction", "retrained": "retraining",
        "publish": "publication"}  # fmt: skip
ENDS = (0, 2, 3, 4)
"""How one of several may end: done, its place taken, the store taken, done with rows set aside."""


@dataclass
class Raced:
    """What rounds of several commands at once found."""

    rounds: int = 0
    ends: Counter[int] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)


def deliveries(into: Path) -> int:
    """How many different deliveries the store holds; none without a store."""
    if not (into / "store.duckdb").exists():
        return 0
    return int(reviewed_store.ask(into, "select count(*) from delivered.delivery")[0][0])


def race(made: World, names: tuple[str, ...], into: Path, *, empty: bool) -> tuple[
    list[Ended], list[str]
]:  # fmt: skip
    """Run commands at once, in an empty folder or a reviewed one; ends, and everything wrong."""
    made.prepare("first review" if empty else "second review", into)
    operations = made.operations(into)
    at_once = [commands.start(*operations[name], before=world.plainly) for name in names]
    ends = [one.end() for one in at_once]
    where = " + ".join(names) + (" in an empty folder" if empty else "")
    found = [
        f"{where}: {name} ended with {ended.code}: {ended.err[-500:]}"
        for name, ended in zip(names, ends, strict=True)
        if ended.code not in ENDS or "Traceback" in ended.err or (ended.code == 2 and name != "map")
    ]
    done = {name for name, ended in zip(names, ends, strict=True) if ended.fine}
    loaded = {DELIVERED[name] for name in done & DELIVERED.keys()} | set(
        [] if empty else ["delivery"]
    )
    if deliveries(into) != len(loaded):
        found.append(f"{where}: {sorted(loaded)} were loaded, {deliveries(into)} are in the store")
    for name in done & KEPT.keys():
        (kept,) = reviewed_store.ask(into, f"select count(*) from loop.{KEPT[name]}")[0]
        if not kept:
            found.append(f"{where}: what {name} said it stored is not there")
    seen = {"share": into / "shared" / MONTH, "pack": into / MONTH / "pack-director.html",
            "map": into / "made"}  # fmt: skip
    found += [f"{where}: {name} left nothing" for name in done & seen.keys()
              if not seen[name].exists()]  # fmt: skip
    found += [f"{where}: {what}" for what in world.dangling(into) + world.ledger_problems(into)]
    return ends, found


def many(
    made: World,
    into: Path,
    rounds: int,
    seed: int = 1,
    tell: Callable[[str], None] = lambda _: None,
) -> Raced:
    """Race two and three commands drawn at random, the first of each round going round the list."""
    draw = random.Random(seed)
    raced = Raced()
    for number in range(rounds):
        names = list(made.operations(into))
        first = names[number % len(names)]
        empty = first in ("first review", "map")
        able = ["first review", "map"] if empty else [n for n in names if n != "first review"]
        others = [draw.choice(able) for _ in range(1 + number % 2)]
        ends, wrong = race(made, (first, *others), into, empty=empty)
        raced.rounds += 1
        raced.ends.update(ended.code for ended in ends)
        raced.wrong += wrong
        shutil.rmtree(into)
        tell(f"{first} and {others}: {raced}")
    return raced
