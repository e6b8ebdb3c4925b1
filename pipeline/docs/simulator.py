"""The page of the invented service: what it assumes, and what its trips come to."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.docs.markdown import code, page, table
from pipeline.simulate.assumptions import ASSUMED, MAGNITUDES, SERIES, of
from pipeline.simulate.changes import FORMS
from pipeline.simulate.draws import Floats, Ints
from pipeline.simulate.pathways import BLENDER, CYLINDER, NEVER, VENTILATOR, WALL
from pipeline.simulate.recovered import RECOVERED, RECOVERED_BY, RECOVERED_ON
from pipeline.simulate.trips import Laid

TRIPS, MONTHS, SEED = 2000, 12, 1
COMMAND = f"tailrace simulate --into DIR --trips {TRIPS} --months {MONTHS} --seed {SEED}"
PATHWAY = """\
At the bedside the child is on the sending hospital's blended gas while the circuit is set up. A
trip whose flow and planned transit are within the protocol's limits (18 L/min, 40 minutes) goes to
the wall outlet shortly before departure and stays on it to hand-over; any other goes to the
ventilator. A cannula of a kind that is not carried is converted. Where a ventilator fails the trip
falls back to the wall; heat is sometimes lost between bedside and vehicle. Wall time runs over its
50 minutes where the road takes longer than planned, the departure is late, or the receiving
hospital keeps the crew waiting: most of it is not planted but comes of these. Where nothing is
planted, wall time and the ventilator's own pauses of the flow are all that is ever at variance. A
child who comes to need more support breathes and beats faster and saturates worse for a quarter of
an hour or so; then the crew gives more oxygen, or more flow where it cannot, and calls or should
have. That helps, or other support or worse soon follows. Crews see to the child, and at times
reseat the cannula, after repeated occlusions.

Heart and respiratory rate are the age's and the child's own, drift slowly, rise where the child
cries, struggles or coughs, and where saturation is low, and are least asleep; care settles a child
who stays upset. Saturation drifts too: at 92 to 97 % on blended gas, near 100 on undiluted oxygen
within minutes, but for some cardiac children. Crews chart as they get to it: bunched, left out on a
quiet road, and with a hole of ten minutes or so around departure, arrival and what fails; of the
settings they keep to no beat, and begin anew after each of these. Three in five count breaths for
half a minute and double them, the others read a monitor. A child is weaned where flow or oxygen is
lower at hand-over than at first, and neither is higher. All of this is common practice, no source,
and every number of it is assumed unless a source stands beside it."""
CHANGES = """\
`tailrace simulate --change "..."`, as often as wanted, plants a change from a month on; what was
planted is in `planted_changes.csv`. With any change, nothing else differs between bases and months
but at random and by season. Months are written YYYY-MM and lie within the delivery; every form with
`from` may end in `until YYYY-MM`. Odds are met by adding a plant to some trips, or taking it from
some; how many is worked out from a count on 100,000 trips made aside.
What was counted of each is below."""


def simulator_page() -> str:
    """The simulator's page: pathways, changes, magnitudes, and 2,000 trips counted."""
    from pipeline.simulate.sample import STORY

    laid = _trips()
    return page(
        "The invented service",
        "`tailrace simulate` makes deliveries of a service that does not exist, for trying Tailrace"
        " and for testing it: beside the tables stands `planted.csv`, with the verdict that each"
        " trip was made to get on each rule. Nothing in it is clinical advice.",
        "## What its trips do",
        PATHWAY,
        "## What 2,000 trips come to",
        f"Counted on the trips of `{COMMAND}`, plants included.",
        *_counted(laid),
        "## Against the published series",
        table(["what", "published", "counted", "unit"], _published(laid)),
        f"Medians and quartiles; the published ones are of a {SERIES}.",
        "## Changes on request",
        CHANGES,
        changes_table(),
        "All planted in one delivery a seed, 2,000 trips each, and counted by plain SQL over 50"
        f" seeds with `{RECOVERED_BY}`, {RECOVERED_ON}; standard errors by the jackknife:",
        table(["what", "planted", "counted", "standard error"], [list(row) for row in RECOVERED]),
        "## The sample",
        "`tailrace simulate --sample --into DIR` makes `sample_data/` again, byte for byte, and in"
        " `late` inside it the delivery that came later. What is planted in it, and listed in its"
        " `planted_changes.csv`:",
        "\n".join(f"- {code(line)}" for line in STORY),
        "## Every magnitude",
        table(
            ["name", "value", "unit", "source", "note"],
            [
                [code(name), f"{m.value:g}", m.unit, m.source, m.note]
                for name, m in MAGNITUDES.items()
            ],
        ),
        f"`{ASSUMED}` is what nobody has published, as far as we know. What is planted and how"
        " often stands in `pipeline/simulate/plants.py`, which fields a row charts in"
        " `pipeline/simulate/charting.py`; both are assumed throughout.",
    )


