"""The command that runs by itself: map, check and review a month, with a log and an exit code."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.options import BY, GROUP, SHOWN_PROBLEMS, progress
from pipeline.cli.summary import mistake_lines
from pipeline.errors import EXIT_FINE, EXIT_OUR_BUG, Mistake, usage
from pipeline.errors.disk import as_mistake
from pipeline.store import owners


def month(  # noqa: PLR0917 - options are read from parameters
    # long: one line an option
    mapping: Annotated[
        Path, typer.Argument(metavar="MAPPING", help="The mapping file, with its [month].")
    ],
    month: Annotated[
        str | None,
        typer.Option(
            metavar="YYYY-MM", help="Or last, the month before this one; by default the latest."
        ),
    ] = None,
    replace: Annotated[
        bool,
        typer.Option("--replace", help="Take in months that the files now say something else of."),
    ] = False,
    quiet: Annotated[
        bool, typer.Option("--quiet", help="Print nothing unless the exit code is not 0.")
    ] = False,
    log: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Add what is said to this file.")
    ] = None,
    by: BY = None,
    readable_by_group: GROUP = False,
) -> None:
    """Map, check and review a month by itself. Exits with 6 if there is none of its trips."""
    owners.allow(group=readable_by_group)
    if log is not None:
        _write(log, "begins")
    try:
        code, text = _run(mapping, month, replace=replace, by=by)
    except Exception as error:
        mistake = error if isinstance(error, Mistake) else as_mistake(error)
        told = (EXIT_OUR_BUG, f"{type(error).__name__}: a mistake of the program's own")
        if mistake is not None:
            told = (mistake.exit_code, mistake_lines(mistake, shown=SHOWN_PROBLEMS))
        _end(log, *told)
        raise mistake or error from None
    _end(log, code, text)
    if code != EXIT_FINE or not quiet:
        typer.echo(text)
    if code:
        raise typer.Exit(code)


def _run(mapping: Path, month: str | None, *, replace: bool, by: str | None) -> tuple[int, str]:
    """Run the month; its exit code and what it says."""
    from pipeline.cli.summary import review_summary
    from pipeline.unattended import Run
    from pipeline.unattended import month as steps

    with progress() as stage:
        run = Run(review_summary, stage, replace, by, SHOWN_PROBLEMS)
        done = steps(mapping, month, run)
    return done.exit_code, "\n".join(done.lines)


def _write(log: Path, text: str) -> None:
    """Add to the log, each run with its time; Usage where it cannot be written."""
    try:
        with log.open("a", encoding="utf-8") as file:
            file.write(f"{time.strftime('%Y-%m-%dT%H:%M:%S%z')} {text}\n")
    except OSError as error:
        what = f"the log cannot be written ({error.strerror})"
        raise usage("folder", "--log", what, file=str(log), remedy="Name another file.") from None


def _end(log: Path | None, code: int, text: str) -> None:
    """Log how the run ended; what it ended with is told also where the log is full."""
    if log is None:
        return
    try:
        _write(log, f"ends with {code}\n{text}")
    except Mistake as mistake:
        typer.echo(mistake_lines(mistake, shown=1), err=True)
