"""Days absent from school in a year of 146 children, by group, sex, form and learner.

Aitkin 1978, JRSS A 141:195; found in a stored copy of a collection of published data.
"""

DAYS: dict[str, list[int]] = {
    "A M 0 slow": [2, 11, 14],
    "A M 0 average": [5, 5, 13, 20, 22],
    "A M 1 slow": [6, 6, 15],
    "A M 1 average": [7, 14],
    "A M 2 slow": [6, 32, 53, 57],
    "A M 2 average": [14, 16, 16, 17, 40, 43, 46],
    "A M 3 average": [8, 23, 23, 28, 34, 36, 38],
    "A F 0 slow": [3],
    "A F 0 average": [5, 11, 24, 45],
    "A F 1 slow": [5, 6, 6, 9, 13, 23, 25, 32, 53, 54],
    "A F 1 average": [5, 5, 11, 17, 19],
    "A F 2 slow": [8, 13, 14, 20, 47, 48, 60, 81],
    "A F 2 average": [2],
    "A F 3 average": [0, 2, 3, 5, 10, 14, 21, 36, 40],
    "N M 0 slow": [6, 17, 67],
    "N M 0 average": [0, 0, 2, 7, 11, 12],
    "N M 1 slow": [0, 0, 5, 5, 5, 11, 17],
    "N M 1 average": [3, 4],
    "N M 2 slow": [22, 30, 36],
    "N M 2 average": [8, 0, 1, 5, 7, 16, 27],
    "N M 3 average": [0, 30, 10, 14, 27, 41, 69],
    "N F 0 slow": [25],
    "N F 0 average": [10, 11, 20, 33],
    "N F 1 slow": [5, 7, 0, 1, 5, 5, 5, 5, 7, 11, 15],
    "N F 1 average": [5, 14, 6, 6, 7, 28],
    "N F 2 slow": [0, 5, 14, 2, 2, 3, 8, 10, 12],
    "N F 2 average": [1],
    "N F 3 average": [1, 9, 22, 3, 3, 5, 15, 18, 22, 37],
}
CELL = [cell for cell, days in DAYS.items() for _ in days]
GROUP = [cell[0] for cell in CELL]
ABSENT = [day for days in DAYS.values() for day in days]
