"""Every check of the contract as SQL over the typed columns of its table.

Made by `python -m pipeline.ingest.make_checks`; a test holds it equal to the contract.
"""

# ruff: noqa: E501
# fmt: off

CHECKS: dict[str, dict[str, tuple[str, ...]]] = {
    'trips': {
        'trip_id': (
            'REGEXP_MATCHES("trip_id", \'^[^\\s\\x00-\\x1f\\x7f=+@-]([^\\x00-\\x1f\\x7f]{0,62}[^\\s\\x00-\\x1f\\x7f])?$\')',
        ),
        'service_month': (
            'REGEXP_MATCHES("service_month", \'^[0-9]{4}-(0[1-9]|1[0-2])$\')',
        ),
        'base': (
            'REGEXP_MATCHES("base", \'^[^\\s\\x00-\\x1f\\x7f=+@-]([^\\x00-\\x1f\\x7f]{0,62}[^\\s\\x00-\\x1f\\x7f])?$\')',
        ),
        'vehicle': (
            '"vehicle" IN (\'fixed_wing\', \'ground\', \'rotor\')',
        ),
        'age_months': (
            '"age_months" >= 0',
            '"age_months" <= 251',
        ),
        'weight_kg': (
            '"weight_kg" >= 0.4',
            '"weight_kg" <= 150',
        ),
        'diagnosis_group': (
            'REGEXP_MATCHES("diagnosis_group", \'^[^\\s\\x00-\\x1f\\x7f=+@-]([^\\x00-\\x1f\\x7f]{0,62}[^\\s\\x00-\\x1f\\x7f])?$\')',
        ),
        'planned_transit_min': (
            '"planned_transit_min" >= 0',
            '"planned_transit_min" <= 2880',
        ),
        'sending_cannula': (
            'REGEXP_MATCHES("sending_cannula", \'^[^\\s\\x00-\\x1f\\x7f=+@-]([^\\x00-\\x1f\\x7f]{0,62}[^\\s\\x00-\\x1f\\x7f])?$\')',
        ),
        'sending_flow_lpm': (
            '"sending_flow_lpm" >= 0',
            '"sending_flow_lpm" <= 80',
        ),
        'sending_fio2': (
            '"sending_fio2" >= 0.21',
            '"sending_fio2" <= 1.0',
        ),
        'departed_s': (
            '"departed_s" >= 0',
            '"departed_s" <= 172800',
        ),
        'arrived_s': (
            '"arrived_s" >= 0',
            '"arrived_s" <= 172800',
        ),
        'handover_s': (
            '"handover_s" >= 0',
            '"handover_s" <= 172800',
        ),
        'outcome': (
            '"outcome" IN (\'arrest\', \'died\', \'intubated\', \'more_support\', \'unchanged\', \'weaned\')',
        ),
        'device_log': (
            '"device_log" IN (\'complete\', \'none\', \'partial\')',
        ),
        'service_seq': (
            '"service_seq" >= 0',
        ),
        'ventilator_unit': (
            'REGEXP_MATCHES("ventilator_unit", \'^[^\\s\\x00-\\x1f\\x7f=+@-]([^\\x00-\\x1f\\x7f]{0,62}[^\\s\\x00-\\x1f\\x7f])?$\')',
        ),
        'heater_unit': (
            'REGEXP_MATCHES("heater_unit", \'^[^\\s\\x00-\\x1f\\x7f=+@-]([^\\x00-\\x1f\\x7f]{0,62}[^\\s\\x00-\\x1f\\x7f])?$\')',
        ),
        'outcome_24h': (
            '"outcome_24h" IN (\'died\', \'intubated\', \'more_support\', \'unchanged\', \'weaned\')',
        ),
    },
    'crew': {
        'trip_id': (
            'REGEXP_MATCHES("trip_id", \'^[^\\s\\x00-\\x1f\\x7f=+@-]([^\\x00-\\x1f\\x7f]{0,62}[^\\s\\x00-\\x1f\\x7f])?$\')',
        ),
        'crew_member': (
            'REGEXP_MATCHES("crew_member", \'^[^\\s\\x00-\\x1f\\x7f=+@-]([^\\x00-\\x1f\\x7f]{0,62}[^\\s\\x00-\\x1f\\x7f])?$\')',
        ),
        'role': (
            'REGEXP_MATCHES("role", \'^[^\\s\\x00-\\x1f\\x7f=+@-]([^\\x00-\\x1f\\x7f]{0,62}[^\\s\\x00-\\x1f\\x7f])?$\')',
        ),
    },
    'settings': {
        'trip_id': (
            'REGEXP_MATCHES("trip_id", \'^[^\\s\\x00-\\x1f\\x7f=+@-]([^\\x00-\\x1f\\x7f]{0,62}[^\\s\\x00-\\x1f\\x7f])?$\')',
        ),
        'at_s': (
            '"at_s" >= 0',
            '"at_s" <= 172800',
        ),
        'support': (
            '"support" IN (\'high_flow\', \'invasive\', \'low_flow\', \'none\', \'noninvasive\')',
        ),
        'source': (
            '"source" IN (\'blender\', \'cylinder\', \'other\', \'ventilator\', \'wall\')',
        ),
        'flow_lpm': (
            '"flow_lpm" >= 0',
            '"flow_lpm" <= 80',
        ),
        'fio2': (
            '"fio2" >= 0.21',
            '"fio2" <= 1.0',
        ),
        'humidification': (
            '"humidification" IN (\'heated\', \'unheated\')',
        ),
        'cannula': (
            'REGEXP_MATCHES("cannula", \'^[^\\s\\x00-\\x1f\\x7f=+@-]([^\\x00-\\x1f\\x7f]{0,62}[^\\s\\x00-\\x1f\\x7f])?$\')',
        ),
        'reason': (
            '"reason" IN (\'check\', \'clinical\', \'comfort\', \'heater_failed\', \'power_lost\', \'repeated_occlusion\', \'start\', \'supply_low\', \'ventilator_failed\')',
        ),
    },
    'device_events': {
        'trip_id': (
            'REGEXP_MATCHES("trip_id", \'^[^\\s\\x00-\\x1f\\x7f=+@-]([^\\x00-\\x1f\\x7f]{0,62}[^\\s\\x00-\\x1f\\x7f])?$\')',
        ),
        'at_s': (
            '"at_s" >= -86400',
            '"at_s" <= 172800',
        ),
        'event': (
            '"event" IN (\'occlusion\', \'paused\', \'restored\', \'started\')',
        ),
        'pressure_cmh2o': (
            '"pressure_cmh2o" >= 0',
            '"pressure_cmh2o" <= 200',
        ),
        'cutoff_s': (
            '"cutoff_s" >= 0',
            '"cutoff_s" <= 86400',
        ),
    },
    'observations': {
        'trip_id': (
            'REGEXP_MATCHES("trip_id", \'^[^\\s\\x00-\\x1f\\x7f=+@-]([^\\x00-\\x1f\\x7f]{0,62}[^\\s\\x00-\\x1f\\x7f])?$\')',
        ),
        'at_s': (
            '"at_s" >= 0',
            '"at_s" <= 172800',
        ),
        'spo2_pct': (
            '"spo2_pct" >= 0',
            '"spo2_pct" <= 100',
        ),
        'resp_rate': (
            '"resp_rate" >= 0',
            '"resp_rate" <= 200',
        ),
        'heart_rate': (
            '"heart_rate" >= 0',
            '"heart_rate" <= 350',
        ),
        'behaviour': (
            '"behaviour" IN (\'agitated\', \'asleep\', \'calm\', \'coughing\', \'crying\')',
        ),
        'care': (
            '"care" IN (\'bagged\', \'repositioned\', \'sensor_moved\', \'suction\')',
        ),
    },
    'contacts': {
        'trip_id': (
            'REGEXP_MATCHES("trip_id", \'^[^\\s\\x00-\\x1f\\x7f=+@-]([^\\x00-\\x1f\\x7f]{0,62}[^\\s\\x00-\\x1f\\x7f])?$\')',
        ),
        'at_s': (
            '"at_s" >= 0',
            '"at_s" <= 172800',
        ),
        'contacted': (
            '"contacted" IN (\'clinical_lead\', \'medical_direction\')',
        ),
        'about': (
            'REGEXP_MATCHES("about", \'^[^\\s\\x00-\\x1f\\x7f=+@-]([^\\x00-\\x1f\\x7f]{0,62}[^\\s\\x00-\\x1f\\x7f])?$\')',
        ),
        'authorised': (
            '"authorised" IN (\'cannula_change\', \'flow_change\', \'longer_unheated\', \'longer_wall_oxygen\', \'wall_instead_of_ventilator\')',
        ),
        'authorised_by': (
            'REGEXP_MATCHES("authorised_by", \'^[^\\s\\x00-\\x1f\\x7f=+@-]([^\\x00-\\x1f\\x7f]{0,62}[^\\s\\x00-\\x1f\\x7f])?$\')',
        ),
    },
    'training': {
        'month': (
            'REGEXP_MATCHES("month", \'^[0-9]{4}-(0[1-9]|1[0-2])$\')',
        ),
        'base': (
            'REGEXP_MATCHES("base", \'^[^\\s\\x00-\\x1f\\x7f=+@-]([^\\x00-\\x1f\\x7f]{0,62}[^\\s\\x00-\\x1f\\x7f])?$\')',
        ),
        'crew_member': (
            'REGEXP_MATCHES("crew_member", \'^[^\\s\\x00-\\x1f\\x7f=+@-]([^\\x00-\\x1f\\x7f]{0,62}[^\\s\\x00-\\x1f\\x7f])?$\')',
        ),
        'rule': (
            'REGEXP_MATCHES("rule", \'^[^\\s\\x00-\\x1f\\x7f=+@-]([^\\x00-\\x1f\\x7f]{0,62}[^\\s\\x00-\\x1f\\x7f])?$\')',
        ),
    },
    'expected': {
        'trip_id': (
            'REGEXP_MATCHES("trip_id", \'^[^\\s\\x00-\\x1f\\x7f=+@-]([^\\x00-\\x1f\\x7f]{0,62}[^\\s\\x00-\\x1f\\x7f])?$\')',
        ),
        'service_month': (
            'REGEXP_MATCHES("service_month", \'^[0-9]{4}-(0[1-9]|1[0-2])$\')',
        ),
        'base': (
            'REGEXP_MATCHES("base", \'^[^\\s\\x00-\\x1f\\x7f=+@-]([^\\x00-\\x1f\\x7f]{0,62}[^\\s\\x00-\\x1f\\x7f])?$\')',
        ),
    },
}
