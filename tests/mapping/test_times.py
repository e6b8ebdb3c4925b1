"""Absolute times: formats, offsets, clock changes; elapsed seconds, and no date, in the end.

Clocks change in the European Union on the last Sundays of March and October at 1:00 UTC (Directive
2000/84/EC), in the United States on the second Sunday of March and the first of November at 2:00
local time (Energy Policy Act of 2005); Lord Howe Island changes by half an hour (tz database).
"""

from __future__ import annotations

import random
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from tests.deep import examples
from tests.mapping import small_source

pytestmark = pytest.mark.usefixtures("without_screen")

SETTINGS = """
[files.settings]
path = "settings.csv"

[tables.settings]
from = "settings"
[tables.settings.columns]
trip_id = "case"
at_s = {{ from = {column}, time = {form}{date} }}
flow_lpm = "flow"
"""


def source(
    folder: Path,
    bedside: list[str],
    times: list[str],
    *,
    form: str = '"iso"',
    zone: str | None = "Europe/Berlin",
    trips: str = "",
    date: str = "",
) -> Path:
    """Trips by their bedside times; settings as "number time"; one format for both, or two."""
    lines = [f"T{n},b1,ground,croup,{at}" for n, at in enumerate(bedside)]
    rows = [f"T{at.split(' ', 1)[0]},{at.split(' ', 1)[1]},8" for at in times]
    return small_source.source(
        folder,
        {
            "trips.csv": "\n".join([f"case,site,kind,dx,at{trips}", *lines, ""]),
            "settings.csv": "\n".join(["case,when,flow", *rows, ""]),
        },
        mapped=("settings",),
        top=f'time_zone = "{zone}"' if zone else "",
        trips=f'bedside = {{ from = "at", time = {form} }}',
        more=SETTINGS.format(column='"when"', form=form, date=date),
    )


def elapsed(folder: Path) -> list[str]:
    small_source.run(folder)
    return small_source.column(folder, "at_s", "settings")


@pytest.mark.parametrize(
    ("form", "placed"),
    [
        ('"iso"', [
            ("2026-01-03T10:00", "2026-01-03T10:35", 2100),
            ("2026-01-03 10:00:00", "2026-01-03 10:35:59.999", 2159),
            ("2026-01-03T10:00:00+01:00", "2026-01-03T09:35:00Z", 2100),
            ("2026-01-03T10:00:00+01:00", "2026-01-03T10:35:00+0100", 2100),
            ("2026-01-03T10:00:00+01", "2026-01-03T05:05:00-04:30", 2100),
            ("2026-01-03T10:00:00+01:00", "2026-01-03T10:35", 2100),
        ]),
        ('"%d/%m/%Y %H:%M"', [
            ("03/02/2026 23:50", "4/2/2026 0:20", 1800),
            # whatever the format, ISO 8601 is read too: it cannot be mistaken
            ("03/02/2026 23:50", "2026-02-04T00:20", 1800),
        ]),
        ('["%m/%d/%Y %I:%M %p", "%d.%m.%y %H.%M", "%d-%b-%Y %H%M", "%Y%m%d%H%M%S"]', [
            ("02/03/2026 11:50 PM", "2/4/2026 12:20 am", 1800),
            ("03.02.26 23.50", "04.02.26 00.20", 1800),
            ("03-Feb-2026 2350", "04-Feb-2026 0020", 1800),
            ("02/03/2026 11:50 pm", "20260204002030", 1830),
        ]),
    ],
)  # fmt: skip
def test_formats(tmp_path: Path, form: str, placed: list[tuple[str, str, int]]) -> None:
    """Each time of a trip of its own, from its bedside."""
    bedside, times, seconds = zip(*placed, strict=True)
    numbered = [f"{trip} {time}" for trip, time in enumerate(times)]
    found = elapsed(source(tmp_path / "in", [*bedside], numbered, form=form))
    assert found == [str(s) for s in seconds]


