"""The command line: parses, calls, and turns mistakes into sentences and exit codes."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.followup import add_followup_commands
from pipeline.cli.handover import add_handover_commands
from pipeline.cli.month import month
from pipeline.cli.options import (
    BY,
    CANNULAS,
    DELIVERY,
    EDITION,
    GROUP,
    PROTOCOL,
    SHOWN_PROBLEMS,
    Edition,
    options_given,
    progress,
)
from pipeline.errors import EXIT_SET_ASIDE, Mistake, usage
from pipeline.runtime.sparing import spare_processors
from pipeline.store import owners

app = typer.Typer(
    name="tailrace",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Reviews paediatric high-flow transports after they are over: which trips kept to the"
    " local protocol. For quality review, not for treating a patient. Exit codes: 0 fine, 1 our"
    " own bug, 2 wrong usage, 3 refused, 4 usable but rows set aside or doubtful (check, map,"
    " month, determine, correct), 5 stored but not all pages written, 6 nothing found.",
)


@app.command()
def review(  # noqa: PLR0917 - options are read from parameters
    # long: one line an option
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
    baseline: Annotated[
        bool, typer.Option("--baseline", help="Load its months as history that opens no cases.")
    ] = False,
    audits_a_year: Annotated[
        int | None,
        typer.Option(
            metavar="N",
            min=0,
            max=10_000,
            help="Trips without a flag to draw for reading in twelve months; 72 by default.",
        ),
    ] = None,
    edition: EDITION = Edition.FULL,
    by: BY = None,
    readable_by_group: GROUP = False,
    timings: Annotated[
        bool, typer.Option("--timings", help="Also say how long each step took.")
    ] = False,
) -> None:
    """Load a delivery and write the month's page and data files: the main job."""
    owners.allow(group=readable_by_group)
    with progress() as stage:
        from pipeline import review as steps
        from pipeline.cli.summary import review_summary, timings_table

        done = steps.review(
            delivery, into, month=month, protocol=protocol, cannulas=cannulas, baseline=baseline,
            audits_a_year=audits_a_year, by=by, shared=edition is Edition.SHARED, stage=stage,
        )  # fmt: skip
    typer.echo(review_summary(done))
    if timings:
        typer.echo(f"\n{timings_table(stage.begun)}")


@app.command()
def check(delivery: DELIVERY, protocol: PROTOCOL = None, cannulas: CANNULAS = None) -> None:
    """Validate a delivery and store nothing. Exits with 4 if rows would be set aside or
    are doubtful."""
    from pipeline.ingest.check import check_delivery

    report, set_aside = check_delivery(delivery, protocol, cannulas, shown=SHOWN_PROBLEMS)
    typer.echo(report)
    if set_aside:
        raise typer.Exit(EXIT_SET_ASIDE)


@app.command()
def start(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="New or empty folder.")],
) -> None:
    """Begin from nothing: settings files with comments and empty tables, ready to be filled."""
    from pipeline.simulate.start import start_folder

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
    from pipeline.rules.explain import explain_all, explain_rule

    if not rule:
        typer.echo(explain_all())
    elif protocol is None:
        typer.echo(explain_rule(rule))
    else:
        from pipeline.ingest.settings_files import read_protocol_file

        typer.echo(explain_rule(rule, read_protocol_file(protocol), protocol.name))


