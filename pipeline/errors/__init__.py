"""What a user may do wrong: `codes` has a record for each code, `mistakes` tells and raises it."""

from pipeline.errors.codes import CODES
from pipeline.errors.kinds import (
    EXIT_FINE,
    EXIT_NOTHING,
    EXIT_OUR_BUG,
    EXIT_REFUSED,
    EXIT_SET_ASIDE,
    EXIT_UNFINISHED,
    EXIT_USAGE,
)
from pipeline.errors.mistakes import (
    Mistake,
    NothingFound,
    Problem,
    Refused,
    Unfinished,
    Usage,
    Where,
    in_cell,
    problem,
    refused,
    shown,
    usage,
)

__all__ = [
    "CODES", "EXIT_FINE", "EXIT_NOTHING", "EXIT_OUR_BUG", "EXIT_REFUSED", "EXIT_SET_ASIDE",
    "EXIT_UNFINISHED", "EXIT_USAGE", "Mistake", "NothingFound", "Problem", "Refused", "Unfinished",
    "Usage", "Where", "in_cell", "problem", "refused", "shown", "usage",
]  # fmt: skip
