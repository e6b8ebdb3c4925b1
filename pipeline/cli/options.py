"""What the commands share: their options, the step at hand, and the exit of rows set aside."""

from __future__ import annotations

import os
import sys
import time
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from pipeline.errors import EXIT_SET_ASIDE, Mistake, Problem

DELIVERY = Annotated[
    Path, typer.Argument(metavar="DELIVERY", help="Directory of one export, with export.toml.")
]
PROTOCOL = Annotated[
    Path | None, typer.Option(metavar="FILE", help="Use this instead of DELIVERY/protocol.toml.")
]
CANNULAS = Annotated[
    Path | None, typer.Option(metavar="FILE", help="Use this instead of DELIVERY/cannulas.toml.")
]
STORE_FOLDER = Annotated[
    Path, typer.Option("--into", metavar="FOLDER", help="Where the store and the pages are kept.")
]
BY = Annotated[
    str | None, typer.Option(metavar="TOKEN", help="Who does it, by token; goes into the ledger.")
]
GROUP = Annotated[
    bool,
    typer.Option(
        "--readable-by-group",
        help="Let your group read what this writes; else it is for you alone.",
    ),
]
SHOWN_PROBLEMS = 100


class Edition(StrEnum):
    """What a review writes; the full edition always."""

    FULL = "full"
    SHARED = "shared"


EDITION = Annotated[
    Edition,
    typer.Option(
        help="shared: write a folder to be handed over, too, without tokens or small numbers."
    ),
]


def set_aside(problems: list[Problem]) -> None:
    """Print what could not be used, and exit with 4 if there is something."""
    from pipeline.cli.summary import mistake_lines

    if problems:
        typer.echo(mistake_lines(Mistake(problems), shown=SHOWN_PROBLEMS), err=True)
        raise typer.Exit(EXIT_SET_ASIDE)


class progress:  # noqa: N801 - used like a function
    """Names the step at hand on a terminal; silent where the output is not one.

    `begun`: every step with the wall and CPU seconds at which it began; None ends the last. What a
    second process took counts where it ended.
    """

    def __enter__(self) -> progress:
        self.live = sys.stderr.isatty()
        self.begun: list[tuple[str | None, float, float]] = []
        self._note("load the program")
        return self

    def _note(self, step: str | None) -> None:
        self.begun.append((step, time.perf_counter(), sum(os.times()[:4])))

    def __call__(self, step: str) -> None:
        """Show `step` in place of the one before."""
        self._note(step)
        if self.live:
            sys.stderr.write(f"\r\x1b[2K{step} ...")
            sys.stderr.flush()

    def __exit__(self, *_: object) -> None:
        self._note(None)
        if self.live:
            sys.stderr.write("\r\x1b[2K")


def options_given(context: typer.Context, *but: str) -> list[str]:
    """The options written on the command line, as they are written, but for some."""
    return [
        parameter.opts[0]
        for parameter in context.command.params
        if parameter.name not in but
        and context.get_parameter_source(str(parameter.name)).name == "COMMANDLINE"  # type: ignore[union-attr]
    ]
