"""The command line: parses, calls, and turns mistakes into sentences and exit codes."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from pipeline.errors import EXIT_SET_ASIDE, Mistake

app = typer.Typer(
    name="tailrace",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Reviews paediatric high-flow transports after they are over: which trips kept to the"
    " local protocol. For quality review, not for treating a patient. Exit codes: 0 fine, 1 our"
    " own bug, 2 wrong usage, 3 refused, 4 usable but rows set aside (check).",
)

DELIVERY = Annotated[
    Path, typer.Argument(metavar="DELIVERY", help="Directory of one export, with export.toml.")
]
PROTOCOL = Annotated[
    Path | None, typer.Option(metavar="FILE", help="Use this instead of DELIVERY/protocol.toml.")
]
CANNULAS = Annotated[
    Path | None, typer.Option(metavar="FILE", help="Use this instead of DELIVERY/cannulas.toml.")
]
SHOWN_PROBLEMS = 20


@app.command()
def review(
    delivery: DELIVERY,
    into: Annotated[
        Path, typer.Option(metavar="FOLDER", help="Where the store and the pages are kept.")
    ] = Path("tailrace-out"),
    month: Annotated[
        str | None,
        typer.Option(metavar="YYYY-MM", help="Month to review; by default the delivery's latest."),
    ] = None,
    protocol: PROTOCOL = None,
    cannulas: CANNULAS = None,
) -> None:
    """Load a delivery and write the month's page and data files: the main job."""
    from pipeline import review as steps
    from pipeline.words import review_summary

    with progress() as stage:
        done = steps.review(
            delivery, into, month=month, protocol=protocol, cannulas=cannulas, stage=stage
        )
    typer.echo(review_summary(done))


@app.command()
def check(delivery: DELIVERY, protocol: PROTOCOL = None, cannulas: CANNULAS = None) -> None:
    """Validate a delivery and store nothing. Exits with 4 if rows would be set aside."""
    from pipeline.check import check_delivery

    report, set_aside = check_delivery(delivery, protocol, cannulas, shown=SHOWN_PROBLEMS)
    typer.echo(report)
    if set_aside:
        raise typer.Exit(EXIT_SET_ASIDE)


@app.command()
def start(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="New or empty folder.")],
) -> None:
    """Begin from nothing: settings files with comments and empty tables, ready to be filled."""
    from pipeline.start import start_folder

    typer.echo(start_folder(folder))


@app.command()
def explain(
    rule: Annotated[str | None, typer.Argument(metavar="RULE", help="Id of a rule.")] = None,
    protocol: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Show this protocol's parameters, not the defaults."),
    ] = None,
) -> None:
    """Say what a rule asks, its parameters, its reasoning and source; without RULE, list them."""
    from pipeline.explain import explain_all, explain_rule

    typer.echo(explain_rule(rule, protocol) if rule else explain_all())


@app.command()
def simulate(
    into: Annotated[Path, typer.Option(metavar="DIR", help="New or empty directory.")],
    trips: Annotated[int, typer.Option(metavar="N", min=1, help="Trips in all.")] = 360,
    months: Annotated[int, typer.Option(metavar="M", min=1, help="Months they fall in.")] = 6,
    seed: Annotated[int, typer.Option(metavar="S", help="Same seed, same bytes.")] = 1,
    dirt: Annotated[bool, typer.Option("--dirt", help="Add rows that cannot be used.")] = False,
) -> None:
    """Make a delivery of an invented service, and planted.csv with every answer it planted."""
    from pipeline.simulate import simulate as make
    from pipeline.start import empty_folder

    empty_folder(into)
    make(into, trips=trips, months=months, seed=seed, dirt=dirt)
    typer.echo(f"Wrote {trips} invented trips over {months} months to {into}")


class progress:  # noqa: N801 - used like a function
    """Names the step at hand on a terminal; silent where the output is not one."""

    def __enter__(self) -> progress:
        self.live = sys.stderr.isatty()
        return self

    def __call__(self, step: str) -> None:
        """Show `step` in place of the one before."""
        if self.live:
            sys.stderr.write(f"\r\x1b[2K{step} ...")
            sys.stderr.flush()

    def __exit__(self, *_: object) -> None:
        if self.live:
            sys.stderr.write("\r\x1b[2K")


def main() -> None:
    """Run the command; a user's mistake ends with its sentences and exit code, no traceback."""
    try:
        app()
    except Mistake as mistake:
        from pipeline.words import mistake_lines

        typer.echo(mistake_lines(mistake, shown=SHOWN_PROBLEMS), err=True)
        sys.exit(mistake.exit_code)


if __name__ == "__main__":
    main()
