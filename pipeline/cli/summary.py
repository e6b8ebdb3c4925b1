"""What the command line prints at the end of its work."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

from pipeline.errors import Mistake
from schemas.work import KINDS, MonthWork, by_state

if TYPE_CHECKING:
    from pipeline.review import Reviewed

VERDICT_COLUMNS = ("met", "authorised", "borderline", "cannot_tell", "deviation", "not_applicable")


def mistake_lines(mistake: Mistake, shown: int) -> str:
    """Every problem as a line, the first `shown` of them, and how many more there are.

    What is to be done about a month that cannot be published is the same of all: said once, last.
    """
    problems = mistake.problems
    once = len(problems) > 1 and {p.code for p in problems} == {"not-read"}
    lines = [problem.sentence(remedy=not once) for problem in problems[:shown]]
    more = len(problems) - shown
    if more > 0:
        lines.append(f"... and {more} more like these.")
    return "\n".join([*lines, problems[0].remedy] if once else lines)


def review_summary(done: Reviewed) -> str:
    """The month in a few lines: trips, what was set aside, the rules table, the page's path."""
    from reports.text.signal_lines import lead_lines

    month = done.month
    of = f" of {month.expected} expected" if month.expected is not None else ""
    lines = [f"{month.service}, {month.month}: {month.received} trips received{of}."]
    if not done.loaded.new and not done.loaded.received:
        lines.append("These files were delivered before: nothing new was stored.")
    if done.set_aside:
        lines.append(
            f"{done.set_aside} rows of the delivery could not be used and were set aside; `tailrace"
            f" check` lists them all, {done.page.parent / 'data' / 'problems.csv'} the month's."
        )
    if done.doubtful:
        things = "thing is" if done.doubtful == 1 else "things are"
        lines.append(
            f"{done.doubtful} {things} doubtful in the delivery, and used as it came; see"
            f" {done.page.parent / 'data' / 'problems.csv'}."
        )
    lines += lead_lines(month)
    unapproved = [p.id for p in month.protocol if p.approved_by is None]
    if unapproved:
        lines.append(f"Limits not approved: protocol version {', '.join(unapproved)}.")
    lines += [
        f"{name} holds answers that could not be read; it was left as it is."
        for name in done.unread_workbooks
    ]
    lines += ["", rules_table(done), "", *work_lines(month.work)]
    lines += ["", f"Workbook: {done.workbook}", f"Page: {done.page}"]
    if done.shared:
        lines.append(f"To be handed over: the folder {done.shared.parent}")
    if done.shared_complete:
        lines.append(done.shared_complete)
    return "\n".join(lines)


def work_lines(work: MonthWork | None) -> list[str]:
    """The month's work, a line for each kind of which there is any."""
    work = work or MonthWork()
    read, audit, batch, fetch = (work.count(kind) for kind in KINDS)
    closed = by_state(work.items).get("closed", 0)
    rules, bases = len(work.batches), len({line.base for line in work.of("fetch")
                                           if line.state != "arrived"})  # fmt: skip
    lines = [
        f"Read {_many(read, 'trip')}." if read else "",
        f"Read {_many(audit, 'trip')} drawn at random from those without a flag." if audit else "",
        f"Conclude {_many(batch, 'flag')} in batches, of {_many(rules, 'rule')}." if batch else "",
        f"Ask {_many(bases, 'base')} for records of {_many(fetch, 'trip')}." if fetch else "",
        f"Closed of these: {closed}." if closed else "",
    ]
    return [line for line in lines if line] or ["Nothing is to be read, concluded or asked for."]


def _many(count: int, what: str) -> str:
    return f"{count:,} {what}{'' if count == 1 else 's'}"


def rules_table(done: Reviewed) -> str:
    """One line a rule with its counts of verdicts, plain text."""
    rows = done.month.rule_counts.records()
    width = max([len("rule"), *(len(str(row["rule"])) for row in rows)])
    heads = [name.replace("_", " ") for name in VERDICT_COLUMNS]
    lines = ["rule".ljust(width) + "".join(f"  {head}" for head in heads)]
    for row in rows:
        cells = "".join(
            f"  {row[name]:>{len(head)}}" for name, head in zip(VERDICT_COLUMNS, heads, strict=True)
        )
        lines.append(str(row["rule"]).ljust(width) + cells)
    return "\n".join(lines)


def timings_table(begun: Sequence[tuple[str | None, float, float]]) -> str:
    """One line a step with its wall and CPU seconds; a name met again is added up.

    `begun` holds each step's name with the wall and CPU seconds at which it began, in order; the
    last entry only ends the one before it.
    """
    spent: dict[str, tuple[float, float]] = {}
    for (name, wall, cpu), (_, next_wall, next_cpu) in pairwise(begun):
        before = spent.get(str(name), (0.0, 0.0))
        spent[str(name)] = (before[0] + next_wall - wall, before[1] + next_cpu - cpu)
    rows = [*spent.items(), ("all", (begun[-1][1] - begun[0][1], begun[-1][2] - begun[0][2]))]
    width = max(len(name) for name, _ in rows)
    lines = [f"{'step'.ljust(width)}    wall s     CPU s"]
    lines += [f"{name.ljust(width)}  {wall:8.2f}  {cpu:8.2f}" for name, (wall, cpu) in rows]
    return "\n".join(lines)
