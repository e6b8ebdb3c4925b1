"""Words to a crew: a query, a closing reply, a word on good care; from templates of the service's.

A template is a text file in `letters/` beside the store, named as the letter is; without one, ours
is used. It may say `$about`, `$trip`, `$month`, `$base`, `$finding`, `$standing` (whether anything
is concluded yet), `$asked`, `$due`, `$answer`.
"""

from __future__ import annotations

from pathlib import Path
from string import Template

FOLDER = "letters"
LARGEST = 20_000
PURPOSE = "For learning under the service's peer-review rules, not for discipline."

NO_FINDING = "no rule flagged anything, and we have a question."
NOT_CONCLUDED = (
    "Nothing is concluded yet. Before that we would like to hear from you who were there:"
)
CONCLUDED = (
    "A conclusion is noted already, and can be changed. We would like to hear from you who were"
    " there:"
)
"""What a query says of where its case stands."""

OURS = {
    "query": """
About trip $trip of $month.

Reviewing it we came to this: $finding

$standing

$asked

Please answer by $due, in your own words, to the quality coordinator. Name no patient and nobody
else; the trip's number is enough.
""",
    "reply": """
About trip $trip of $month.

We asked you: $asked

You told us: $answer

Thank you. It is kept in your own words, and stands beside what the review concludes.
""",
    "good-care": """
About $about.

Reviewing it we saw good care of a child, and want to say so. Thank you.
""",
}
"""Our own words, by letter."""

NAMES = {"query": "A query", "reply": "A closing reply", "good-care": "A word on good care"}


def letter(folder: Path, name: str, facts: dict[str, str]) -> list[str]:
    """The paragraphs of a letter. What a template asks for and is not known stays as it stands."""
    own = folder / FOLDER / f"{name}.txt"
    text = OURS[name]
    if own.is_file() and own.stat().st_size <= LARGEST:
        text = own.read_text(encoding="utf-8", errors="replace")
    filled = Template(text).safe_substitute(facts)
    return [" ".join(part.split()) for part in filled.split("\n\n") if part.strip()]
