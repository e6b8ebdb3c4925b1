"""The commands that follow a review: answers, corrections, publishing, what-if and the ledger."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.options import BY, GROUP, SHOWN_PROBLEMS, STORE_FOLDER, progress, set_aside
from pipeline.store import owners


def add_followup_commands(app: typer.Typer) -> None:
    """Add every command of this module to `app`, in the order help shows them."""
    for command in (
        desk, determine, add, correct, retrained, fetch, approve, readers, publish, ledger, whatif,
    ):  # fmt: skip
        app.command()(command)
    app.command("map")(map_)


def desk(
    into: STORE_FOLDER = Path("tailrace-out"),
    month: Annotated[
        str | None, typer.Option(metavar="YYYY-MM", help="Month to open; by default the latest.")
    ] = None,
    by: BY = None,
    port: Annotated[
        int | None,
        typer.Option(metavar="N", min=0, max=65535, help="Port on this machine; 0: any free one."),
    ] = None,
    no_open: Annotated[
        bool, typer.Option("--no-open", help="Print a one-time link, and open no browser.")
    ] = False,
) -> None:
    """Do the month's work in the browser of this machine; nothing leaves it."""
    from pipeline.desk.command import desk as open_desk

    open_desk(into, month, by, port, browser=not no_open)


def determine(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="A filled workbook, or its sheet as CSV.")
    ],
    into: STORE_FOLDER = Path("tailrace-out"),
    by: BY = None,
) -> None:
    """Read filled determinations back into the store. Exits with 4 if rows were set aside."""
    from pipeline.followup.determine import determine as read_back
    from pipeline.followup.determine import determined_words

    done = read_back(file, into, by)
    typer.echo(determined_words(done))
    set_aside(done.problems)


def add(
    trip: Annotated[str, typer.Argument(metavar="TRIP", help="Token of a trip in the store.")],
    why: Annotated[
        str, typer.Option(metavar="WORDS", help="Why it should be read, naming nobody.")
    ],
    into: STORE_FOLDER = Path("tailrace-out"),
    by: BY = None,
) -> None:
    """Have a trip read that nothing may be flagged on: a crew's own report, a complaint."""
    from pipeline.followup.by_hand import add as add_by_hand

    typer.echo(add_by_hand(into, trip, why, by))


def approve(
    version: Annotated[
        str, typer.Argument(metavar="VERSION", help="Id of a protocol version in the store.")
    ],
    by: Annotated[str, typer.Option(metavar="TOKEN", help="Who approves the limits, by token.")],
    into: STORE_FOLDER = Path("tailrace-out"),
) -> None:
    """Approve a protocol version's limits for medical direction; pages say so from then on."""
    from pipeline.followup.by_hand import approve as approve_limits

    typer.echo(approve_limits(into, version, by))


def readers(
    number: Annotated[str, typer.Argument(metavar="READERS", help="one or several.")],
    why: Annotated[str, typer.Option(metavar="WORDS", help="Why, naming nobody.")],
    by: Annotated[str, typer.Option(metavar="TOKEN", help="Who says so, by token.")],
    into: STORE_FOLDER = Path("tailrace-out"),
) -> None:
    """Say that one person reads all cases: no second reading is drawn then, or waited for."""
    from pipeline.followup.second_reading import say_readers_in

    typer.echo(say_readers_in(into, number, why, by))


def correct(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="A sheet of corrected values, XLSX or CSV.")
    ],
    into: STORE_FOLDER = Path("tailrace-out"),
    by: BY = None,
) -> None:
    """Correct charts that cannot be exported again; the originals are kept. Exits as determine."""
    from pipeline.followup.correct import correct as read_in
    from pipeline.followup.correct import corrected_words

    done = read_in(file, into, by)
    typer.echo(corrected_words(done))
    set_aside(done.problems)


def retrained(
    file: Annotated[
        Path,
        typer.Argument(
            metavar="FILE",
            help="A sheet of retrainings, XLSX or CSV: month, base or crew_member, rule.",
        ),
    ],
    into: STORE_FOLDER = Path("tailrace-out"),
    by: BY = None,
) -> None:
    """Read which bases were retrained, when and on which rule. Exits as determine."""
    from pipeline.followup.retraining import retrained as read_in
    from pipeline.followup.retraining import retrained_words

    done = read_in(file, into, by)
    typer.echo(retrained_words(done))
    set_aside(done.problems)