@app.command()
def simulate(  # noqa: PLR0917 - options, given by name
    context: typer.Context,
    into: Annotated[Path, typer.Option(metavar="DIR", help="New or empty directory.")],
    trips: Annotated[
        int, typer.Option(metavar="N", min=1, max=10_000_000, help="Trips in all.")
    ] = 360,
    months: Annotated[
        int, typer.Option(metavar="M", min=1, max=120, help="Months they fall in.")
    ] = 6,
    seed: Annotated[int, typer.Option(metavar="S", min=0, help="Same seed, same bytes.")] = 1,
    first_month: Annotated[
        str, typer.Option(metavar="YYYY-MM", help="The first of the months.")
    ] = "2026-01",
    bases: Annotated[int, typer.Option(metavar="B", min=1, max=12, help="Bases.")] = 5,
    sizes: Annotated[
        int, typer.Option(metavar="C", min=8, max=12, help="Sizes of cannula it knows.")
    ] = 10,
    change: Annotated[
        list[str] | None,
        typer.Option(
            metavar="WORDS", help='Plant a change, as "logs of elm stop from 2026-04". Repeatable.'
        ),
    ] = None,
    dirt: Annotated[bool, typer.Option("--dirt", help="Add rows that cannot be used.")] = False,
    sample: Annotated[
        bool, typer.Option("--sample", help="Make sample_data; no option but --into goes with it.")
    ] = False,
) -> None:
    # long: one line an option
    """Make a delivery of an invented service, and planted.csv with every answer it planted."""
    from pipeline.simulate.changes import Refused
    from pipeline.simulate.chosen import settled
    from pipeline.simulate.deliver import deliver
    from pipeline.simulate.dirt import LEAST_TRIPS
    from pipeline.simulate.sample import sample as make_sample
    from pipeline.simulate.simulator import CHUNK, options_of
    from pipeline.simulate.start import empty_folder

    if sample:
        if given := options_given(context, "into", "sample"):
            raise typer.BadParameter(f"{given[0]} does not go with --sample; leave it out.")
        empty_folder(into)
        make_sample(into)
        owners.hand_over(into)
        typer.echo(f"Wrote the sample to {into}")
        return
    least = max(months, LEAST_TRIPS if dirt else 0)
    if trips < least:
        why = f"bad rows of every kind and {months} months" if dirt else f"{months} months"
        raise typer.BadParameter(
            f"{trips} are too few for {why}: at least {least}.", param_hint="--trips"
        )
    try:
        options = options_of(
            trips, months, seed, dirt, first_month=first_month, bases=bases, sizes=sizes,
            changes=tuple(change or ()),
        )  # fmt: skip
        delivery = settled(options, dirt=dirt, late=False)
    except Refused as error:
        raise typer.BadParameter(str(error)) from error
    empty_folder(into)
    deliver(delivery, into, chunk=CHUNK)
    owners.hand_over(into)
    typer.echo(f"Wrote {trips} invented trips over {months} months to {into}")


app.command()(month)
add_followup_commands(app)
add_handover_commands(app)

protocol_app = typer.Typer(
    no_args_is_help=True, help="Read and compare protocol files.", rich_markup_mode=None
)
app.add_typer(protocol_app, name="protocol")


@protocol_app.command("check")
def protocol_check(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A protocol file.")],
) -> None:
    """Validate a protocol file and print it as a person would read it."""
    from pipeline.judging.protocol_words import check_protocol
    from pipeline.rules.explain import CAUTION

    typer.echo(f"{check_protocol(file)}\n\n{CAUTION}")


@protocol_app.command("compare")
def protocol_compare(
    before: Annotated[Path, typer.Argument(metavar="A", help="The protocol file before.")],
    after: Annotated[Path, typer.Argument(metavar="B", help="The protocol file after.")],
    into: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Also say which verdicts of this store change."),
    ] = None,
) -> None:
    """Say in sentences what changed, and with a store how many verdicts of which trips change."""
    from pipeline.judging.protocol_words import compare_protocols
    from pipeline.review import STORE
    from pipeline.rules.explain import CAUTION

    typer.echo(f"{compare_protocols(before, after, into / STORE if into else None)}\n\n{CAUTION}")


def main() -> None:
    """Run the command; a user's mistake ends with its sentences and exit code, no traceback."""
    spare_processors()
    try:
        _check_names(sys.argv[1:])
        with owners.private():
            app(prog_name="tailrace")
    except Mistake as mistake:
        _end_with(mistake)
    except Exception as error:
        from pipeline.errors.disk import as_mistake

        if (found := as_mistake(error)) is None:
            raise
        _end_with(found)


def _check_names(given: Sequence[str]) -> None:
    """Usage where an argument is not text: the database opens no file with such a name."""
    for argument in given:
        try:
            argument.encode("utf-8")
        except UnicodeEncodeError:
            shown = os.fsencode(argument).decode("utf-8", "backslashreplace")
            what = f'"{shown}" is not written in UTF-8'
            remedy = "Rename the file or folder, or name another."
            raise usage("usage", None, what, remedy=remedy) from None


def _end_with(mistake: Mistake) -> None:
    from pipeline.cli.summary import mistake_lines

    typer.echo(mistake_lines(mistake, shown=SHOWN_PROBLEMS), err=True)
    sys.exit(mistake.exit_code)


if __name__ == "__main__":
    main()
