"""The invented service's protocol, and what describes its deliveries."""

from __future__ import annotations

from schemas.months import later

SERVICE = "heron-ridge"
DIAGNOSES = ("lower-airway", "upper-airway", "cardiac", "neurological", "after-surgery", "other")
TABLES = ("trips", "crew", "settings", "device_events", "observations", "contacts", "training")

FIRST_RULES = """
[version.rules.wall-oxygen-time]
limit_min = 50
at_limit = "pass"
goal_share = 0.05
count = "total"
grace_min = 0
severity = "high"
text = "Full oxygen from the wall outlet or a cylinder for no more than 50 minutes in all."
source = "local protocol"

[version.rules.unheated-time]
limit_min = 15
at_limit = "pass"
count = "total"
grace_min = 0
severity = "high"
text = "Unheated gas for no more than 15 minutes in all."
source = "local protocol"

# The ventilator is needed above either limit. A blender does as well.
[version.rules.source-choice]
flow_limit_lpm = 18
transit_limit_min = 40
at_limit = "pass"
satisfied_by = ["ventilator", "blender"]
grace_min = 5
severity = "medium"
text = "Over 18 L/min, or over 40 minutes of planned transit: leave on the ventilator or a blender."
source = "local protocol"

[version.rules.fallback-reason]
accepted_reasons = [
  "heater_failed", "ventilator_failed", "power_lost", "supply_low", "repeated_occlusion",
]
reason_window_min = 5
severity = "medium"
text = "Unheated gas from the wall or a cylinder only for a failure, and the failure is charted."
source = "local protocol"

# Minutes are counted from the event that completes the count.
[version.rules.repeated-occlusion-call]
count = 3
window_min = 10
lead_min = 5
within_min = 10
severity = "high"
text = "Three occlusions within 10 minutes: call medical direction within 10 minutes."
source = "local protocol"
"""

OTHER_RULES = """
# The larger of the two tolerances counts.
[version.rules.flow-kept]
tolerance_lpm = 1
tolerance_pct = 10
grace_min = 5
severity = "low"
text = "Start on the flow the sending hospital ran, unless there is a reason to change."
source = "local protocol"

# A family of which no size is carried is converted.
[version.rules.cannula-kept]
convert_to = "prong"
grace_min = 5
severity = "low"
text = "Keep the family of cannula; convert what we do not carry to prongs."
source = "local protocol"

[version.rules.cannula-flow-range]
limit_min = 5
at_limit = "pass"
count = "longest"
grace_min = 0
severity = "medium"
text = "No longer than 5 minutes at a flow outside the cannula's range."
source = "local protocol"

[version.rules.cannula-weight]
grace_min = 5
severity = "medium"
text = "Leave with a cannula meant for the child's weight."
source = "local protocol"

# About what the child went through, whoever's doing it was.
[version.rules.flow-interruption]
longest_limit_s = 15
total_limit_s = 60
at_limit = "pass"
severity = "medium"
text = "No cut-off over 15 seconds, and no more than 60 seconds cut off in all."
source = "local protocol"

[version.rules.heat-ready]
grace_min = 5
severity = "low"
text = "Leave with heated gas."
source = "local protocol"

[version.rules.oxygen-titration]
spo2_pct = 98
fio2 = 0.40
limit_min = 15
at_limit = "pass"
max_spacing_min = 20
severity = "medium"
text = "Turn down an FiO2 above 0.40 when SpO2 has been 98 % or more for 15 minutes."
source = "local protocol"

[version.rules.low-saturation-response]
spo2_pct = 90
within_min = 5
max_spacing_min = 10
recovery_counts = true
severity = "high"
text = "Two readings below 90 %: change something or call within 5 minutes."
source = "local protocol"

[version.rules.monitoring-gap]
limit_min = 15
at_limit = "pass"
severity = "medium"
text = "SpO2 and respiratory rate at least every 15 minutes."
source = "local protocol"

[version.rules.settings-gap]
limit_min = 30
at_limit = "pass"
severity = "low"
text = "Chart the settings at least every 30 minutes."
source = "local protocol"

[version.rules.escalation-call]
severity = "high"
text = "Call medical direction when a child needs more support."
source = "local protocol"

# Only where an order bars undiluted oxygen.
[version.rules.blend-required]
limit_min = 5
at_limit = "pass"
count = "total"
grace_min = 0
severity = "high"
text = "Where an order bars undiluted oxygen, no more than 5 minutes on wall or cylinder."
source = "local protocol"
"""
PROTOCOL = """\
# The protocol of an invented service. Nothing in it is clinical advice: your own local protocol
# and medical direction govern.

[[version]]
id = "2026.1"
from_month = "{first_month}"
approved = {{ by = "D1", month = "{approved}" }}
# Occlusions no further apart than this are one blockage; 0 counts every one.
merge_within_s = 0
# A person reads these trips whatever the rules say.
always_read = [
  "died", "arrest", "intubated", "more_support", "bagged", "spo2_below_80", "long_cut",
  "ventilator_failed", "power_lost", "supply_low", "unheated_fallback", "blend_required",
  "repeated_occlusion_without_call",
]
# What remains uncertain of a device's time: as it stands, and once its start is matched.
clock_tolerance_s = 120
matched_tolerance_s = 60

# How long a charted value is taken to hold. Flow and oxygen are charted every ten minutes or so:
# after 30 minutes without an entry nobody can say. The others are charted when they change.
[version.carry_forward_min]
flow_lpm = 30
fio2 = 30
source = "until_changed"
humidification = "until_changed"
cannula = "until_changed"
"""

EXPORT = """\
# What this delivery is. The service and everything in it are invented.
contract = 1
service = "{service}"
months = [{months}]
privacy_basis = "limited-data-set"

# Stands under every page of a pack. A real service's counsel words it.
confidentiality = "Peer-review record of {service}, an invented service: no real child is in it."

# How finely times were recorded: charts to the minute, the device's log to the second.
[time_resolution_s]
trips = 60
settings = 60
device_events = 1
observations = 60
contacts = 60

# Beyond this a device's clock is reported as wrong and is not corrected.
[device_clock]
max_offset_s = {max_offset_s}

# What the dispatch log says there should be.
[expected_trips]
{expected}
"""

MAX_OFFSET_S = 600


def protocol_text(first_month: str, *, all_rules: bool) -> str:
    """Return protocol.toml: one approved version, in force from the first month."""
    head = PROTOCOL.format(first_month=first_month, approved=later(first_month, -1))
    return head + FIRST_RULES + (OTHER_RULES if all_rules else "")


def export_text(months: list[str], expected: list[int]) -> str:
    """Return export.toml for these months with the trips expected of each."""
    return EXPORT.format(
        service=SERVICE,
        months=", ".join(f'"{month}"' for month in months),
        expected="\n".join(f"{m} = {n}" for m, n in zip(months, expected, strict=True)),
        max_offset_s=MAX_OFFSET_S,
    )
