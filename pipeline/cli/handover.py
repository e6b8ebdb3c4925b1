"""The commands for what leaves the pages: packs for mail and paper, pictures for slides."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.options import GROUP, STORE_FOLDER, progress
from pipeline.errors import usage
from pipeline.store import owners

AUDIENCES = ("committee", "director", "education", "base")


def add_outside_commands(app: typer.Typer) -> None:
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
    into: STORE_FOLDER = Path("tailrace-out"),
    to: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Where to; by default MONTH/pack-WHO.html in FOLDER, a base's with its token.",
        ),
    ] = None,
    readable_by_group: GROUP = False,
) -> None:
    """Write one HTML file for mail and paper: pictures inside it, no script, nothing to fetch."""
    from pipeline.handover import check_audience, check_base, packed_base, packed_month, write_out
    from pipeline.store.session import store_in
    from reports.render.packs import base_pack
    from reports.render.packs import pack as draw

    check_audience(audience, AUDIENCES)
    check_base(audience, base)
    owners.allow(group=readable_by_group)
    with progress() as stage:
        if base is not None:
            review = packed_base(into, month, base, stage)
            html = base_pack(review, base)
        else:
            review = packed_month(into, month, audience, stage)
            stage("pack")
            html = draw(review, audience)
    target = to or into / month / _file(audience, base)
    if to is None:
        # the month's folder changes with its store
        with store_in(into, read_only=True):
            write_out(target, html.encode("utf-8"))
    else:
        write_out(target, html.encode("utf-8"), handed_over=True)
    typer.echo(f"Wrote {target}")
    if not review.confidentiality:
        typer.echo(
            "It carries no confidentiality statement of your service: export.toml may hold one,"
            ' confidentiality = "...".'
        )


def _file(audience: str, base: str | None) -> str:
    """A pack's file name; packs of two bases never share one, whatever their tokens hold."""
    from reports.text.case_links import case_file

    if base is None:
        return f"pack-{audience}.html"
    plain = re.fullmatch(r"[a-z0-9_-]+", base)
    return f"pack-base-{base}.html" if plain else f"pack-base-{case_file(base)}"


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
        drawn = sheet(found[way]())
        content = png(drawn, WIDTH) if to.suffix.lower() == ".png" else svg(drawn, WIDTH).encode()
    write_out(to, content, handed_over=True)
    typer.echo(f"Wrote {to}")
