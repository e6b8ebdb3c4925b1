"""The colours: contrast of texts, and marks that stay apart for every kind of sight."""

from __future__ import annotations

import itertools
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import reports
from reports.charts import palette

CSS = (Path(reports.__file__).parent / "render" / "assets" / "page.css").read_text(encoding="utf-8")

# Machado, Oliveira and Fernandes 2009, IEEE Trans Vis Comput Graph 15:1291, full severity
# (matrices from memory; each row sums to 1)
SIGHT = {
    "full": np.eye(3),
    "protanopia": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deuteranopia": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
    "tritanopia": np.array(
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ]
    ),
}
PATTERNED = {"cannot_tell", "authorised"}


def linear(color: str) -> Any:
    """Linear light of an sRGB colour (IEC 61966-2-1)."""
    srgb = np.array([int(color[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)


def luminance(light: Any) -> float:
    return float(np.array([0.2126, 0.7152, 0.0722]) @ light)


def contrast(one: str, other: str) -> float:
    """Contrast ratio of WCAG 2.2."""
    a, b = sorted((luminance(linear(one)), luminance(linear(other))))
    return (b + 0.05) / (a + 0.05)


def lab(light: Any) -> Any:
    """CIE L*a*b* (1976) under D65 of linear sRGB light."""
    to_xyz = np.array(
        [
            [0.4124, 0.3576, 0.1805],
            [0.2126, 0.7152, 0.0722],
            [0.0193, 0.1192, 0.9505],
        ]
    )
    ratio_to_white = to_xyz @ np.clip(light, 0, 1) / (to_xyz @ np.ones(3))
    low = (24389 / 27 * ratio_to_white + 16) / 116
    f = np.where(ratio_to_white > 216 / 24389, np.cbrt(ratio_to_white), low)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_the_contrast_formula() -> None:
    # WCAG 2.2: black on white is 21 to 1; #767676 on white is the well-known 4.54
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)
    assert lab(linear("#ffffff")) == pytest.approx([100, 0, 0], abs=0.01)


def test_text_has_contrast() -> None:
    for text in (palette.INK, palette.MUTED, palette.ACCENT, palette.NOW):
        for ground in (palette.PAPER, palette.PANEL):
            assert contrast(text, ground) >= 4.5
    for verdict, fill in palette.VERDICT_FILLS.items():
        assert contrast(palette.VERDICT_TEXT[verdict], fill) >= 4.5
    for name, fill in palette.BAND_FILLS.items():
        assert contrast(palette.BAND_TEXT[name], fill) >= 4.5
    for mark in (palette.HISTORY, palette.SERVICE, palette.INK):
        assert contrast(mark, palette.PAPER) >= 3


@pytest.mark.parametrize("sight", SIGHT)
def test_verdict_fills_stay_apart_under_colour_blindness(sight: str) -> None:
    seen = {v: lab(SIGHT[sight] @ linear(c)) for v, c in palette.VERDICT_FILLS.items()}
    for one, other in itertools.combinations(seen, 2):
        if not {one, other} & PATTERNED:  # those two are told by hatching and dots
            assert np.linalg.norm(seen[one] - seen[other]) >= 20, (one, other)
    marks = [lab(SIGHT[sight] @ linear(c)) for c in (palette.HISTORY, palette.INK)]
    assert np.linalg.norm(marks[0] - marks[1]) >= 20


def test_what_a_limit_counts_is_dark_in_greyscale() -> None:
    light = {name: lab(linear(fill))[0] for name, fill in palette.BAND_FILLS.items()}
    assert light["plain"] - light["counted"] >= 40


def test_solid_fills_stay_apart_in_greyscale() -> None:
    solid = [c for v, c in palette.VERDICT_FILLS.items() if v not in PATTERNED]
    light = sorted(lab(linear(c))[0] for c in solid)
    assert all(after - before >= 15 for before, after in itertools.pairwise(light))


def test_the_style_sheet_has_the_palette() -> None:
    roots = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", CSS))
    for name in ("ink", "muted", "line", "panel", "paper", "accent"):
        assert roots[name] == getattr(palette, name.upper())
    assert contrast(roots["focus"], palette.PAPER) >= 3
    assert set(re.findall(r"#[0-9a-f]{6}", CSS)) == set(roots.values())
