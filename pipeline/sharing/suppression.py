"""Which counts of a table may be told, so that none from 1 to 10 stands there or can be worked out.

Two forms are enough for the tables here. `withheld` is for counts that add up to a told total: it
hides the small ones, and then others, until what is hidden adds up to something that is not small
either. `told_apart` is for groups with several counts each: groups that cannot be told are told
together, or not at all. A count is *small* from 1 to 10; 0 may be told.

Source: the cell size suppression policy of the Centers for Medicare & Medicaid Services, as
commonly applied (from memory): no cell of 1 to 10, and none that can be derived.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from schemas.shared_outputs import SMALLEST_TOLD


def small(count: float) -> bool:
    """Whether a count is from 1 to 10."""
    return 0 < count < SMALLEST_TOLD


def withheld(
    counts: Mapping[str, int], give_up: Sequence[str], *, complementary: bool = True
) -> frozenset[str]:
    """Of counts whose total is told, the names of those that are not.

    Small counts are hidden, then further ones in the order of `give_up` until the hidden ones add
    up to at least 11: then each of them could be anything from 0 to that sum. `complementary`
    turned off hides the small counts alone, which anybody could undo; it is there to be tested.
    """
    hidden = {name for name, count in counts.items() if small(count)}
    spare = [name for name in give_up if name not in hidden and counts[name]]
    while complementary and small(sum(counts[name] for name in hidden)) and spare:
        hidden.add(spare.pop(0))
    return frozenset(hidden)


def told_apart(
    groups: Mapping[str, Sequence[int]], together: frozenset[str] = frozenset()
) -> frozenset[str]:
    """Names of the groups told by themselves; all others are told as one. Empty: tell none.

    No count of a group told, and none of the others' sums, is small. The groups in `together` are
    never told apart; where the others' sums are small, the smallest group told joins them.
    """
    told = {n for n, counts in groups.items() if n not in together and not any(map(small, counts))}
    by_size = sorted(told, key=lambda name: (sum(groups[name]), name))
    while told and any(map(small, _sums([groups[n] for n in groups if n not in told]))):
        told.remove(by_size.pop(0))
    return frozenset(told)


def _sums(rows: Sequence[Sequence[int]]) -> list[int]:
    return [sum(column) for column in zip(*rows, strict=True)]