def test_times_that_cannot_be_placed(tmp_path: Path) -> None:
    """Each of a trip of its own; the last trip is as it should be."""
    placed = [
        ("2026-01-03T10:00", "2026-01-03", "not-a-time"),
        ("2026-01-03T10:00", "3.1.2026 10:00", "not-a-time"),
        ("2026-01-03T10:00", "2026-02-30T10:00", "not-a-time"),
        ("2026-01-03T10:00", "2026-01-03T25:00", "not-a-time"),
        ("2026-01-03T10:00", "10:35", "not-a-time"),
        ("2026-01-03T10:00", "0001-01-03T10:00", "not-a-time"),
        ("", "2026-01-03T10:00", "no-bedside"),
        ("soon", "2026-01-03T10:00", "no-bedside"),
        ("2026-03-29T01:30", "2026-03-29T02:30", "no-such-hour"),
        ("2026-10-25T01:30", "2026-10-25T02:30", "hour-twice"),
        ("2026-01-05T10:00", "2026-01-05T10:35", ""),
    ]
    bedside, times, codes = zip(*placed, strict=True)
    folder = source(tmp_path / "in", [*bedside], [f"{n} {time}" for n, time in enumerate(times)])
    small_source.found(small_source.run(folder, problems=tmp_path / "problems.csv"))
    assert small_source.listed(tmp_path / "problems.csv") == [
        *(("settings.csv", line, "when", code) for line, code in enumerate(codes, 2) if code),
        ("trips.csv", 8, "at", "no-bedside"), ("trips.csv", 9, "at", "not-a-time"),
    ]  # fmt: skip
    found = small_source.column(folder, "at_s", "settings")
    assert found == ["unreadable" if code else "2100" for code in codes]
    months = [at[:7] if at[:2] == "20" else "unreadable" for at in bedside]
    assert small_source.column(folder, "service_month") == months


def test_the_month_is_that_of_the_place_and_no_date_is_kept(tmp_path: Path) -> None:
    """Seconds are counted from the minute where others are to the minute: a setting charted at
    10:00 and a bedside at 10:00:40 would else be 40 seconds apart."""
    # half past midnight of 1 February in Berlin is still January in UTC
    bedside = ["2026-01-31T23:30:00Z", "2026-02-01T00:30", "2026-02-01T00:30:00+01:00"]
    times = ["0 2026-02-01T00:35", "3 2026-02-03T10:00:00"]
    folder = source(tmp_path / "in", [*bedside, "2026-02-03T10:00:40"], times)
    assert elapsed(folder) == ["300", "0"]
    assert small_source.column(folder, "service_month") == ["2026-02"] * 4
    for path in (tmp_path / "in-mapped").iterdir():
        assert not re.search(r"\d{4}-\d{2}-\d{2}|\d{2}:\d{2}", path.read_text())


def test_local_times_need_a_time_zone(tmp_path: Path) -> None:
    folder = source(tmp_path / "in", ["2026-01-03T10:00"], ["0 2026-01-03T10:35"], zone=None)
    problem = small_source.refusal(folder)
    assert (problem.code, problem.column) == ("toml-content", "time_zone")
    offsets = source(tmp_path / "x", ["2026-01-03T10:00Z"], ["0 2026-01-03T10:35Z"], zone=None)
    assert elapsed(offsets) == ["2100"]


def test_the_hour_that_comes_twice_is_told_by_order(tmp_path: Path) -> None:
    bedside = ["2026-10-25T01:50"] * 7 + ["2026-03-29T01:50"]
    times = [
        # back on the clock from one line to the next: the change lies between
        "0 2026-10-25T02:10", "0 2026-10-25T02:50", "0 2026-10-25T02:05", "0 2026-10-25T02:30",
        # after a time from after the change
        "1 2026-10-25T03:10", "1 2026-10-25T02:40",
        # before a time from before it: nothing follows that is earlier, so it stays open
        "2 2026-10-25T02:40",
        # before one that is earlier on the clock, and before a time from before the change
        "3 2026-10-25T02:40", "3 2026-10-25T01:55",
        # offsets say which
        "4 2026-10-25T02:40+02:00", "4 2026-10-25T02:40+01:00",
        # where rows go back elsewhere, their order is not that of time
        "5 2026-10-25T03:10", "5 2026-10-25T01:55", "5 2026-10-25T02:40",
        # around a change nothing is open
        "6 2026-10-25T01:59", "6 2026-10-25T03:00", "7 2026-03-29T01:59", "7 2026-03-29T03:00",
    ]  # fmt: skip
    folder = source(tmp_path / "in", bedside, times)
    mapped = small_source.run(folder, problems=tmp_path / "problems.csv")
    assert small_source.column(folder, "at_s", "settings") == [
        "1200", "3600", "4500", "6000", "8400", "6600", "unreadable", "3000", "300", "3000", "6600",
        "8400", "300", "unreadable", "540", "7800", "540", "600",
    ]  # fmt: skip
    assert small_source.found(mapped) == [("settings.csv", 8, "when", "hour-twice")]
    assert small_source.listed(tmp_path / "problems.csv") == [
        ("settings.csv", line, "when", "hour-twice") for line in (8, 15)
    ]


