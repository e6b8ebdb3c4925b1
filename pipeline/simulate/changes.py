"""Changes on request: a small language for what is to change from a month on.

Each is one line, as in "wall-oxygen-time at cedar x 3 from 2026-04"; `FORMS` lists all of them.
"""

from __future__ import annotations

import re

from pipeline.simulate.catalogue import Setup
from pipeline.simulate.steering import CASES, STEERED
from schemas.record import dataclass

OCCLUSIONS, ODDS, FAILS, LOGS, RETRAINED, MISSING, LATE, CASE = (
    *("occlusions", "odds", "fails", "logs stop"),
    *("retraining", "missing", "late", "case"),
)
ONE_MONTH = (MISSING, LATE, CASE)
HEATERS, VENTILATORS = 5, 4
"""Units of each kind that a base has."""
MOST_RATIO = 20.0

_MONTH = r"(?P<month>\d{4}-\d{2})"
_SPAN = rf" from {_MONTH}(?: until (?P<until>\d{{4}}-\d{{2}}))?"
_VALUE = r"(?P<value>\d+(?:\.\d+)?)"
FORMS = {
    OCCLUSIONS: (
        rf"occlusions of (?P<what>\S+) x {_VALUE}{_SPAN}",
        "occlusions of prong-2 x 2 from 2026-04",
        "the rate of occlusions at one cannula size, times this",
    ),
    RETRAINED: (
        rf"retraining of (?P<what>\S+) at (?P<base>\S+) x {_VALUE} in {_MONTH}",
        "retraining of wall-oxygen-time at cedar x 0.3 in 2026-04",
        "a retraining in this month; from the next on the odds, times this (1: it does not work)",
    ),
    ODDS: (
        rf"(?P<what>\S+) at (?P<base>\S+) x {_VALUE}{_SPAN}",
        "unheated-time at damson x 3 from 2026-04",
        "the odds of a variance from one rule at one base, deviations to met, times this",
    ),
    FAILS: (
        rf"(?P<what>\S+) fails {_VALUE}{_SPAN}",
        "H-damson-2 fails 0.5 from 2026-04",
        "a heater (H-) or ventilator (V-) fails on this share of the trips that use it",
    ),
    LOGS: (
        rf"logs of (?P<base>\S+) stop{_SPAN}",
        "logs of elm stop from 2026-04",
        "no ventilator's log of the base is downloaded any more",
    ),
    MISSING: (
        rf"(?P<value>\d+) trips? missing in {_MONTH}",
        "2 trips missing in 2026-06",
        "trips dispatched and never delivered",
    ),
    LATE: (
        rf"(?P<value>\d+) trips? late in {_MONTH}",
        "1 trip late in 2026-06",
        "trips that arrive in a second delivery beside the first, its name ending in -late",
    ),
    CASE: (
        rf"(?P<what>[\w-]+) case(?: at (?P<base>\S+))? in {_MONTH}",
        "overrun-authorised case at cedar in 2026-06",
        "one trip of the month and base (without a base, one that arrives late): "
        + ", ".join(CASES),
    ),
}
"""Kind: how it is written, an example, what it means."""


class Refused(ValueError):  # noqa: N818 - named by what happened, as the verdicts are
    """What was asked of the simulator cannot be made; its text is a sentence for whoever asked."""


@dataclass(frozen=True)
class Change:
    """One change: `first` and `last` are positions of months, both included."""

    kind: str
    what: str
    base: str
    value: float
    first: int
    last: int
    text: str


def changes(texts: tuple[str, ...], months: list[str], setup: Setup) -> tuple[Change, ...]:
    """Read changes; Refused with a sentence for the first that cannot be understood or done."""
    return tuple(_change(text, months, setup) for text in texts)


def _change(text: str, months: list[str], setup: Setup) -> Change:
    plain = " ".join(text.split())
    for kind, (pattern, _, _) in FORMS.items():
        if match := re.fullmatch(pattern, plain):
            parts = match.groupdict()
            change = _placed(kind, parts, months, plain)
            _checked(change, setup)
            return change
    forms = "; ".join(example for _, example, _ in FORMS.values())
    raise Refused(f'"{plain}" is not a change. Write one like these: {forms}.')


def _placed(kind: str, parts: dict[str, str], months: list[str], text: str) -> Change:
    """The change with its months as positions."""
    for name in (parts["month"], parts.get("until")):
        if name and name not in months:
            raise Refused(
                f'"{text}": the delivery has the months {months[0]} to {months[-1]}, not {name}.'
            )
    first = months.index(parts["month"])
    until = parts.get("until")
    last = months.index(until) if until else len(months) - 1
    if last < first:
        raise Refused(f'"{text}": {until} is before {parts["month"]}.')
    last = first if kind in ONE_MONTH else last
    value = float(parts.get("value") or 1)
    return Change(kind, parts.get("what") or "", parts.get("base") or "", value, first, last, text)


def _checked(change: Change, setup: Setup) -> None:
    """Refused where it names something the service does not have."""
    carried = [size.id for size in setup.sizes if size.carried]
    if change.base and change.base not in setup.bases:
        _refuse(change, f"no base {change.base}", setup.bases)
    if change.kind == OCCLUSIONS and change.what not in carried:
        _refuse(change, f"no carried size {change.what}", carried)
    if change.kind in (ODDS, RETRAINED) and change.what not in STEERED:
        _refuse(change, f"nothing that changes {change.what}", tuple(STEERED))
    if change.kind == CASE and change.what not in CASES:
        _refuse(change, f"no case {change.what}", tuple(CASES))
    if change.kind == FAILS:
        if unit_of(change.what, setup) is None:
            base = setup.bases[-1]
            known = (f"H-{base}-1 to H-{base}-{HEATERS}", f"V-{base}-1 to V-{base}-{VENTILATORS}")
            _refuse(change, f"no unit {change.what}", (*known, "and so on for the other bases"))
        if change.value > 1:
            raise Refused(f'"{change.text}": a share is from 0 to 1.')
    if change.kind in (OCCLUSIONS, ODDS, RETRAINED) and not 0 < change.value <= MOST_RATIO:
        raise Refused(f'"{change.text}": times what must be above 0, at most {MOST_RATIO:g}.')


def _refuse(change: Change, lacking: str, known: tuple[str, ...] | list[str]) -> None:
    raise Refused(f'"{change.text}": the service has {lacking}; it has {", ".join(known)}.')


def unit_of(token: str, setup: Setup) -> tuple[str, int, int] | None:
    """Return a unit's kind (H or V), its base's position and its number; None if there is none."""
    match = re.fullmatch(r"([HV])-([a-z]+)-(\d)", token)
    if not match or match[2] not in setup.bases:
        return None
    most = HEATERS if match[1] == "H" else VENTILATORS
    number = int(match[3])
    return (match[1], setup.bases.index(match[2]), number) if 1 <= number <= most else None


def planted_text(planted: tuple[Change, ...], months: list[str]) -> str:
    """Return planted_changes.csv; an empty `until_month` is the last of the delivery."""
    rows = ["kind,what,base,value,from_month,until_month"]
    for c in planted:
        # a retraining shows from the month after it
        until = months[c.last] if c.last < len(months) - 1 or c.kind in ONE_MONTH else ""
        rows.append(f"{c.kind},{c.what},{c.base},{c.value:g},{months[c.first]},{until}")
    return "\n".join(rows) + "\n"
