"""Words to a crew: a query, a closing reply, a word on good care; from templates of the service's.

A template is a text file in `letters/` beside the store, named as the letter is; without one, ours
is used. It may say `$about`, `$trip`, `$month`, `$base`, `$finding`, `$standing` (what is concluded
so far), `$concluded` (each finding's conclusion), `$follows` (what is being done), `$own` (the
reader's words to the crew), `$last` (how to contradict), `$asked`, `$due`, `$answer`, `$good` and
`$sender`: who writes, and how to answer, from a template `sender` that may say `$service`.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from string import Template

from reports.text import words
from schemas.work import ALWAYS_READ

FOLDER = "letters"
LARGEST = 20_000
REASONABLE = "reasonable_care"
PURPOSE = "For learning under the service's peer-review rules, not for discipline."

NO_FINDING = "no rule flagged this trip."
ALWAYS = (ALWAYS_READ.rstrip(), "Every trip such as this is read:")
ASKED_FIRST = "Nothing is final. We would like to hear from you who were there:"
SO_FAR = "So far it is read as: {} What you tell us can change that:"
"""What a query says of where its case stands."""

CLOSING, FIRST_ANSWER = "A closing reply", "A first reply"
"""How a reply is headed: once its case is closed, and before."""
LAST_WORDS = {
    CLOSING: "If you think this is wrong, tell us, and it is read again.",
    FIRST_ANSWER: "If we have your words wrong, tell us.",
}

NOTHING_DONE = "nothing so far."
NO_VARIANCE = (
    "nothing was found that the protocol would have had otherwise, and the case is closed."
)
NOTHING_CONCLUDED = "nothing yet. You will hear from us when it does."
CONCLUDED_WORDS = {
    "holds": "it happened as recorded",
    "not_documented": "the record does not show what was done",
    "does_not_hold": "it was not so",
    "cannot_say": "it cannot be said from what is known",
    "missed": "it happened, and the rule did not notice",
}
"""How a letter says a reader's conclusion."""

OURS = {
    "query": """
About trip $trip of $month, base $base.

Reviewing it we came to this: $finding

$standing

$asked

Whether you answer is up to you. If you do: by the end of $due, in your own words, without the
patient's name or anybody else's; say their role. Your answer is kept with the case, for those who
read it in the quality review; whoever knows the roster can tell who was there.

$sender
""",
    "reply": """
About trip $trip of $month, base $base.

We asked you: $asked

You told us: $answer

What we had found: $finding

What the review concludes: $concluded

What we are doing: $follows

$own

Thank you. What you told us is kept in your own words, for those who read the case. $last

$sender
""",
    "good-care": """
About $about.

Reviewing it we saw good care of a child, and want to say so: $good

Thank you. Nothing is asked of you.

$sender
""",
    "sender": """
From the quality review of $service. To answer, write or speak to the quality coordinator, and name
the trip's number, nobody's name.
""",
}
"""Our own words, by letter; and who writes."""

NAMES = {"query": "A query", "reply": CLOSING, "good-care": "A word on good care"}


def letter(folder: Path, name: str, facts: dict[str, str]) -> list[str]:
    """The paragraphs of a letter. What a template asks for and is not known stays as it stands."""
    sender = " ".join(_template(folder, "sender").safe_substitute(facts).split())
    filled = _template(folder, name).safe_substitute({**facts, "sender": sender})
    return [" ".join(part.split()) for part in filled.split("\n\n") if part.strip()]


def _template(folder: Path, name: str) -> Template:
    """The service's own words, or ours."""
    own = folder / FOLDER / f"{name}.txt"
    if own.is_file() and own.stat().st_size <= LARGEST:
        return Template(own.read_text(encoding="utf-8", errors="replace"))
    return Template(OURS[name])


def concluded_words(found: Sequence[tuple[str, str, str | None]], *, closed: bool) -> str:
    """'Unheated time: it was so. What contributed: logistics.', each rule's; or that there is none.

    `found`: rule, conclusion and contributors, between spaces, of what holds now. `closed`: the
    case is, and no rule had flagged anything.
    """
    said = [
        f"{words.rule_title(rule)}: {CONCLUDED_WORDS[conclusion]}.{_causes(contributed)}"
        for rule, conclusion, contributed in found
    ]
    return " ".join(said) or (NO_VARIANCE if closed else NOTHING_CONCLUDED)


def _causes(contributed: str | None) -> str:
    """What contributed; care that was reasonable is said for itself, for it is no cause."""
    causes = (contributed or "").split()
    named = [words.CONTRIBUTED_WORDS.get(c, c) for c in causes if c != REASONABLE]
    return (f" What contributed: {words.listed(named)}." if named else "") + (
        " The care given was reasonable." if REASONABLE in causes else ""
    )