def fetch(  # noqa: PLR0917 - options are read from parameters
    trips: Annotated[
        list[str] | None,
        typer.Argument(metavar="[TRIP]...", help="Trips whose records it is about."),
    ] = None,
    base: Annotated[
        str | None, typer.Option(metavar="TOKEN", help="Or all on the work list from this base.")
    ] = None,
    month: Annotated[
        str | None, typer.Option(metavar="YYYY-MM", help="With --base: of this month alone.")
    ] = None,
    asked: Annotated[bool, typer.Option("--asked", help="They have been asked for.")] = False,
    gone: Annotated[
        bool, typer.Option("--not-to-be-had", help="Nobody has them; they leave the list.")
    ] = False,
    into: STORE_FOLDER = Path("tailrace-out"),
    by: BY = None,
) -> None:
    """Say what became of records to fetch. That they arrived is seen in the delivery."""
    from pipeline.errors import usage
    from pipeline.followup.fetch import said_words, say

    if asked == gone:
        raise usage("usage", "--asked", "one of --asked and --not-to-be-had is needed",
                    remedy="Say one of them.")  # fmt: skip
    if bool(trips) == (base is not None):
        raise usage("usage", "TRIP", "either trips or a base must be named",
                    remedy="Name trips, or a base with --base.")  # fmt: skip
    state = "asked" if asked else "not_to_be_had"
    typer.echo(said_words(state, say(into, state, trips or (), base=base, month=month, by=by)))


def publish(  # noqa: PLR0917 - options are read from parameters
    month: Annotated[str, typer.Argument(metavar="MONTH", help="Month to publish, YYYY-MM.")],
    into: STORE_FOLDER = Path("tailrace-out"),
    by: BY = None,
    reproduce: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Instead write the month as it was published here."),
    ] = None,
    time: Annotated[
        int | None,
        typer.Option(metavar="N", help="With --reproduce: as published the N-th time."),
    ] = None,
    anyway: Annotated[
        bool,
        typer.Option("--anyway", help="Publish with work left undone; the ledger keeps what."),
    ] = False,
    readable_by_group: GROUP = False,
) -> None:
    """Freeze a month's figures and files, or bring a published month back byte for byte.

    Refused with the list of what is unread, open, overdue, restated, missing or undecided.
    """
    from pipeline import review as steps
    from pipeline.errors import usage
    from pipeline.followup.publish import reproduce as bring_back

    owners.allow(group=readable_by_group)
    if reproduce is not None:
        typer.echo(f"Wrote {bring_back(into, month, reproduce, time)} files to {reproduce}")
        return
    if time is not None:
        what, remedy = "goes with --reproduce only", "Add --reproduce DIR, or leave it out."
        raise usage("usage", "--time", what, remedy=remedy)
    with progress() as stage:
        words = steps.publish(into, month, by, stage, anyway=anyway)
    typer.echo(words)


def ledger(into: STORE_FOLDER = Path("tailrace-out")) -> None:
    """Print who did what to the store, and verify that nothing was changed behind its back."""
    from pipeline.errors import Refused
    from pipeline.followup.ledger_words import ledger as read_ledger

    text, problems = read_ledger(into)
    typer.echo(text)
    if problems:
        raise Refused(problems)


def whatif(
    settings: Annotated[
        list[str],
        typer.Option(
            "--set",
            metavar="RULE.PARAMETER=VALUE",
            help="A limit to try; several values with commas between give a curve.",
        ),
    ],
    into: STORE_FOLDER = Path("tailrace-out"),
    months: Annotated[
        str | None, typer.Option(metavar="A..B", help="Only these months; by default all.")
    ] = None,
    name_all: Annotated[
        bool, typer.Option("--all", help="Name every trip whose verdict changes.")
    ] = False,
) -> None:
    """Replay history under other limits: how many verdicts change, which way, of which trips."""
    from pipeline.judging.whatif_words import whatif as replay
    from pipeline.rules.explain import CAUTION

    typer.echo(f"{replay(into, settings, months, name_all=name_all)}\n\n{CAUTION}")


def map_(  # noqa: PLR0917 - options are read from parameters
    source: Annotated[
        Path | None, typer.Argument(metavar="SOURCE", help="Your own files: a folder or a file.")
    ] = None,
    to: Annotated[
        Path | None, typer.Option(metavar="DELIVERY", help="New folder for the delivery.")
    ] = None,
    mapping: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="How to map it; by default mapping.toml in SOURCE."),
    ] = None,
    suggest: Annotated[
        bool, typer.Option("--suggest", help="Draft a mapping file for SOURCE, and print it.")
    ] = False,
    find: Annotated[
        str | None,
        typer.Option(metavar="TOKEN", help="Ask your crosswalk which record a token stands for."),
    ] = None,
    new_key: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Make a key for hashing record numbers.")
    ] = None,
    month: Annotated[
        list[str] | None,
        typer.Option(metavar="YYYY-MM", help="Deliver the trips of this month only; repeatable."),
    ] = None,
    problems: Annotated[
        Path | None, typer.Option(metavar="FILE", help="List everything not usable there, as CSV.")
    ] = None,
    readable_by_group: GROUP = False,
) -> None:
    """Make a delivery of your own files, as a mapping file says. Exits with 4 if cells fail."""
    from pipeline.mapping.command import Wanted, map_command

    owners.allow(group=readable_by_group)
    wanted = Wanted(source, to, mapping, suggest, find, new_key, month or [], problems)
    text, code = map_command(wanted, SHOWN_PROBLEMS)
    typer.echo(text)
    if code:
        raise typer.Exit(code)
