"""What a reader may conclude on a finding, and what the words of 0.1.0 mean in these."""

from __future__ import annotations

HOLDS, NOT_DOCUMENTED, DOES_NOT_HOLD, CANNOT_SAY = (
    "holds", "not_documented", "does_not_hold", "cannot_say",
)  # fmt: skip
FINDINGS = [HOLDS, NOT_DOCUMENTED, DOES_NOT_HOLD, CANNOT_SAY]
"""Does it hold? The four answers."""

CONTRIBUTED = [
    "skill_or_knowledge", "logistics", "equipment", "protocol_unclear", "reasonable_care",
    "child", "other",
]  # fmt: skip
"""What contributed to a finding that holds; several may have."""

MISSED = "missed"
"""A variance that no rule flagged."""

OLD_WORDS: dict[str, tuple[str, str | None]] = {
    "practice": (HOLDS, "skill_or_knowledge"),
    "logistics": (HOLDS, "logistics"),
    "justified": (HOLDS, "reasonable_care"),
    "equipment": (HOLDS, "equipment"),
    "protocol_unclear": (HOLDS, "protocol_unclear"),
    "record_gap": (NOT_DOCUMENTED, None),
    "flag_wrong": (DOES_NOT_HOLD, None),
}
"""Each word of 0.1.0 as conclusion and what contributed; `missed` means the same in both."""

HAPPENED = [*(old for old, (new, _) in OLD_WORDS.items() if new == HOLDS), HOLDS]
"""Words that confirm a flag: what it says happened did happen, whatever contributed.

The last one is for what holds and none of the words of 0.1.0 stands for.
"""

NOT_CONFIRMED = ["record_gap", "flag_wrong", CANNOT_SAY]
"""Words that do not confirm it: the record or the rule is at fault, or nobody can say."""

CONCLUSIONS = [*HAPPENED, *NOT_CONFIRMED, MISSED]
"""The one word an answer is counted under."""

SAID = [*CONCLUSIONS, NOT_DOCUMENTED, DOES_NOT_HOLD]
"""The words a sheet may hold: those of 0.1.0 as well as these."""
