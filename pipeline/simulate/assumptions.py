"""Every magnitude of the invented service in one table, each with its source or `assumed`."""

from __future__ import annotations

from schemas.record import dataclass

ASSUMED = "assumed"
SERIES = "published series of 358 children moved on high flow"
RATES = "median of healthy children: Fleming 2011, Lancet 377:1011"
RATES_FROM_MEMORY = f"{RATES}, from memory"
CLOCKS = "mean absolute offset about two minutes: Cordell 1994; Ornato 1998; Castren 2005"


@dataclass(frozen=True)
class Magnitude:
    """One number of the generator, its unit and where it comes from."""

    value: float
    unit: str
    source: str
    note: str = ""


MAGNITUDES: dict[str, Magnitude] = {
    "age_q1": Magnitude(0.3, "years", SERIES),
    "age_median": Magnitude(0.7, "years", SERIES),
    "age_q3": Magnitude(1.0, "years", SERIES),
    "older_share": Magnitude(0.07, "1", ASSUMED, "children of 18 to 150 months"),
    "weight_spread": Magnitude(0.16, "log", ASSUMED, "about the growth reference's median"),
    "transport_q1": Magnitude(69, "min", SERIES, "read as bedside to hand-over"),
    "transport_median": Magnitude(80, "min", SERIES, "read as bedside to hand-over"),
    "transport_q3": Magnitude(115, "min", SERIES, "read as bedside to hand-over"),
    "transit_q1": Magnitude(23, "min", ASSUMED, "planned; with bedside and wait as published"),
    "transit_median": Magnitude(31, "min", ASSUMED, "planned; with bedside and wait as published"),
    "transit_q3": Magnitude(59, "min", ASSUMED, "planned; with bedside and wait as published"),
    "transit_ratio": Magnitude(1.05, "1", ASSUMED, "median of actual to planned transit"),
    "transit_spread_below": Magnitude(0.07, "log", ASSUMED, "of that ratio below its median"),
    "transit_spread_above": Magnitude(0.167, "log", ASSUMED, "one in ten past 1.3"),
    "transit_winter": Magnitude(0.04, "log", ASSUMED, "July to January"),
    "planned_missing": Magnitude(0.04, "1", ASSUMED, "planned transit not charted"),
    "bedside_q1": Magnitude(28, "min", ASSUMED, "from the bedside to departure"),
    "bedside_median": Magnitude(34, "min", ASSUMED, "from the bedside to departure"),
    "bedside_q3": Magnitude(41, "min", ASSUMED, "from the bedside to departure"),
    "late_departure": Magnitude(0.06, "1", ASSUMED, "8 to 25 min late; twice that in January"),
    "delayed_after_move": Magnitude(0.3, "1", ASSUMED, "of late departures: already moved"),
    "handover_q1": Magnitude(4, "min", ASSUMED, "from arrival to hand-over"),
    "handover_median": Magnitude(5, "min", ASSUMED, "from arrival to hand-over"),
    "handover_q3": Magnitude(7, "min", ASSUMED, "from arrival to hand-over"),
    "kept_waiting": Magnitude(0.05, "1", ASSUMED, "8 to 30 min more; most often in January"),
    "winter_trips": Magnitude(0.4, "1", ASSUMED, "January against July, of the mean month"),
    "wall_share": Magnitude(0.93, "1", ASSUMED, "of trips that may: on wall or cylinder"),
    "cylinder_share": Magnitude(0.04, "1", ASSUMED, "of trips that may: on a cylinder"),
    "blender_share": Magnitude(0.05, "1", ASSUMED, "of the others: on the vehicle's blender"),
    "wall_called": Magnitude(0.25, "1", ASSUMED, "of wall overruns: called in time"),
    "failed_called": Magnitude(
        0.6, "1", ASSUMED, "of those after a ventilator failed: called in time"
    ),
    "wall_called_late": Magnitude(0.10, "1", ASSUMED, "of wall overruns: called too late"),
    "flow_share": Magnitude(
        0.42,
        "1",
        ASSUMED,
        "of the cannula's range; set so that flows have quartiles near 6, 10, 15",
    ),
    "flow_share_spread": Magnitude(0.24, "1", ASSUMED),
    "fio2_030_to_050": Magnitude(0.86, "1", ASSUMED, "most 0.30-0.50: Reimer 2021"),
    "clock_spread": Magnitude(85, "s", CLOCKS, "the ordinary clocks"),
    "clock_tail_share": Magnitude(0.15, "1", CLOCKS, "the far worse tail"),
    "clock_tail_scale": Magnitude(420, "s", CLOCKS, "the far worse tail"),
    "clock_drift": Magnitude(2, "s/h", ASSUMED, "at most, either way"),
    "clock_jitter": Magnitude(1, "s", ASSUMED, "at most, either way"),
    "occlusions_per_100h": Magnitude(
        30, "1/100 h", ASSUMED, "prong rank 3 at half its flow range; no published rate by size"
    ),
    "occlusion_flow_effect": Magnitude(
        1.6, "log", ASSUMED, "from the least to the most flow of a cannula's range"
    ),
    "occlusion_shape": Magnitude(
        0.5, "1", ASSUMED, "gamma shape of the trips' own rates: how far events cluster"
    ),
    "occlusion_wide": Magnitude(0.8, "1", ASSUMED, "rate of the wide family against prong"),
    "occlusion_base_spread": Magnitude(0.10, "log", ASSUMED, "from the first to the last base"),
    "occlusion_month_spread": Magnitude(0.04, "log", ASSUMED, "a yearly wave"),
    "burst_share": Magnitude(0.85, "1", ASSUMED, "three or more events that fall close together"),
    "ceiling": Magnitude(45, "cmH2O", ASSUMED, "common practice: near 50, no source"),
    "cutoff_median": Magnitude(6, "s", ASSUMED, "common practice: near 8 s, no source"),
    "cutoff_long_share": Magnitude(0.06, "1", ASSUMED, "cut-offs of 17 to 40 s"),
    "log_partial": Magnitude(0.05, "1", ASSUMED, "of ventilator trips"),
    "log_none": Magnitude(0.08, "1", ASSUMED, "of ventilator trips: never downloaded"),
    "log_unsaid_missing": Magnitude(0.03, "1", ASSUMED, "never downloaded, and not said so"),
    "log_unsaid_present": Magnitude(0.15, "1", ASSUMED, "downloaded, and not said so"),
    "spo2_typical": Magnitude(95.2, "%", ASSUMED, "on blended gas: 92-97 as a rule"),
    "spo2_children": Magnitude(1.0, "%", ASSUMED, "standard deviation between children"),
    "spo2_drift": Magnitude(0.9, "%", ASSUMED, "the same, of what drifts within a trip"),
    "spo2_noise": Magnitude(0.45, "%", ASSUMED, "the same, from row to row"),
    "spo2_upset": Magnitude(0.8, "%", ASSUMED, "less where the child cries, coughs or struggles"),
    "spo2_worse": Magnitude(91.6, "%", ASSUMED, "what children who get worse fall to"),
    "spo2_undiluted": Magnitude(99.9, "%", ASSUMED, "on undiluted oxygen"),
    "spo2_rises": Magnitude(2, "min", ASSUMED, "time constant of that"),
    "shunted": Magnitude(0.4, "1", ASSUMED, "of cardiac children: it does little for them"),
    "observed_every": Magnitude(4.7, "min", ASSUMED, "median between observations"),
    "observed_pace": Magnitude(0.15, "log", ASSUMED, "of that between crews"),
    "observed_spread": Magnitude(0.42, "log", ASSUMED, "of that from row to row"),
    "looked": Magnitude(0.5, "1", ASSUMED, "of occlusions: an observation at once"),
    "setting_skipped": Magnitude(0.4, "1", ASSUMED, "of every second routine row on the road"),
    "charted_every": Magnitude(19, "min", ASSUMED, "median between every second of them"),
    "charted_pace": Magnitude(0.12, "log", ASSUMED, "of that between crews"),
    "charted_spread": Magnitude(0.3, "log", ASSUMED, "of that from row to row"),
    "skipped": Magnitude(0.3, "1", ASSUMED, "of every second observation on a quiet road"),
    "leaving_unseen": Magnitude(
        0.75, "1", ASSUMED, "of trips: none for 9 to 13 min at departure, or a failure"
    ),
    "arriving_unseen": Magnitude(0.5, "1", ASSUMED, "of trips: the same at arrival"),
    "beats_at_birth": Magnitude(127, "1/min", RATES),
    "beats_at_1_month": Magnitude(145, "1/min", RATES),
    "beats_at_7_months": Magnitude(134, "1/min", RATES_FROM_MEMORY, "6 to 9 months"),
    "beats_at_15_months": Magnitude(123, "1/min", RATES_FROM_MEMORY, "12 to 18 months"),
    "beats_at_2_years": Magnitude(113, "1/min", RATES),
    "beats_at_5_years": Magnitude(98, "1/min", RATES_FROM_MEMORY, "4 to 6 years"),
    "beats_at_10_years": Magnitude(84, "1/min", RATES_FROM_MEMORY, "8 to 12 years"),
    "beats_ill": Magnitude(10, "1/min", ASSUMED, "more, of children ill enough to be moved"),
    "beats_children": Magnitude(9, "1/min", ASSUMED, "standard deviation between children"),
    "beats_drift": Magnitude(8, "1/min", ASSUMED, "the same, of what drifts within a trip"),
    "beats_noise": Magnitude(1.5, "1/min", ASSUMED, "the same, from row to row"),
    "beats_asleep": Magnitude(-10, "1/min", ASSUMED, "against a calm child"),
    "beats_crying": Magnitude(32, "1/min", ASSUMED, "against a calm child"),
    "beats_coughing": Magnitude(12, "1/min", ASSUMED, "against a calm child"),
    "beats_agitated": Magnitude(20, "1/min", ASSUMED, "against a calm child"),
    "beats_suction": Magnitude(8, "1/min", ASSUMED, "more at suction"),
    "beats_low": Magnitude(12, "1/min", ASSUMED, "more at SpO2 below 90 %"),
    "beats_weaned": Magnitude(-4, "1/min", ASSUMED, "more, of children weaned"),
    "beats_short": Magnitude(6, "1/min", ASSUMED, "more until the flow is turned up"),
    "beats_deep": Magnitude(-35, "1/min", ASSUMED, "more at SpO2 below 80 %, on top of that"),
    "breaths_at_birth": Magnitude(44, "1/min", RATES),
    "breaths_at_7_months": Magnitude(39, "1/min", RATES_FROM_MEMORY, "6 to 9 months"),
    "breaths_at_2_years": Magnitude(26, "1/min", RATES),
    "breaths_at_5_years": Magnitude(23, "1/min", RATES_FROM_MEMORY, "4 to 6 years"),
    "breaths_at_10_years": Magnitude(19, "1/min", RATES_FROM_MEMORY, "8 to 12 years"),
    "breaths_ill": Magnitude(7, "1/min", ASSUMED, "more, of children ill enough to be moved"),
    "breaths_children": Magnitude(4, "1/min", ASSUMED, "standard deviation between children"),
    "breaths_drift": Magnitude(4.5, "1/min", ASSUMED, "the same, of what drifts within a trip"),
    "breaths_noise": Magnitude(1, "1/min", ASSUMED, "the same, from row to row"),
    "breaths_counted": Magnitude(0.6, "1", ASSUMED, "of trips: over half a minute, and doubled"),
    "breaths_miscounted": Magnitude(1.8, "1/min", ASSUMED, "more from row to row where counted"),
    "breaths_asleep": Magnitude(-4, "1/min", ASSUMED, "against a calm child"),
    "breaths_crying": Magnitude(11, "1/min", ASSUMED, "against a calm child"),
    "breaths_coughing": Magnitude(5, "1/min", ASSUMED, "against a calm child"),
    "breaths_agitated": Magnitude(7, "1/min", ASSUMED, "against a calm child"),
    "breaths_suction": Magnitude(3, "1/min", ASSUMED, "more at suction"),
    "breaths_low": Magnitude(6, "1/min", ASSUMED, "more at SpO2 below 90 %"),
    "breaths_weaned": Magnitude(-4, "1/min", ASSUMED, "more, of children weaned"),
    "breaths_short": Magnitude(5, "1/min", ASSUMED, "more until the flow is turned up"),
    "breaths_deep": Magnitude(0, "1/min", ASSUMED, "more at SpO2 below 80 %, on top of that"),
    "asleep": Magnitude(0.4, "1", ASSUMED, "of observations of children who are not upset"),
    "soothed": Magnitude(0.35, "1", ASSUMED, "of children who do not stop: turned or suctioned"),
    "settled": Magnitude(0.3, "1", ASSUMED, "of the upset that is left after suction or turning"),
    "dip_slipped": Magnitude(0.7, "1", ASSUMED, "of dips: a sensor had moved; else suction"),
    "sending_flow_off": Magnitude(
        0.05, "1", ASSUMED, "first flow half a litre off the sending hospital's"
    ),
    "crying": Magnitude(0.12, "1", ASSUMED, "of observations, more where occlusions cluster"),
    "crying_most": Magnitude(0.4, "1", ASSUMED, "the same, of the most upset children"),
    "crying_near": Magnitude(0.35, "1", ASSUMED, "of observations within 2 min of an occlusion"),
    "crying_raised": Magnitude(0.9, "1", ASSUMED, "the same, where a change raised the rate"),
    "suctioned": Magnitude(0.03, "1", ASSUMED, "of observations"),
    "repositioned": Magnitude(0.03, "1", ASSUMED, "of observations"),
    "sensor_moved": Magnitude(0.01, "1", ASSUMED, "of observations"),
    "bagged": Magnitude(
        0.4, "1", ASSUMED, "of the last observations of children intubated, arrested or dead"
    ),
    "care_after_occlusion": Magnitude(0.45, "1", ASSUMED, "of observations within 3 min of one"),
    "reseated": Magnitude(0.5, "1", ASSUMED, "of repeated occlusions: the cannula charted anew"),
    "against_order": Magnitude(0.10, "1", ASSUMED, "of trips within the limits: on the wall"),
    "exempt_share": Magnitude(0.05, "1", ASSUMED, "another saturation target is ordered"),
    "expected_surplus": Magnitude(0.02, "1", ASSUMED, "trips dispatched but never received"),
    "rotor_share": Magnitude(0.20, "1", ASSUMED, "by helicopter, of 20 min of road or more"),
    "fixed_wing_share": Magnitude(0.08, "1", ASSUMED, "by aeroplane, of 60 min of road or more"),
    "not_carried": Magnitude(
        0.12, "1", ASSUMED, "of children on prongs: found on a kind not carried"
    ),
    "flow_step": Magnitude(0.25, "1", ASSUMED, "of trips: the flow changed by 1 L/min"),
    "titrated": Magnitude(0.35, "1", ASSUMED, "of trips on blended gas: FiO2 lowered by 0.05"),
    "lost_by_power": Magnitude(
        0.6, "1", ASSUMED, "of heat lost between bedside and vehicle; else the heater"
    ),
    "occlusion_no_call": Magnitude(0.20, "1", ASSUMED, "of repeated occlusions"),
    "occlusion_late_call": Magnitude(0.08, "1", ASSUMED, "of repeated occlusions"),
    "occlusion_call_at_limit": Magnitude(0.10, "1", ASSUMED, "of repeated occlusions"),
    "cutoff_missing": Magnitude(0.03, "1", ASSUMED, "of cut-offs: no length logged"),
    "spo2_dip": Magnitude(0.012, "1", ASSUMED, "of every fourth observation: 88 or 89 % for once"),
    "worse_dip": Magnitude(0.3, "1", ASSUMED, "the same, of children who get worse"),
    "spo2_missing": Magnitude(0.06, "1", ASSUMED, "of every second observation"),
    "worse_intubated": Magnitude(0.2, "1", ASSUMED, "of children who came to need more support"),
    "worse_gravest": Magnitude(
        0.05, "1", ASSUMED, "of children who came to need more support: arrested or died"
    ),
    "gravest_died": Magnitude(0.3, "1", ASSUMED, "of these"),
    "worse_breaths": Magnitude(14, "1/min", ASSUMED, "more, of children who get worse"),
    "worse_upset": Magnitude(0.75, "1", ASSUMED, "of observations of children who get worse"),
    "worse_beats": Magnitude(22, "1/min", ASSUMED, "more, of children who get worse"),
}
"""What is planted, and how often, stands with the plants themselves and is assumed throughout."""


def of(name: str) -> float:
    """Return the value of one magnitude; KeyError if there is none of that name."""
    return MAGNITUDES[name].value
