"""Every measure that may reach a page: one entry each, read by pages, handbook and charts."""

from __future__ import annotations

from schemas.measure_outputs import MeasureFacts

COMMON_PRACTICE = "common practice, no source"

MEASURES: dict[str, MeasureFacts] = {
    facts.id: facts
    for facts in (
        MeasureFacts(
            id="occlusion-rate",
            name="Occlusion rate",
            question="How often did the ventilator cut the flow?",
            numerator="occlusion events in known ventilator time with known cannula and flow",
            denominator="hours of that time, of trips whose device log is complete",
            unit="events per 100 ventilator hours",
            chart="u",
            better="lower",
            least="hours",
            minimum=10,
            sentence="Occlusions in every 100 hours on the ventilator's high-flow mode.",
            source="rate by exposure; no published rate by cannula size was found",
        ),
        MeasureFacts(
            id="trips-with-occlusion",
            name="Trips with an occlusion",
            question="On how many ventilator trips did at least one occlusion happen?",
            numerator="trips with a counted occlusion",
            denominator="trips with counted ventilator time",
            unit="share of trips",
            chart="p",
            better="lower",
            least="trips",
            minimum=10,
            sentence="Of the ventilator trips, those with one occlusion or more.",
            source=COMMON_PRACTICE,
        ),
        MeasureFacts(
            id="deviation-share",
            name="Variance share",
            question="Of the trips that could be judged, how many did not keep to the rule?",
            numerator="trips with a variance for review",
            denominator="trips judged: met, authorised, borderline or variance",
            unit="share of trips",
            chart="p",
            better="lower",
            least="trips",
            minimum=10,
            sentence="Trips with a variance for review, of those that could be judged.",
            source="the local protocol",
        ),
        MeasureFacts(
            id="trips-between-deviations",
            name="Trips between variances",
            question="How many trips pass between two variances of a rare kind?",
            numerator="trips judged between two variances, neither counted",
            denominator="one gap",
            unit="trips",
            chart="g",
            better="higher",
            least="gaps",
            minimum=5,
            sentence="For rules broken on fewer than 1 in 20 trips: the trips between two"
            " variances, in the order of service.",
            source="Benneyan 2001, Health Care Manag Sci 4:305",
        ),
        MeasureFacts(
            id="cannot-tell-share",
            name="Cannot-tell share",
            question="How often does the record not allow an answer?",
            numerator="trips that could not be judged",
            denominator="trips the rule asks about",
            unit="share of trips",
            chart="p",
            better="lower",
            least="trips",
            minimum=10,
            sentence="The record's own quality: trips a rule asks about and cannot judge.",
            source=COMMON_PRACTICE,
        ),
        MeasureFacts(
            id="all-rules-share",
            name="All rules kept",
            question="How many trips kept every rule that applied to them?",
            numerator="trips with every applicable rule met or authorised",
            denominator="trips with every applicable rule judged; borderline counts as judged",
            unit="share of trips",
            chart="p",
            better="higher",
            least="trips",
            minimum=10,
            sentence="Trips that kept every rule, of those where every rule could be judged; rules"
            " are not independent of each other.",
            source=COMMON_PRACTICE,
        ),
        MeasureFacts(
            id="full-oxygen-above-97",
            name="Full oxygen above SpO2 97 %",
            question="How long were children on undiluted oxygen although saturated above 97 %?",
            numerator="minutes on wall or cylinder with an SpO2 above 97 % observed in the 10 min"
            " before",
            denominator="hours on wall or cylinder with an SpO2 observed in the 10 min before",
            unit="minutes per wall hour",
            chart="XmR",
            better="lower",
            least="hours",
            minimum=5,
            sentence="Minutes in every hour on wall or cylinder oxygen with a saturation above"
            " 97 %.",
            source="SpO2 90-97 % is the target range of a published paediatric guideline for"
            " bronchiolitis (Napolitano 2021, Respir Care 66:1214)",
        ),
        MeasureFacts(
            id="bedside-minutes",
            name="Minutes at the bedside",
            question="Did better preparation cost time at the sending hospital?",
            numerator="median minutes from reaching the bedside to departure",
            denominator="trips with a departure time",
            unit="minutes",
            chart="XmR",
            better="neither",
            least="trips",
            minimum=5,
            sentence="A balancing measure: half the trips took longer than this at the bedside.",
            source=COMMON_PRACTICE,
        ),
    )
}
"""The registry, by measure id."""
