"""A month by itself, as plain steps: map the files, check each month that is new, review it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import field
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import (
    EXIT_FINE,
    EXIT_SET_ASIDE,
    NothingFound,
    Problem,
    Refused,
    problem,
    usage,
)
from schemas.record import dataclass

if TYPE_CHECKING:
    from pipeline.mapping.read_mapping import Mapping
    from pipeline.mapping.run import Mapped
    from pipeline.review import Reviewed

LAST = "last"
DELIVERIES = "deliveries"
"""Folder in that of the store: what was delivered, one folder a month."""

Stage = Callable[[str], None]


@dataclass(frozen=True)
class Run:
    """How a month is run: who for the ledger, whether changes are taken in, and how it is told.

    `summary`: a review in lines; `stage` is told each step; `shown`: of how many kinds of problem.
    """

    summary: Callable[[Reviewed], str]
    stage: Stage = lambda _: None
    replace: bool = False
    by: str | None = None
    shown: int = 100


@dataclass
class Done:
    """What a run did: its exit code, and what it has to say, what matters most first."""

    exit_code: int = EXIT_FINE
    lines: list[str] = field(default_factory=list)
    reviewed: list[str] = field(default_factory=list)


def month(mapping_file: Path, wanted: str | None, run: Run) -> Done:
    """Map, check and review a month, and those before it that were not delivered yet.

    `wanted`: a month, `last` for the calendar month before this one, or None for the latest there
    is. What was delivered of a month stays as it is where the files now say something else, unless
    changes are taken in; that is said, and exits with 4. A Mistake where the files or the mapping
    cannot be used: then nothing is stored.
    """
    from pipeline.mapping.read_mapping import read_mapping
    from pipeline.review import make_folder
    from pipeline.store.whole import held

    run.stage("read the mapping")
    mapping = read_mapping(mapping_file)
    last = wanted_month(wanted)
    into = mapping.folder / mapping.file.month.into
    make_folder(into)
    make_folder(into / DELIVERIES)
    with held(into / DELIVERIES / ".unfinished") as scratch:
        mapped = _mapped(mapping, into / DELIVERIES, last, scratch, run.stage)
        chosen = last or max(mapped.months)
        done = Done(mapped.exit_code, mapped.report(run.shown).splitlines())
        for one, state in mapped.states.items():
            if state == "new" or (run.replace and (state == "changed" or one == chosen)):
                _deliver(done, mapping, scratch / one, into, run)
            elif state == "changed":
                _say_first(done, _changed(one))
        if not done.reviewed:
            done.lines.append(f"Nothing new was delivered; {chosen} was before.")
    return done


def wanted_month(wanted: str | None, today: date | None = None) -> str | None:
    """The month that is meant; Usage where it is none."""
    from schemas.protocol import MONTH

    if wanted == LAST:
        first = (today or date.today()).replace(day=1)
        return f"{first - timedelta(days=1):%Y-%m}"
    if wanted is not None and not MONTH.fullmatch(wanted):
        what = "a month is written YYYY-MM, or last"
        raise usage("usage", "--month", what, remedy="See tailrace month --help.")
    return wanted


def _mapped(mapping: Mapping, kept: Path, last: str | None, scratch: Path, stage: Stage) -> Mapped:
    """Map every month up to the one that is wanted; NothingFound where there is no trip of it."""
    from pipeline.mapping.command import disk_errors
    from pipeline.mapping.run import Request, run

    source = mapping.folder / mapping.file.month.source
    _refuse_nothing(source, mapping)
    request = Request(source, kept, mapping, until=last or "9999-12", exactly=last)
    with disk_errors(kept):
        return run(request, scratch, stage)


def _refuse_nothing(source: Path, mapping: Mapping) -> None:
    """NothingFound where there is no file yet of any that the mapping names; Refused without the
    folder they should be in."""
    if not source.exists():
        what = "there is no such folder, which source under [month] names"
        raise Refused(problem("not-found", str(source), what))
    paths = [spec.path for spec in mapping.file.files.values()]
    if source.is_dir() and not any(next(source.glob(path), None) for path in paths):
        what = f"there is none of the files {', '.join(paths)} yet"
        raise NothingFound(problem("nothing-found", str(source), what))


def _changed(late: str) -> Problem:
    what = f"the files say something else of {late} than what was delivered of it, and were not"
    return problem("month-changed", late, f"{what} taken")


def _say_first(done: Done, found: Problem) -> None:
    done.lines.insert(0, found.sentence())
    done.exit_code = EXIT_SET_ASIDE


def _deliver(done: Done, mapping: Mapping, delivery: Path, into: Path, run: Run) -> None:
    """Check and review one month's delivery, and keep it once it is stored."""
    from pipeline import review
    from pipeline.ingest.check import checked

    one = delivery.name

    def stage(step: str) -> None:
        run.stage(f"{one}: {step}")

    stage("check")
    found = checked(delivery, None, None, shown=run.shown)
    done.lines += [f"-- {one}", *found.report.splitlines()]
    if _over(delivery, found.set_aside, mapping.file.tolerated):
        done.exit_code = EXIT_SET_ASIDE
    reviewed = review.review(delivery, into, month=one, by=run.by, stage=stage)
    done.lines += run.summary(reviewed).splitlines()
    done.reviewed.append(one)
    _keep(delivery, into / DELIVERIES / one)


def _over(delivery: Path, set_aside: dict[str, int], tolerated: dict[str, float]) -> list[str]:
    """The tables of whose rows more are set aside than is tolerated."""
    found = []
    for file, lost in set_aside.items():
        with (delivery / file).open("rb") as opened:
            rows = sum(1 for _ in opened) - 1
        if lost > tolerated.get(Path(file).stem, 0.0) * max(rows, 1):
            found.append(file)
    return found


def _keep(delivery: Path, kept: Path) -> None:
    """Give a delivery that is stored its place, for the next run to compare with."""
    if kept.exists():
        kept.rename(delivery.with_name(f"{kept.name}.before"))
    delivery.rename(kept)