def test_a_bedside_in_the_hour_that_comes_twice(tmp_path: Path) -> None:
    """What the trip's own milestones decide; what stays open costs its times, but not the trip.

    Nor does a date of birth that is none cost more than the age.
    """
    bedside = [
        "2026-10-25T02:50,2026-10-25T02:20,", "2026-10-25T02:20,2026-10-25T02:50,",
        "2026-01-03T10:00,,2025-01-03", "2026-01-03T10:00,,2025-01-04", "2026-01-03T10:00,,x",
    ]  # fmt: skip
    folder = source(tmp_path / "in", bedside, ["0 2026-10-25T03:20", "1 2026-10-25T03:20"],
                    trips=",left,dob")  # fmt: skip
    text = (folder / "mapping.toml").read_text()
    more = 'departed_s = { from = "left", time = "iso" }\n'
    more += 'age_months = { from = "dob", time = "iso" }\n\n\n[files.settings]'
    (folder / "mapping.toml").write_text(text.replace("\n\n[files.settings]", more, 1))
    mapped = small_source.run(folder)
    assert small_source.column(folder, "at_s", "settings") == ["5400", "unreadable"]
    assert small_source.column(folder, "departed_s") == ["1800", "", "", "", ""]
    assert small_source.column(folder, "service_month") == ["2026-10"] * 2 + ["2026-01"] * 3
    assert small_source.column(folder, "age_months") == ["", "", "12", "11", "unreadable"]
    assert sorted(small_source.found(mapped)) == [
        ("settings.csv", 3, "when", "no-bedside"),
        ("trips.csv", 3, "at", "hour-twice"),
        ("trips.csv", 3, "left", "hour-twice"),
        ("trips.csv", 6, "dob", "not-a-time"),
    ]


def test_a_slow_device_may_log_before_the_bedside(tmp_path: Path) -> None:
    """The bedside decides which of two hours a chart means, but not which a device means."""
    log = SETTINGS.replace("settings", "device_events").replace('flow_lpm = "flow"', "")
    log = log.format(column='"when"', form='"iso"', date="") + 'event = { constant = "started" }\n'
    folder = source(tmp_path / "in", ["2026-10-25T03:05"], ["0 2026-10-25T02:40"])
    (folder / "device_events.csv").write_bytes((folder / "settings.csv").read_bytes())
    text = (folder / "mapping.toml").read_text().replace("'device_events', ", "")
    (folder / "mapping.toml").write_text(text + log)
    small_source.run(folder)
    assert small_source.column(folder, "at_s", "device_events") == ["unreadable"]
    assert small_source.column(folder, "at_s", "settings") == ["-1500"]


CHANGES = [
    ("Europe/Berlin", datetime(2026, 10, 25, 1, tzinfo=UTC)),
    ("Europe/Berlin", datetime(2026, 3, 29, 1, tzinfo=UTC)),
    ("Australia/Lord_Howe", datetime(2026, 4, 4, 15, tzinfo=UTC)),
    ("America/Denver", datetime(2026, 11, 1, 8, tzinfo=UTC)),
    ("Asia/Kathmandu", datetime(2026, 4, 4, 15, tzinfo=UTC)),
]


