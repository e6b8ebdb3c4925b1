"""Write the shared edition: three pages, a workbook and data files, in one folder to hand over."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import TYPE_CHECKING

from reports.render.templates import filled
from reports.render.workbook import write_tables
from reports.render.write import write_assets
from reports.shared.data import shared_data
from reports.shared.figures import shared_figures
from reports.text.navigation import PAGES, SHARED

if TYPE_CHECKING:
    from schemas.month_review import MonthReview


def write_shared(safe: MonthReview, folder: Path) -> Path:
    """Write every file of the shared edition to `folder`; return the Month page's path.

    `safe` is what `pipeline.sharing` made of a review; nothing else is read. The same review gives
    the same bytes.
    """
    assert safe.shared is not None
    tables = safe.shared.by_name()
    data = folder / "data"
    data.mkdir(parents=True, exist_ok=True)
    for name, frame in tables.items():
        with (data / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            lines = csv.writer(file, lineterminator="\n")
            lines.writerow(frame.columns)
            lines.writerows(zip(*frame.plain().values(), strict=True))
    write_tables(tables, folder / "shared.xlsx")
    _write_run(safe, folder / "run.json")
    assets = write_assets(folder / "assets")
    for page in SHARED:
        _write_page(safe, page, folder, assets)
    return folder / PAGES["month"][0]


def _write_page(safe: MonthReview, here: str, folder: Path, assets: dict[str, str]) -> None:
    assert safe.shared is not None
    page = shared_data(safe, here)
    files = [f"data/{name}.csv" for name in safe.shared.by_name()]
    figures = shared_figures(page, here)
    html = filled(f"shared_{here}.html", page, figures, assets, data_files=files)
    (folder / PAGES[here][0]).write_bytes(html)


def _write_run(safe: MonthReview, path: Path) -> None:
    """What the edition was made from, without a count or a hash of what was delivered."""
    assert safe.shared is not None
    run = {
        "tool": {"name": "tailrace", "version": safe.tool_version},
        "edition": "shared",
        "service": safe.service,
        "month": safe.month,
        "privacy_basis": list(safe.privacy_basis),
        "protocol_versions": [p.id for p in safe.protocol],
        "periods": safe.shared.periods["period"].tolist(),
    }
    path.write_text(json.dumps(run, indent=2, sort_keys=True) + "\n", encoding="utf-8")
