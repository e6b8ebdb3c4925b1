"""Weights at a z-score, and the committed limits, against the tables WHO publishes.

Every number below was found in stored copies of WHO's tables of weight for age, and the limits of
-6 and +5 in WHO's own program for the standards: Child Growth Standards, 0 to 60 months (WHO
Multicentre Growth Reference Study Group 2006, Acta Paediatr Suppl 450:76), and the reference for
61 to 120 months (de Onis 2007, Bull World Health Organ 85:660).
"""

from __future__ import annotations

import math
from itertools import pairwise

import pytest

from pipeline.timeline.weight_for_age import weight_limits

LOWEST_Z, HIGHEST_Z = -6.0, 5.0

# sex and month: L, M, S, and the published weights (kg, one decimal) at z = -3 -2 -1 0 1 2 3
STANDARDS = {
    ("boys", 0): ((0.3487, 3.3464, 0.14602), (2.1, 2.5, 2.9, 3.3, 3.9, 4.4, 5.0)),
    ("boys", 1): ((0.2297, 4.4709, 0.13395), (2.9, 3.4, 3.9, 4.5, 5.1, 5.8, 6.6)),
    ("girls", 0): ((0.3809, 3.2322, 0.14171), (2.0, 2.4, 2.8, 3.2, 3.7, 4.2, 4.8)),
    ("girls", 1): ((0.1714, 4.1873, 0.13724), (2.7, 3.2, 3.6, 4.2, 4.8, 5.5, 6.2)),
    ("boys", 7): ((0.1134, 8.2970, 0.10902), (5.9, 6.7, 7.4, 8.3, 9.2, 10.3, 11.4)),
    ("boys", 8): ((0.1021, 8.6151, 0.10882), (6.2, 6.9, 7.7, 8.6, 9.6, 10.7, 11.9)),
    ("girls", 7): ((-0.1039, 7.6422, 0.12178), (5.3, 6.0, 6.8, 7.6, 8.6, 9.8, 11.1)),
    ("girls", 8): ((-0.1288, 7.9487, 0.12181), (5.6, 6.3, 7.0, 7.9, 9.0, 10.2, 11.6)),
    ("boys", 24): ((-0.0137, 12.1515, 0.11426), (8.6, 9.7, 10.8, 12.2, 13.6, 15.3, 17.1)),
    ("boys", 25): ((-0.0189, 12.3502, 0.11485), (8.8, 9.8, 11.0, 12.4, 13.9, 15.5, 17.5)),
    ("girls", 24): ((-0.2941, 11.4775, 0.12390), (8.1, 9.0, 10.2, 11.5, 13.0, 14.8, 17.0)),
    ("girls", 25): ((-0.2975, 11.6864, 0.12414), (8.2, 9.2, 10.3, 11.7, 13.3, 15.1, 17.3)),
    ("boys", 60): ((-0.1506, 18.3366, 0.13517), (12.4, 14.1, 16.0, 18.3, 21.0, 24.2, 27.9)),
    ("girls", 60): ((-0.3518, 18.2193, 0.14821), (12.1, 13.7, 15.8, 18.2, 21.2, 24.9, 29.5)),
}
# the reference also publishes z = -4 and 4 (kg, three decimals): -4 -3 -2 0 2 3 4
REFERENCE = {
    ("boys", 61): (
        (-0.2026, 18.5057, 0.12988),
        (11.07, 12.718, 14.367, 18.506, 24.165, 27.77, 31.375),
    ),
    ("girls", 61): (
        (-0.4681, 18.2579, 0.14295),
        (10.742, 12.352, 13.961, 18.258, 24.817, 29.468, 34.118),
    ),
    ("boys", 84): (
        (-0.4402, 22.8915, 0.13759),
        (13.677, 15.666, 17.655, 22.892, 30.695, 36.1, 41.506),
    ),
    ("boys", 85): (
        (-0.4499, 23.0968, 0.13797),
        (13.797, 15.802, 17.807, 23.097, 31.011, 36.515, 42.019),
    ),
    ("girls", 84): (
        (-0.5347, 22.3740, 0.15556),
        (12.722, 14.75, 16.779, 22.374, 31.443, 38.274, 45.104),
    ),
    ("girls", 85): (
        (-0.5372, 22.5762, 0.15610),
        (12.819, 14.867, 16.916, 22.576, 31.773, 38.719, 45.664),
    ),
    ("boys", 119): (
        (-0.6752, 30.8854, 0.16213),
        (17.526, 20.281, 23.036, 30.885, 44.534, 55.695, 66.857),
    ),
    ("boys", 120): (
        (-0.6764, 31.1586, 0.16305),
        (17.634, 20.42, 23.206, 31.159, 45.038, 56.434, 67.829),
    ),
    ("girls", 119): (
        (-0.5950, 31.5319, 0.17224),
        (17.14, 20.095, 23.049, 31.532, 46.363, 58.465, 70.568),
    ),
    ("girls", 120): (
        (-0.5958, 31.8578, 0.17262),
        (17.298, 20.286, 23.274, 31.858, 46.89, 59.177, 71.465),
    ),
}