@pytest.mark.parametrize(("zone", "change"), CHANGES[: examples(3, 5)])
def test_no_time_is_ever_placed_wrongly(tmp_path: Path, zone: str, change: datetime) -> None:
    """Trips at random around a change: each time is right, or said to be open."""
    draw = random.Random(5)
    tz = ZoneInfo(zone)
    bedside, times, truth, local_twice = [], [], [], []
    for trip in range(120):
        start = change + timedelta(minutes=draw.randrange(-300, 120))
        bedside.append(f"{start.astimezone(tz):%Y-%m-%dT%H:%M}")
        for minute in sorted(draw.sample(range(1, 240), 6)):
            at = start + timedelta(minutes=minute)
            local = at.astimezone(tz)
            other = local.replace(fold=1 - local.fold)
            local_twice.append(local.utcoffset() != other.utcoffset())
            times.append(f"{trip} {local:%Y-%m-%dT%H:%M}")
            truth.append(str(minute * 60))
    folder = source(tmp_path / "in", bedside, times, zone=zone)
    mapped = small_source.run(folder)
    found = small_source.column(folder, "at_s", "settings")
    open_trips = {
        row["trip_id"]
        for row, at in zip(small_source.rows(folder, "settings"), found, strict=True)
        if at == "unreadable"
    }
    wrong = [
        pair for pair in zip(found, truth, strict=True) if pair[0] not in (pair[1], "unreadable")
    ]
    assert wrong == []
    decided = sum(at == right for at, right in zip(found, truth, strict=True))
    assert decided > len(truth) / 2
    if zone == "Asia/Kathmandu" or change.month == 3:
        assert (open_trips, mapped.problems) == (set(), [])
    else:
        # order decides some of the hours that came twice, and cannot decide them all
        assert open_trips
        settled = [a for a, twice in zip(found, local_twice, strict=True) if twice]
        assert any(at != "unreadable" for at in settled)


def test_a_time_of_day_alone_is_counted_from_the_bedside(tmp_path: Path) -> None:
    bedside = ["2026-01-03T23:30", "2026-03-28T23:30", "2026-01-03T00:10"]
    times = ["0 23:45", "0 00:15", "0 22:29", "0 23:00", "1 04:00", "2 23:50", "2 00:05"]
    folder = source(tmp_path / "in", bedside, times, date=', date = "bedside"')
    text = (folder / "mapping.toml").read_text()
    form = 'from = "when", time = "%H:%M"'
    (folder / "mapping.toml").write_text(text.replace('from = "when", time = "iso"', form))
    # 22:29 is 23 hours less a minute later, 23:00 half an hour before; on 29 March an hour less
    assert elapsed(folder) == ["900", "2700", "82740", "-1800", "12600", "-1200", "-300"]


def test_a_date_and_a_time_in_two_columns(tmp_path: Path) -> None:
    folder = source(tmp_path / "in", ["2026-01-03T23:30"], ["0 2026-01-04"])
    (folder / "settings.csv").write_text(
        "case,when,flow,clock\nT0,04/01/2026,8,00:15\nT0,,8,1:00\n"
    )
    text = (folder / "mapping.toml").read_text()
    both = 'from = ["when", "clock"], time = "%d/%m/%Y %H:%M"'
    (folder / "mapping.toml").write_text(text.replace('from = "when", time = "iso"', both))
    assert elapsed(folder) == ["2700", ""]


@pytest.mark.parametrize(
    ("old", "new", "word"),
    [
        ('"when", time = "iso"', '"when", time = "%H:%M"', "day, month and year"),
        ('"when", time = "iso"', '"when", time = "%d/%m/%Y"', "the hour"),
        ('"when", time = "iso"', '"when", time = "%d/%m/%Y %Q"', "%Q is not a part"),
        ('"when", time = "iso"', '"when", time = "%d%d"', "stands twice"),
        ('"when", time = "iso"', '"when", time = "dd/mm/yyyy"', 'must be "iso" or a format'),
        ('"when", time = "iso"', '"when", date = "bedside"', "needs time"),
        (
            '"when", time = "iso"',
            '"when", time = "%d %H:%M", date = "bedside"',
            "time of day alone",
        ),
        ('zone = "Europe/Berlin"', 'zone = "Europe/Nowhere"', "not a time zone"),
        ('zone = "Europe/Berlin"', 'zone = "../../etc/passwd"', "not a time zone"),
        ('bedside = { from = "at", time = "iso" }', 'bedside = { from = "at" }', "needs time"),
    ],
)
def test_a_time_that_cannot_be_meant(tmp_path: Path, old: str, new: str, word: str) -> None:
    folder = source(tmp_path / "in", ["2026-01-03T10:00"], ["0 2026-01-03T10:35"])
    text = (folder / "mapping.toml").read_text()
    assert old in text
    (folder / "mapping.toml").write_text(text.replace(old, new))
    assert any(word in p.sentence() for p in small_source.refusals(folder))
