"""Whether medical direction was called when the child needed more support."""

from pipeline.rules.rule import Rule

RULE = Rule(
    id="escalation-call",
    question="When the child ended on more support, or worse, was medical direction called?",
    asks="A call to medical direction at or before hand-over where the outcome is more support,"
    " intubation, arrest or death",
    # without a hand-over time a call cannot be placed
    answers="""
    WITH calls AS (
        SELECT trip_key, min(at_s) AS at_s FROM contacts_now
        WHERE contacted = 'medical_direction' GROUP BY trip_key
    ),
    judged AS (
        SELECT w.trip_key, w.contacts_known, w.handover_s, c.at_s, t.outcome,
               CASE WHEN t.outcome IS NULL THEN 'cannot_tell'
                    WHEN t.outcome NOT IN ('more_support', 'intubated', 'arrest', 'died')
                    THEN 'not_applicable'
                    WHEN c.at_s <= w.handover_s THEN 'met'
                    WHEN c.at_s IS NOT NULL AND w.handover_s IS NULL THEN 'cannot_tell'
                    ELSE 'deviation' END AS plain
        FROM version_trips w
        JOIN delivered.trips t USING (trip_key)
        LEFT JOIN calls c USING (trip_key)
    )
    SELECT trip_key,
           CASE WHEN plain = 'deviation' AND NOT contacts_known THEN 'cannot_tell'
                ELSE plain END AS verdict,
           CASE WHEN plain <> 'not_applicable' THEN at_s END AS from_s,
           CASE WHEN plain <> 'not_applicable' THEN handover_s END AS until_s,
           CASE WHEN outcome IN ('arrest', 'died') AND verdict IN ('met', 'deviation')
                THEN verdict || '_worst'
                WHEN verdict = 'cannot_tell' AND plain = 'deviation'
                THEN CASE WHEN outcome IN ('arrest', 'died') THEN 'calls_unknown_worst'
                          ELSE 'calls_unknown' END
                WHEN verdict = 'cannot_tell' AND outcome IS NOT NULL THEN 'no_handover'
                ELSE verdict END AS why
    FROM judged
    """,
    sentences={
        "met": "The child ended on more support, and medical direction was called before"
        " hand-over.",
        "deviation": "The child ended on more support, and no call to medical direction is recorded"
        " at or before hand-over.",
        "met_worst": "The child arrested or died, and medical direction was called before"
        " hand-over.",
        "deviation_worst": "The child arrested or died, and no call to medical direction is"
        " recorded at or before hand-over.",
        "cannot_tell": "The outcome is not recorded.",
        "no_handover": "A call is recorded, but without a hand-over time it is not known whether it"
        " came before.",
        "calls_unknown": "The child ended on more support, and not all calls of this trip are"
        " known.",
        "calls_unknown_worst": "The child arrested or died, and not all calls of this trip are"
        " known.",
        "not_applicable": "The child did not end on more support.",
    },
    unknown_time="A missing outcome cannot tell.",
    reason_to_ask="A child who needs more support than high flow needs a second mind early.",
    source="common practice, no source",
    evidence=("contacts",),
    trip_fields=("outcome", "handover_s"),
    one_by_one=True,
)
