"""What a reader concludes on a finding: the two questions, and the words of 0.1.0 beside them."""

from __future__ import annotations

from collections.abc import Iterable

from schemas.findings import CONTRIBUTED, FINDINGS, HOLDS, OLD_WORDS

FIRST = ("practice", "equipment", "logistics", "protocol_unclear", "justified")
"""Of several that contributed, the old word that stands for them all; the first that is among
them."""


def in_new_words(conclusion: str | None, contributed: str | None) -> tuple[str | None, str | None]:
    """Conclusion and contributors, sorted, of an answer in new words or those of 0.1.0."""
    if conclusion in OLD_WORDS:
        found, cause = OLD_WORDS[conclusion]
        return found, cause
    return conclusion, together((contributed or "").replace(",", " ").split())


def together(contributed: Iterable[str]) -> str | None:
    """Contributors as the store keeps them: in the order of the list, each once, or None."""
    given = set(contributed)
    return " ".join([c for c in CONTRIBUTED if c in given] + sorted(given - {*CONTRIBUTED})) or None


def in_old_word(conclusion: str | None, contributed: str | None) -> str | None:
    """The one word that figures of 0.1.0 count such an answer under."""
    if conclusion is None or conclusion not in FINDINGS:
        return conclusion
    causes = (contributed or "").split()
    if conclusion == HOLDS:
        words = (w for w in FIRST if OLD_WORDS[w][1] in causes)
        return next(words, HOLDS)
    old = {new: word for word, (new, cause) in OLD_WORDS.items() if cause is None}
    return old.get(conclusion, conclusion)


def refused_answer(conclusion: str | None, contributed: str | None) -> str | None:
    """Why conclusion and contributors do not go together; None if they do."""
    unknown = [c for c in (contributed or "").split() if c not in CONTRIBUTED]
    if unknown:
        return f'"{unknown[0][:40]}" is none of {", ".join(CONTRIBUTED)}'
    if contributed and conclusion != HOLDS:
        return "something contributed only to what holds"
    return None
