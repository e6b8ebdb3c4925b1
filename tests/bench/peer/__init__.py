"""The same review as a good pandas analyst would write it: what the program is measured against.

Reads the CSV files of a delivery as text, holds them against the contract, cuts the timeline,
answers the first five rules with their uncertainty and rates occlusions by cannula size. Nothing
here runs row by row or trip by trip in Python; nothing is shared with the program but the
contract's own list of columns. Cells are read as text, as the contract asks, and made categories,
so that each distinct text is cast and checked once: in pandas that is quick and lean.
"""

PEER_TIMES = 10
"""How many times as quick as this the program ought to be."""

RULES = ("wall-oxygen-time", "unheated-time", "source-choice", "fallback-reason", "flow-kept")
