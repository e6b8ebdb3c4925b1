"""Take the pictures in docs/pictures anew, from sample_data: `python docs/pictures.py`.

Reviews the sample month in a folder of its own, opens its pages in chromium at one width, and keeps
each picture as a small PNG. Needs the extra `test` and chromium.
"""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, sync_playwright

from pipeline.review import Reviewed, review
from reports.text.case_links import FOLDER, case_file

TOP = Path(__file__).parent.parent
PICTURES = TOP / "docs" / "pictures"
WIDTH, COLOURS, MOST_BYTES = 1280, 48, 150_000

FLAGS = [
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
]


def main() -> None:
    """Review the sample, and take each picture: a page's top, as high as it says."""
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        done = review(TOP / "sample_data", Path(folder))
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=FLAGS)
        for name, (page, height) in taken(done).items():
            screenshot(browser, page, height, PICTURES / f"{name}.png")
        browser.close()


def taken(done: Reviewed) -> dict[str, tuple[Path, int]]:
    """Page and height in px of every picture; of the cases, the first with a high variance."""
    month = done.page.parent
    cases = done.month.cases
    high = (cases["group"] == "deviation") & (cases["severity"] == "high")
    trip = cases.rows(high)["trip_id"][0]
    return {
        "month": (done.page, 800),
        "case": (month / FOLDER / case_file(trip), 1000),
        "education": (month / "education.html", 800),
    }


def screenshot(browser: Browser, page: Path, height: int, picture: Path) -> None:
    """Draw the top of a page, and keep it with few colours."""
    opened = browser.new_page(viewport={"width": WIDTH, "height": height}, bypass_csp=True)
    opened.goto(page.as_uri())
    opened.screenshot(path=picture)
    opened.close()
    few = Image.open(picture).convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE)
    few.save(picture, optimize=True)
    if picture.stat().st_size > MOST_BYTES:
        raise SystemExit(f"{picture.name} is larger than {MOST_BYTES} bytes: take less of the page")


if __name__ == "__main__":
    main()