def weight_at(z: float, power: float, median: float, variation: float) -> float:
    """Weight in kg at a z-score, from L (`power`, not 0), M (`median`, kg) and S (`variation`).

    Beyond 3 on either side each further unit is as long as the one between 2 and 3.
    """

    def by_lms(at: float) -> float:
        # mypy: a float to a float power may be complex; WHO's L and S keep the base positive
        return median * float((1 + power * variation * at) ** (1 / power))

    if abs(z) <= 3:
        return by_lms(z)
    side = 1 if z > 0 else -1
    step = by_lms(3 * side) - by_lms(2 * side)
    return by_lms(3 * side) + (abs(z) - 3) * step


@pytest.mark.parametrize(("lms", "published"), STANDARDS.values(), ids=map(str, STANDARDS))
def test_standards_to_five_years(
    lms: tuple[float, float, float], published: tuple[float, ...]
) -> None:
    computed = [weight_at(z, *lms) for z in range(-3, 4)]
    assert computed == pytest.approx(published, abs=0.0501)


@pytest.mark.parametrize(("lms", "published"), REFERENCE.values(), ids=map(str, REFERENCE))
def test_reference_to_ten_years_with_its_adjustment_beyond_three(
    lms: tuple[float, float, float], published: tuple[float, ...]
) -> None:
    computed = [weight_at(z, *lms) for z in (-4, -3, -2, 0, 2, 3, 4)]
    assert computed == pytest.approx(published, abs=0.0011)


def published_lms(month: int) -> list[tuple[float, float, float]]:
    return [lms for (_, at), (lms, _) in (STANDARDS | REFERENCE).items() if at == month]


@pytest.mark.parametrize("month", [0, 7, 24, 60, 84, 119])
def test_committed_limits_follow_from_the_published_tables(month: int) -> None:
    """A child of seven whole months may be anything from seven to eight months old."""
    either_end = published_lms(month) + published_lms(month + 1)
    assert len(either_end) == 4
    lowest = min(weight_at(LOWEST_Z, *lms) for lms in either_end)
    highest = max(weight_at(HIGHEST_Z, *lms) for lms in either_end)
    row = weight_limits()[month]
    assert row.age_months == month
    assert row.lowest_kg == math.floor(lowest * 100) / 100
    assert row.highest_kg == math.ceil(highest * 100) / 100


def test_the_limits_beyond_three_follow_published_steps() -> None:
    """By hand from the reference's own columns: +5 is +4 and one more step from +2 to +3."""
    girls_120 = 71.465 + (59.177 - 46.89)
    boys_119 = 17.526 - 2 * (23.036 - 20.281)
    girls_119 = 17.14 - 2 * (23.049 - 20.095)
    row = weight_limits()[119]
    assert row.highest_kg == pytest.approx(girls_120, abs=0.02)
    assert row.lowest_kg == pytest.approx(min(boys_119, girls_119), abs=0.02)


def test_every_month_to_ten_years_has_limits_that_grow() -> None:
    limits = weight_limits()
    assert [row.age_months for row in limits] == list(range(120))
    for before, after in pairwise(limits):
        assert before.lowest_kg <= after.lowest_kg < after.highest_kg
        assert before.highest_kg <= after.highest_kg
