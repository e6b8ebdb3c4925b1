"""Every measure that may reach a page: one entry each, read by pages, handbook and charts."""

from __future__ import annotations

from functools import partial

from schemas.measure_outputs import MeasureFacts
from schemas.units import Unit

COMMON_PRACTICE = "common practice, no source"

_measure = partial(
    MeasureFacts, chart="none", better="lower", least="trips", minimum=10, source=COMMON_PRACTICE
)
"""One without a chart that should go down, needs ten trips, and is common practice, unless said."""

_share = partial(_measure, unit=Unit.SHARE, interval="Wilson score")
"""A share of trips."""

MEASURES: dict[str, MeasureFacts] = {
    facts.id: facts
    for facts in (
        _measure(
            id="occlusion-rate",
            name="Occlusion rate",
            question="How often did the ventilator cut the flow?",
            numerator="occlusion events in known ventilator time with known cannula and flow",
            denominator="hours of that time, of trips whose device log is complete",
            left_out="trips with ventilator time none of which could be counted: no complete"
            " device log, or no known cannula and flow",
            unit=Unit.RATE,
            interval="mid-P negative binomial with one k for the service; below ten trips an upper"
            " bound alone",
            chart="u",
            least="hours",
            sentence="Occlusions in every 100 hours on the ventilator's high-flow mode.",
            source="rate by exposure; no published rate by cannula size was found",
            page="month",
            section="rates",
        ),
        _share(
            id="trips-with-occlusion",
            name="Trips with an occlusion",
            question="On how many ventilator trips did at least one occlusion happen?",
            numerator="trips with a counted occlusion",
            denominator="trips with counted ventilator time",
            left_out="trips with ventilator time none of which could be counted",
            chart="p",
            sentence="Of the ventilator trips, those with one occlusion or more.",
            page="director",
            section="time",
        ),
        _share(
            id="incomplete-log-share",
            name="Ventilator trips without a complete log",
            question="How often does the device log of a ventilator trip not come, or not whole?",
            numerator="trips with ventilator time whose device log is not complete",
            denominator="trips with ventilator time",
            left_out="nothing",
            chart="signals: each base",
            sentence="The record's own quality: of trips without a log no occlusion is known.",
            page="month",
            section="signals",
        ),
        _share(
            id="worse-outcome",
            name="Worse by hand-over",
            question="How many children were worse off at hand-over than at the start?",
            numerator="trips with more support, intubation, arrest or death by hand-over",
            denominator="trips whose outcome is recorded",
            left_out="trips without a recorded outcome",
            sentence="Of the trips with a recorded outcome, those with more support, intubation,"
            " arrest or death by hand-over.",
            page="director",
            section="outcomes",
        ),
        _share(
            id="worse-outcome-day-after",
            name="Worse a day later",
            question="How many children were worse off a day after hand-over?",
            numerator="trips with more support, intubation or death by a day after hand-over",
            denominator="trips whose outcome a day later is recorded",
            left_out="trips without a recorded outcome a day later",
            sentence="The same a day after hand-over, as far as the receiving hospital told.",
            page="director",
            section="outcomes",
        ),
        _measure(
            id="one-by-one",
            name="One by one",
            question="How many trips have passed since the last grave variance?",
            numerator="trips asked about since the last variance of the rule",
            denominator="one rule; where more than a fifth of these trips are undecided, nothing",
            left_out="trips that the rule does not ask about",
            unit=Unit.TRIPS,
            interval="none: each is shown by itself",
            better="higher",
            minimum=1,
            sentence="Variances of blend required, escalation call, low saturation response and"
            " repeated occlusion call, each by itself, and the trips since the last.",
            page="month",
            section="signals",
        ),
        _measure(
            id="year-ratio",
            name="Twelve months against twelve",
            question="Has a figure moved slowly, so that no single month shows it?",
            numerator="the figure of the twelve months to the one under review",
            denominator="that of the twelve before, or of what there is of them",
            left_out="as the figure itself",
            unit=Unit.YEARS_RATIO,
            interval="rates: log ratio with one k for the service; shares: log ratio of shares",
            better="neither",
            sentence="What a running level takes up in its stride shows here.",
            source="Katz and others 1978, Biometrics 34:469 (shares)",
            page="year",
            section="figures",
        ),
        _share(
            id="deviation-share",
            name="Variance share",
            question="Of the trips that could be judged, how many did not keep to the rule?",
            numerator="trips with a variance for review",
            denominator="trips judged: met, authorised, borderline or variance",
            left_out="trips the rule asks about and cannot judge; the bounds hold them and the"
            " borderline ones",
            chart="p",
            sentence="Trips with a variance for review, of those that could be judged.",
            source="the local protocol",
            page="month",
            section="rules",
        ),
        _measure(
            id="trips-between-deviations",
            name="Trips between variances",
            question="How many trips pass between two variances of a rare kind?",
            numerator="trips judged between two variances, neither counted",
            denominator="one gap",
            left_out="trips the rule could not judge; they are in no gap",
            unit=Unit.TRIPS,
            interval="none: charted as single gaps",
            chart="g",
            better="higher",
            least="gaps",
            minimum=5,
            sentence="For rules broken on fewer than 1 in 20 trips: the trips between two"
            " variances, in the order of service.",
            source="Benneyan 2001, Health Care Manag Sci 4:305",
            page="director",
            section="time",
        ),
        _share(
            id="cannot-tell-share",
            name="Cannot-tell share",
            question="How often does the record not allow an answer?",
            numerator="trips that could not be judged",
            denominator="trips the rule asks about",
            left_out="nothing: trips the rule does not ask about are not meant",
            chart="p",
            sentence="The record's own quality: trips a rule asks about and cannot judge.",
            page="director",
            section="time",
        ),
        _share(
            id="all-rules-share",
            name="All rules kept",
            question="How many trips kept every rule that applied to them?",
            numerator="trips with every applicable rule met or authorised",
            denominator="trips with every applicable rule judged; borderline counts as judged",
            left_out="trips with a rule that could not be judged",
            chart="p",
            better="higher",
            sentence="Trips that kept every rule, of those where every rule could be judged; rules"
            " are not independent of each other.",
            page="director",
            section="time",
        ),
        _share(
            id="confirmed-share",
            name="Flags confirmed",
            question="Of the flags a person has read, how many were right?",
            numerator="variances put down to practice, logistics, justified or equipment",
            denominator="variances with a determination",
            left_out="variances without a determination",
            better="higher",
            sentence="Of the variances a person has read, those that were confirmed: a rule with a"
            " low share cries wolf.",
            page="director",
            section="screen",
        ),
        _share(
            id="confirmed-deviation-share",
            name="Confirmed variance share",
            question="Of the trips judged, on how many was a variance confirmed?",
            numerator="variances confirmed by a person",
            denominator="trips judged; flags not yet read are counted beside",
            left_out="variances without a determination; the upper bound counts them as confirmed",
            sentence="The variance share after determinations; it stands beside the share as"
            " computed, never in its place.",
            page="month",
            section="rules",
        ),
        _share(
            id="practice-share",
            name="Practice share",
            question="Of the trips judged, on how many was practice what needs changing?",
            numerator="variances put down to practice",
            denominator="trips judged; flags not yet read are counted beside",
            left_out="variances without a determination; the upper bound counts them as practice",
            sentence="Variances that a person put down to practice, not to equipment, logistics or"
            " the record.",
            page="education",
            section="practice",
        ),
        _share(
            id="miss-rate",
            name="Miss rate",
            question="How often did no rule catch what a person found?",
            numerator="audited trips with something missed",
            denominator="trips without a flag, drawn at random and read, weighed by their chance",
            left_out="audit trips drawn and not read yet",
            interval="Wilson score; over several months with the effective sample size",
            sentence="Of the unflagged trips drawn at random and read, those where a person found a"
            " variance that no rule caught.",
            page="director",
            section="screen",
        ),
        _measure(
            id="occlusion-rate-ratio",
            name="Occlusion rate against before",
            question="Is the month's occlusion rate that of the months before?",
            numerator="the month's occlusion rate",
            denominator="the rate of all earlier months together",
            left_out="as the occlusion rate",
            unit=Unit.MONTHS_RATIO,
            interval="on the log scale, with one k for the service; below ten trips no lower bound",
            least="hours",
            sentence="The month's rate over that of all earlier months.",
            page="month",
            section="rates",
        ),
        _measure(
            id="occlusion-clustering",
            name="Clustering of occlusions",
            question="How much do occlusions come together on the same trips?",
            numerator="occlusion events of all months",
            denominator="trips and sizes with counted ventilator time",
            left_out="as the occlusion rate",
            unit=Unit.CLUSTERING,
            interval="none: a penalised mean over what k may be",
            better="neither",
            sentence="The shape k of the events of a trip at one size, from all months: the"
            " smaller, the more they cluster. Every interval of an occlusion rate rests on it.",
            source="Cox and Reid 1987, JRSS B 49:1; the penalty is this project's own",
            page="month",
            section="rates",
        ),
        _measure(
            id="full-oxygen-above-97",
            name="Full oxygen above SpO2 97 %",
            question="How long were children on undiluted oxygen although saturated above 97 %?",
            numerator="minutes on wall or cylinder with an SpO2 above 97 % observed in the 10 min"
            " before",
            denominator="hours on wall or cylinder with an SpO2 observed in the 10 min before",
            left_out="trips with wall or cylinder time and no SpO2 near any of it",
            unit=Unit.MINUTES_PER_WALL_HOUR,
            interval="none: charted as single values",
            chart="XmR",
            least="hours",
            minimum=5,
            sentence="Minutes in every hour on wall or cylinder oxygen with a saturation above"
            " 97 %.",
            source="SpO2 90-97 % is the target range of a published paediatric guideline for"
            " bronchiolitis (Napolitano 2021, Respir Care 66:1214)",
            page="director",
            section="oxygen",
        ),
        _measure(
            id="full-oxygen",
            name="Full oxygen by source",
            question="How long were children on full oxygen, from which source?",
            numerator="minutes on wall or cylinder, or charted at FiO2 1.0 on another source",
            denominator="hours in which it is known whether oxygen was full",
            left_out="nothing: time of which it is not known is in neither",
            unit=Unit.MINUTES_PER_HOUR,
            interval="none: a trip's minutes hang together",
            least="hours",
            minimum=5,
            sentence="Minutes of full oxygen in every hour, by where it came from.",
            page="director",
            section="oxygen",
        ),
        _measure(
            id="bedside-minutes",
            name="Minutes at the bedside",
            question="Did better preparation cost time at the sending hospital?",
            numerator="median minutes from reaching the bedside to departure",
            denominator="trips with a departure time",
            left_out="trips without a departure time",
            unit=Unit.MINUTES,
            interval="none: charted as single values",
            chart="XmR",
            better="neither",
            minimum=5,
            sentence="A balancing measure: half the trips took longer than this at the bedside.",
            page="director",
            section="oxygen",
        ),
    )
}
"""The registry, by measure id."""


def charted(chart: str) -> tuple[str, ...]:
    """Ids of the measures that have a chart of this kind, as `u`."""
    return tuple(name for name, facts in MEASURES.items() if facts.chart == chart)
