"""Which counts of a table may be told, so that none from 1 to 10 stands there or can be worked out.

Two forms are enough for the tables here. `withheld` is for counts that add up to a told total: it
hides the small ones, and then others, until what is hidden could be split in many ways.
`disclosed_groups` is for groups with several counts each: groups that cannot be told are told
together, or not at all. A count is *small* from 1 to 10; 0 may be told.

Source: the cell size suppression policy of the Centers for Medicare & Medicaid Services, as
commonly applied (from memory): no cell of 1 to 10, and none that can be derived. Here also nobody
who knows this file can work one out: see `blurred`.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from schemas.shared_outputs import SMALLEST_DISCLOSED


def small(count: float) -> bool:
    """Whether a count is from 1 to 10."""
    return 0 < count < SMALLEST_DISCLOSED


def blurred(hidden: Collection[int]) -> bool:
    """Whether hidden counts whose sum is known tell nothing of the small ones among them.

    Each small one could then be anything from 1 to 10, also to somebody who knows which of the
    hidden ones are small: the large ones take up the difference, or there are so many small ones
    that they do among themselves.
    """
    most = SMALLEST_DISCLOSED - 1
    few = sum(small(count) for count in hidden)
    many = sum(count >= SMALLEST_DISCLOSED for count in hidden)
    if not few:
        return True
    # one small count of 10, the others as small as they come; then one of 1, the others large
    enough = sum(hidden) >= most + (few - 1) + SMALLEST_DISCLOSED * many
    return enough and (many > 0 or sum(hidden) <= 1 + most * (few - 1))


def withheld(
    counts: Mapping[str, int], give_up: Sequence[str], *, complementary: bool = True
) -> frozenset[str]:
    """Of counts whose total is told, the names of those that are not.

    Small counts are hidden, then further ones in the order of `give_up` until their sum is
    `blurred`. `complementary` turned off hides the small counts alone, which anybody could undo;
    it is there to be tested.
    """
    hidden = {name for name, count in counts.items() if small(count)}
    spare = [name for name in give_up if name not in hidden and counts[name]]
    while complementary and spare and not blurred([counts[name] for name in hidden]):
        hidden.add(spare.pop(0))
    return frozenset(hidden)


def disclosed_groups(
    groups: Mapping[str, Sequence[int]], pooled: frozenset[str] = frozenset()
) -> frozenset[str]:
    """Names of the groups told by themselves; all others are told as one. Empty: tell none.

    No count of a group told is small, and each count of the others is `blurred` in their sum. The
    groups in `pooled` are never told apart; the smallest group told joins the others as long as
    they are not blurred.
    """
    disclosed = {
        n for n, counts in groups.items() if n not in pooled and not any(map(small, counts))
    }
    by_size = sorted(disclosed, key=lambda name: (sum(groups[name]), name))
    while disclosed and not all(
        map(blurred, _columns([groups[n] for n in groups if n not in disclosed]))
    ):
        disclosed.remove(by_size.pop(0))
    return frozenset(disclosed)


def _columns(rows: Sequence[Sequence[int]]) -> list[tuple[int, ...]]:
    return list(zip(*rows, strict=True))
