"""How long, and in how much memory, `tailrace map` takes many patient care reports.

Writes one NEMSIS document of REPORTS reports, each a whole high-flow trip of the invented service,
no two with the same number, and maps it in a process of its own. Run:

    python -m tests.bench.many_reports [REPORTS] [FOLDER] [views]

With `views` settings are made from a view of the reports, which are then read twice. It
prints the document's size, the rows delivered, the seconds, and the most memory held at once.
100,000 reports are about 2 GB of document, and as much again of scratch space, in FOLDER.
"""

from __future__ import annotations

import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from itertools import count, islice
from pathlib import Path
from zoneinfo import ZoneInfo

from pipeline.simulate import simulate
from tests.mapping import direct, reports_system

TEMPLATES, MONTHS = 360, 6
SETTINGS = '[tables.settings]\nfrom = "reports"\neach = "custom:hf-set"\n'
VIEW = """
[files.sets]
path = "*.xml"
each = "custom:hf-set"
[views]
seen = '''
  select * replace (case "custom:hf-flow" when '<1' then '0.5' else "custom:hf-flow" end
    as "custom:hf-flow") from sets
'''
"""


def again_and_again(texts: list[str]) -> Iterator[str]:
    """The simulated trips' reports over and over, each time under other numbers."""
    for turn in count():
        for text in texts:
            yield text.replace("</eRecord.01>", f"-{turn}</eRecord.01>")


def write(folder: Path, wanted: int, *, views: bool) -> Path:
    """Write a source of so many reports, with its mapping and key; return its folder."""
    delivery = folder / "delivery"
    simulate(delivery, trips=TEMPLATES, months=MONTHS, seed=7)
    tables = direct.tables(delivery)
    bedside = direct.bedsides(tables["trips"], ZoneInfo(reports_system.ZONE))
    source = reports_system.write(folder / "source", tables, bedside)
    (source / "two.xml").unlink()
    texts = list(reports_system.reports(tables, bedside))
    with (source / "one.xml").open("w", encoding="utf-8") as file:
        file.write(reports_system.HEAD)
        file.writelines(islice(again_and_again(texts), wanted))
        file.write(reports_system.TAIL)
    for name in ("protocol.toml", "cannulas.toml"):
        shutil.copy(delivery / name, source / name)
    if views:
        mapping = (source / "mapping.toml").read_text()
        assert SETTINGS in mapping
        seen = VIEW + '[tables.settings]\nfrom = "seen"\n'
        (source / "mapping.toml").write_text(mapping.replace(SETTINGS, seen))
    return source


def main(wanted: int, folder: Path, *, views: bool) -> None:
    """Write, map and measure."""
    source = write(folder, wanted, views=views)
    size = (source / "one.xml").stat().st_size
    print(f"{wanted} reports, {size / 1e6:.0f} MB", flush=True)
    begun = time.monotonic()
    command = ["-m", "pipeline.cli.main", "map", str(source), "--to", str(folder / "mapped")]
    done = subprocess.run(
        [sys.executable, *command], capture_output=True, text=True, check=False,
        env={**os.environ, "TMPDIR": str(folder)},
    )  # fmt: skip
    print(done.stdout + done.stderr)
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(
        f"exit {done.returncode}; {time.monotonic() - begun:.0f} s,"
        f" {used.ru_utime + used.ru_stime:.0f} s of processor time;"
        f" {used.ru_maxrss * 1024 / 1e6:.0f} MB at most"
    )


if __name__ == "__main__":
    reports_wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    place = Path(sys.argv[2]) if len(sys.argv) > 2 else None
    with tempfile.TemporaryDirectory(dir=place) as made:
        main(reports_wanted, Path(made), views="views" in sys.argv[3:])
