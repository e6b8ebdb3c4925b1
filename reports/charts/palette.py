"""Every colour of the pages, once. The style sheet repeats them; a test holds the two together.

Verdicts differ by lightness and by pattern (cannot tell is hatched, authorised is dotted), so that
they stay apart without colour. The accent marks only what asks for a person.
"""

INK = "#16202b"
MUTED = "#50606f"
LINE = "#d3dae1"
PANEL = "#f5f7f9"
PAPER = "#ffffff"
ACCENT = "#9c3d0c"
HISTORY = "#5b7d9e"
SERVICE = "#7b8896"
NOW = "#1b4f86"
"""The month under review, beside what stands behind it."""

VERDICT_FILLS = {
    "deviation": ACCENT,
    "borderline": "#e3a468",
    "cannot_tell": PAPER,
    "authorised": "#bccad8",
    "met": "#e9eef3",
}
VERDICT_TEXT = {
    "deviation": PAPER,
    "borderline": INK,
    "cannot_tell": INK,
    "authorised": INK,
    "met": INK,
}
PATTERN_INK = "#6b7a89"

BAND_FILLS = {"counted": "#3f5f7d", "plain": "#dfe7ee", "pale": "#ecf1f5"}
"""Bands of a trip: what a limit counts (undiluted oxygen, unheated gas) is dark."""
BAND_TEXT = {"counted": PAPER, "plain": INK, "pale": INK}
