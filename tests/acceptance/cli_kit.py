"""How a command ended, and what a mistake must look like."""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path


@dataclass
class Ran:
    """How a command ended and what it printed."""

    code: int
    out: str
    err: str


Run = Callable[..., Ran]


def refused(ran: Ran, code: int, *sentences: str) -> None:
    """Hold a mistake to its exit code, to each of these texts, and to nothing on stdout."""
    assert ran.code == code, ran
    assert ran.out == ""
    for sentence in sentences:
        assert sentence in ran.err
    assert all(line.endswith((".", "for help.")) for line in ran.err.splitlines() if " " in line)


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))
