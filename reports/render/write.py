"""Write the pages: templates filled from page data, and the shared assets beside them."""

from __future__ import annotations

import hashlib
import importlib.util
from pathlib import Path
from typing import TYPE_CHECKING

from reports.case.pages import write_cases
from reports.charts.figure_json import safe_json
from reports.month.data import month_data
from reports.month.figures import month_figures, month_pictures
from reports.render.audience_pages import write_audiences
from reports.render.templates import HERE, environment, filled
from reports.text.drawing import WHOLE, Draw, Part, into, mark
from reports.text.navigation import Site, months_written, pages_of

if TYPE_CHECKING:
    from reports.month.data import MonthPage
    from schemas.month_review import MonthReview

CHART_LIBRARY = "plotly.min.js"
OWN_ASSETS = ("page.css", "cases.js", "charts.js")


def write_pages(
    review: MonthReview,
    folder: Path,
    site: Site | None = None,
    draw: Draw | None = None,
    part: Part = WHOLE,
) -> Path:
    """Write every page of the month, but of the case pages only a part; the Month page's path.

    `folder` is the store folder: pages are in `folder/<month>`, the style sheet and scripts in
    `folder/assets`. The same review and site give the same bytes; `draw` may know them already.
    """
    site = site or Site(pages_of(review), months_written(folder))
    draw = draw or into(folder / review.month)
    page = write_month(review, folder, site, draw)
    assets = asset_names()
    write_cases(review, folder, site, assets, environment(), draw, part)
    write_audiences(review, folder, site, assets, draw)
    return page


def write_case_part(review: MonthReview, folder: Path, site: Site, draw: Draw, part: Part) -> Draw:
    """Write a part of the case pages in a process of its own; returns `draw` as it is then."""
    write_cases(review, folder, site, asset_names(), environment(), draw, part)
    return draw


def write_month(
    review: MonthReview, folder: Path, site: Site | None = None, draw: Draw | None = None
) -> Path:
    """Write the Month page `folder/<month>/index.html` and, once per folder, what it needs."""
    assets = write_assets(folder / "assets")
    data = month_data(review, site or Site())
    draw = draw or into(folder / review.month)
    draw("index.html", mark(data, assets), lambda: _month_page(data, assets))
    return folder / review.month / "index.html"


def _month_page(data: MonthPage, assets: dict[str, str]) -> bytes:
    return filled(
        "month.html", data, month_figures(data), assets, pictures=month_pictures(data),
        more_cases=safe_json(data.cases.more), data_files=data_files(),
    )  # fmt: skip


def data_files() -> list[str]:
    """The month's data files that lie beside the page, by name."""
    from schemas.outputs import OUTPUTS

    return [f"data/{name}.csv" for name in OUTPUTS if name != "rule_counts"]


def write_assets(folder: Path) -> dict[str, str]:
    """Write style sheet, script and chart library if not there yet; their names in the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    names = asset_names()
    _write_if_other(folder / CHART_LIBRARY, chart_library().read_bytes())
    for name in OWN_ASSETS:
        _write_if_other(folder / names[name], (HERE / "assets" / name).read_bytes())
    return names


def asset_names() -> dict[str, str]:
    """What each asset is called in the folder of assets.

    Our own files carry a part of their hash in the name, so that the page of an earlier month
    keeps the style sheet and script it was written for.
    """
    names = {CHART_LIBRARY: CHART_LIBRARY}
    for name in OWN_ASSETS:
        content = (HERE / "assets" / name).read_bytes()
        stem, _, suffix = name.partition(".")
        names[name] = f"{stem}-{hashlib.sha256(content).hexdigest()[:8]}.{suffix}"
    return names


def chart_library() -> Path:
    """Where the installed plotly keeps its script; found without importing plotly."""
    spec = importlib.util.find_spec("plotly")
    if spec is None or not spec.submodule_search_locations:
        raise FileNotFoundError("plotly is not installed: install the pinned requirements")
    return Path(spec.submodule_search_locations[0]) / "package_data" / CHART_LIBRARY


def _write_if_other(path: Path, content: bytes) -> None:
    if not path.exists() or path.read_bytes() != content:
        path.write_bytes(content)