def changes_table() -> str:
    """The forms of a change, each with its meaning."""
    rows = [[code(example), meaning] for _, example, meaning in FORMS.values()]
    return table(["as in", "what it plants"], rows)


def _trips() -> Laid:
    from pipeline.simulate.simulator import options_of
    from pipeline.simulate.trips import laid_out

    index = np.arange(TRIPS)
    return laid_out(options_of(TRIPS, MONTHS, SEED), index, np.zeros_like(index))


def _quartiles(values: Floats | Ints, places: int = 0) -> str:
    low, middle, high = np.quantile(values, (0.25, 0.5, 0.75))
    return f"{middle:.{places}f} ({low:.{places}f}-{high:.{places}f})"


def _counted(laid: Laid) -> Sequence[str]:
    when = laid.scene.when
    shares = {k: float((when.kind == k).mean()) for k in (WALL, VENTILATOR, BLENDER, CYLINDER)}
    travel = [
        ("on the wall", WALL, "about half"),
        ("on the ventilator", VENTILATOR, "most of the rest"),
        ("on the vehicle's blender", BLENDER, "a few"),
        ("on a cylinder", CYLINDER, "a few"),
    ]
    charted = when.planned > 0
    ratio = ((when.arrived - when.departed) / np.maximum(when.planned, 1))[charted]
    rides = when.on_wall
    until = when.window_end
    parts = {
        "before departure": when.departed - when.wall[:, 0, 0],
        "in transit": np.minimum(when.arrived, until) - when.departed,
        "at the receiving hospital": until - np.minimum(when.arrived, until),
        "in all": until - when.wall[:, 0, 0],
    }
    over = float((parts["in all"][rides] > 50).mean())
    fell = float((~rides & (when.failed < NEVER)).mean())
    return (
        table(
            ["travels", "share of trips", "assumed"],
            [[name, f"{shares[kind]:.1%}", assumed] for name, kind, assumed in travel],
        ),
        table(
            ["minutes on the wall or a cylinder, of trips that travel on it", "median (quartiles)"],
            [[name, _quartiles(minutes[rides])] for name, minutes in parts.items()],
        ),
        f"Past 50 minutes, as charted: {over:.1%} of them. Trips that fell back to the wall from a"
        f" failed ventilator: {fell:.1%} of all.",
        table(
            ["actual transit over planned", "counted", "assumed"],
            [
                ["median", f"{np.median(ratio):.2f}", f"{of('transit_ratio'):g}"],
                ["share past 1.3", f"{(ratio > 1.3).mean():.1%}", "one in ten"],
                ["share below 1", f"{(ratio < 1).mean():.1%}", ""],
            ],
        ),
    )


def _published(laid: Laid) -> list[list[str]]:
    child, when = laid.scene.child, laid.scene.when
    return [
        ["age", "0.7 (0.3-1)", _quartiles(child.age / 12, 1), "years"],
        ["weight", "8.4 (6.2-11)", _quartiles(child.weight10 / 10, 1), "kg"],
        ["bedside to hand-over", "80 (69-115)", _quartiles(when.end), "min"],
        ["flow", "10 (6-15)", _quartiles(child.flow10 / 10, 1), "L/min"],
    ]
