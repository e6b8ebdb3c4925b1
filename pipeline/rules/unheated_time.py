"""Minutes on unheated gas."""

from pipeline.rules.duration import duration_rule, duration_sentences

RULE = duration_rule(
    id="unheated-time",
    question="How long was the child on unheated gas?",
    asks="No more than {limit_min:g} minutes ({count}) unheated",
    in_state="t.humidification = 'unheated'",
    sentences=duration_sentences("Unheated gas"),
    reason_to_ask="Cold, dry gas at high flow dries and irritates the airway;"
    " unheated flow is a fallback for as short a time as possible.",
    source="common practice, no source; the limit is the local protocol's",
    authorisation="longer_unheated",
    settings_fields=("humidification",),
    curves=("limit_min",),
    curves_place=2,
)
