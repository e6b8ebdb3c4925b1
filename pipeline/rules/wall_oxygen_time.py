"""Minutes on undiluted oxygen from the wall or a cylinder."""

from pipeline.rules.duration import duration_rule, duration_sentences

RULE = duration_rule(
    id="wall-oxygen-time",
    question="How long was the child on undiluted oxygen from the wall or a cylinder?",
    asks="No more than {limit_min:g} minutes ({count}) on wall or cylinder oxygen",
    in_state="t.source IN ('wall', 'cylinder')",
    sentences=duration_sentences("Undiluted oxygen from wall or cylinder"),
    reason_to_ask="The wall outlet cannot blend, so time on it is time on 100 % oxygen;"
    " more than the child needs is avoidable exposure to hyperoxia.",
    source="common practice, no source; the limit is the local protocol's",
    authorisation="longer_wall_oxygen",
    settings_fields=("source",),
    limits_wall_oxygen=True,
    curves=("limit_min",),
    curves_place=1,
    # what is past the limit would have to be on a blended source
    blended_minutes=lambda p: (
        f"""
        SELECT trip_key, observed_low - {p.limit_min} AS minutes FROM variances"""
    ),
)
