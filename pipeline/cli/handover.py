"""The commands for what leaves the pages: packs for mail and paper, pictures for slides."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli.options import BY, GROUP, STORE_FOLDER, progress
from pipeline.errors import usage
from pipeline.store import owners

if TYPE_CHECKING:
    from schemas.month_review import MonthReview

AUDIENCES = ("committee", "director", "education", "base", "teaching")


TRIPS_NAMED = 12
"""So many known trips are named where one is unknown."""


def add_handover_commands(app: typer.Typer) -> None:
    """Add every command of this module to `app`, in the order help shows them."""
    for command in (pack, picture):
        app.command()(command)


def pack(  # noqa: PLR0917 - options are read from parameters
    month: Annotated[str, typer.Argument(metavar="MONTH", help="A reviewed month, YYYY-MM.")],
    audience: Annotated[
        str, typer.Option("--for", metavar="WHO", help=f"One of {', '.join(AUDIENCES)}.")
    ],
    base: Annotated[
        str | None, typer.Option(metavar="B", help="Which base, with --for base.")
    ] = None,
    trip: Annotated[
        str | None,
        typer.Option(
            metavar="T",
            help="Which trip, with --for teaching: a case of the month. The page holds no token,"
            " ages in bands, and times since the bedside.",
        ),
    ] = None,
    into: STORE_FOLDER = Path("tailrace-out"),
    to: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Where to; by default MONTH/pack-WHO.html in FOLDER, a base's with its token.",
        ),
    ] = None,
    hand_over: Annotated[
        bool,
        typer.Option(
            "--hand-over",
            help="Hand a base's pack over, for good: it is entered in the ledger, and its periods"
            " stay as told. Without it, a preview says what would be told, and nothing is kept.",
        ),
    ] = False,
    by: BY = None,
    readable_by_group: GROUP = False,
) -> None:
    # long: one line an option
    """Write one HTML file for mail and paper: pictures inside it, no script, nothing to fetch."""
    from pipeline.handover import check_audience, check_base, check_trip, packed_month

    check_audience(audience, AUDIENCES)
    check_base(audience, base, act=hand_over, by=by)
    check_trip(audience, trip)
    owners.allow(group=readable_by_group)
    with progress() as stage:
        if base is None:
            review = packed_month(into, month, audience, stage)
            stage("pack")
            target, message = to or into / month / f"pack-{audience}.html", ""
            _write(into, to, target, _drawn(review, audience, trip).encode("utf-8"))
        else:
            target = to or into / month / _base_file(base, hand_over=hand_over)
            open_to_all = hand_over or to is not None
            review, message = _base_pack(
                into, month, base, target, stage,
                hand_over=hand_over, by=by, open_to_all=open_to_all,
            )  # fmt: skip
    typer.echo(f"{message}Wrote {target}")
    if not review.confidentiality:
        typer.echo(
            "It carries no confidentiality statement of your service: export.toml may hold one,"
            ' confidentiality = "...".'
        )


def _drawn(review: MonthReview, audience: str, trip: str | None) -> str:
    """The pack as HTML; Usage if the trip to teach with is no case of the month with a page."""
    from pipeline.handover import unknown
    from reports.render.packs import pack as draw
    from reports.render.packs import teaching_pack

    if trip is None:
        return draw(review, audience)
    from reports.education.teaching import trips_to_teach

    known = trips_to_teach(review)
    if trip not in known:
        raise unknown("--trip", trip, f"case of {review.month} with a page", known[:TRIPS_NAMED])
    return teaching_pack(review, trip)


def _write(into: Path, to: Path | None, target: Path, content: bytes) -> None:
    """Write a pack: where it was asked for, or into the month's folder, under its store's lock."""
    from pipeline.handover import write_out
    from pipeline.store.session import store_in

    if to is not None:
        write_out(target, content, handed_over=True)
        return
    with store_in(into, read_only=True):
        write_out(target, content)


def _base_pack(
    into: Path,
    month: str,
    base: str,
    target: Path,
    stage: Callable[[str], None],
    *,
    hand_over: bool,
    by: str | None,
    open_to_all: bool,
) -> tuple[MonthReview, str]:
    """Write a base's pack, or its preview; what it is made of, and what to say of it."""
    from pipeline.handover import packed_base, write_out
    from reports.render.packs import base_pack

    def draw(safe: MonthReview) -> None:
        html = base_pack(safe, base, preview=not hand_over).encode("utf-8")
        write_out(target, html, handed_over=open_to_all)

    found = packed_base(into, month, base, draw, stage, act=hand_over, by=by)
    lines = [found.words(done=hand_over)]
    if base not in set(found.tables.bases["base"]):
        lines.append(f"Of base {base} alone nothing may be told: the pack has the whole service.")
    if hand_over:
        lines.insert(0, f"Handed over to base {base}, and entered in the ledger.")
    else:
        lines.insert(0, "A preview: nothing is handed over yet, and nothing was kept.")
        lines.append("To hand it over, run this again with --hand-over.")
    return found.safe, "".join(f"{line}\n" for line in lines)


def _base_file(base: str, *, hand_over: bool) -> str:
    """A base's file name; those of two bases are never the same, whatever their tokens hold."""
    from reports.text.case_links import case_file

    plain = re.fullmatch(r"[a-z0-9_-]+", base)
    name = f"pack-base-{base}.html" if plain else f"pack-base-{case_file(base)}"
    return name if hand_over else f"preview-{name}"


def picture(
    measure: Annotated[str, typer.Argument(metavar="MEASURE", help="Id of a measure.")],
    to: Annotated[Path, typer.Option(metavar="FILE", help="Where to: FILE.svg or FILE.png.")],
    month: Annotated[
        str | None,
        typer.Option(metavar="YYYY-MM", help="A reviewed month; by default the latest."),
    ] = None,
    by: Annotated[
        str | None,
        typer.Option(metavar="WAY", help="size, month or base; by default the first there is."),
    ] = None,
    into: STORE_FOLDER = Path("tailrace-out"),
) -> None:
    """Draw a measure for a slide, as SVG or PNG, with its numbers, method and caution on it."""
    from pipeline.handover import reviewed_month, unknown, write_out
    from pipeline.measures.registry import MEASURES
    from reports.charts.static_rendering import png, svg
    from reports.render.pictures import WIDTH, pictures, sheet

    if measure not in MEASURES:
        raise unknown("MEASURE", measure, "measure", sorted(MEASURES))
    if to.suffix.lower() not in {".svg", ".png"}:
        raise unknown("--to", to.suffix or to.name, "kind of picture", [".svg", ".png"])
    with progress() as stage:
        review = reviewed_month(into, month, stage)
        stage("picture")
        found = pictures(review, measure)
        if not found:
            what = f"there is no picture of {measure} for {review.month}"
            remedy = "It has too few numbers or no chart; data/measures.csv has what there is."
            raise usage("unknown-name", "MEASURE", what, remedy=remedy)
        way = by or next(iter(found))
        if way not in found:
            raise unknown("--by", way, f"way to draw {measure}", list(found))
        figure = sheet(found[way]())
        content = png(figure, WIDTH) if to.suffix.lower() == ".png" else svg(figure, WIDTH).encode()
    write_out(to, content, handed_over=True)
    typer.echo(f"Wrote {to}")
