"""Rules about what the crew charted first, against what the sending hospital ran."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from .calls import authorising, settle
from .model import Case, Finding, Row, Setting, seconds
from .series import LOST, marks
from .window import review_window, settings_that_count


def first_charted(case: Case, field: str) -> tuple[Setting, Any] | None:
    """The setting that charted a field first, and the value; None where that is not known."""
    window = review_window(case)
    if window is None or case.untimed_setting:
        return None
    settings = settings_that_count(case, window)
    series = marks(settings, field)
    if not series or series[0][1] is LOST:
        return None
    at_s, value = series[0]
    rows = [s for s in settings if s.at_s == at_s and s.row and s.row[field] is not None]
    return rows[-1], value


def _contact_by(case: Case, rule: Row, code: str, at_s: int) -> bool:
    return authorising(case, code, at_s + seconds(rule.get("grace_min", 0))) > 0


def flow_kept(case: Case, rule: Row) -> Finding:
    """The first charted flow is that of the sending hospital, within a tolerance."""
    first, sending = first_charted(case, "flow_lpm"), case.trip["sending_flow_lpm"]
    if first is None or sending is None:
        return Finding("cannot_tell", unit="L/min")
    setting, flow = first
    share = Fraction(str(rule["tolerance_pct"])) / 100 * Fraction(str(sending))
    allowed = max(Fraction(str(rule["tolerance_lpm"])), share)
    difference = abs(Fraction(str(flow)) - Fraction(str(sending)))
    verdict = "met" if difference <= allowed else "deviation"
    meant = setting.row is not None and setting.row["reason"] == "clinical"
    authorised = meant or _contact_by(case, rule, "flow_change", setting.at_s)
    return Finding(
        settle(case, verdict, authorised=authorised),
        float(difference),
        float(difference),
        float(allowed),
        "L/min",
        setting.at_s,
        setting.at_s,
    )


def cannula_kept(case: Case, rule: Row) -> Finding:
    """The first charted cannula is of the sending one's family, or what that converts to."""
    first = first_charted(case, "cannula")
    sending = case.catalogue.get(case.trip["sending_cannula"] or "")
    worn = None if first is None else case.catalogue.get(first[1])
    if first is None or sending is None or worn is None:
        return Finding("cannot_tell")
    family = sending["family"]
    carried = any(e["carried"] for e in case.catalogue.values() if e["family"] == family)
    wanted = family if carried else rule["convert_to"]
    verdict = "met" if worn["family"] == wanted else "deviation"
    at_s = first[0].at_s
    authorised = _contact_by(case, rule, "cannula_change", at_s)
    return Finding(settle(case, verdict, authorised=authorised), from_s=at_s, until_s=at_s)
