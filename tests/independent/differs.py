"""Counts of differs against listing them all, and against closed forms: usage differs.py PROGRAM.

Nothing is shared with the program: lists come from itertools, a large count from powers of a
transfer matrix in whole numbers.
"""

import itertools
import json
import math
import subprocess
import sys

program = sys.argv[1]


def counted(geometries):
    lines = "".join(json.dumps(geometry) + "\n" for geometry in geometries)
    done = subprocess.run([program, "differs", "count"], input=lines, capture_output=True, text=True, check=True)
    return [json.loads(line) for line in done.stdout.splitlines()]


def keeps(geometry, heights):
    runs = [len(list(run)) for _, run in itertools.groupby(heights)]
    steps = [abs(one - other) for one, other in itertools.pairwise(heights)]
    return (
        max(heights.count(height) for height in heights) <= geometry.get("most_alike", 99)
        and max(runs) <= geometry.get("most_alike_in_a_row", 99)
        and max(steps) <= geometry.get("largest_step", 99)
        and len(set(heights)) >= geometry.get("fewest_heights", 0)
        and not any(heights[line["position"] - 1] in line["heights"] for line in geometry.get("forbidden", []))
    )


def listed(geometry):
    lowest = geometry.get("lowest", 1)
    heights = range(lowest, lowest + geometry["heights"])
    return [found for found in itertools.product(heights, repeat=geometry["positions"]) if keeps(geometry, found)]


def small():
    """Every combination of rules for up to 4 positions and heights; each rule alone and all together for 5."""
    for positions, heights in itertools.product(range(2, 6), range(2, 6)):
        forbidden = [None, [{"position": 1, "heights": [1]}],
                     [{"position": 2, "heights": [1, 2]}, {"position": positions, "heights": [heights]}]]
        choices = {
            "most_alike": [None, *range(1, positions + 1)],
            "most_alike_in_a_row": [None, *range(1, positions + 1)],
            "largest_step": [None, *range(heights)],
            "fewest_heights": [None, *range(1, heights + 1)],
            "forbidden": forbidden,
        }
        for picked in itertools.product(*choices.values()):
            rules = {name: value for name, value in zip(choices, picked) if value is not None}
            if max(positions, heights) < 5 or len(rules) in (0, 1, 5):
                yield {"positions": positions, "heights": heights, **rules}


geometries = list(small())
assert len(geometries) > 5000, len(geometries)
for geometry, found in zip(geometries, counted(geometries), strict=True):
    expected = len(listed(geometry))
    assert int(found["count"]) == expected == int(found["rules"][-1]["left"]), (geometry, found, expected)
print(f"counts of {len(geometries)} small geometries are those of their lists")


def stepwise(positions, heights, largest):
    """Paths of a length through heights whose neighbours are at most so far apart."""
    ways = [1] * heights
    for _ in range(positions - 1):
        ways = [sum(ways[other] for other in range(heights) if abs(own - other) <= largest) for own in range(heights)]
    return sum(ways)


closed = [
    ({"positions": 6, "heights": 7}, 7**6),
    ({"positions": 16, "heights": 31, "lowest": 0}, 31**16),
    ({"positions": 12, "heights": 9, "most_alike_in_a_row": 1}, 9 * 8**11),
    ({"positions": 8, "heights": 20, "most_alike": 1}, math.perm(20, 8)),
    ({"positions": 7, "heights": 9, "fewest_heights": 7}, math.perm(9, 7)),
    ({"positions": 15, "heights": 10, "most_alike": 14}, 10**15 - 10),
    ({"positions": 14, "heights": 12, "largest_step": 4}, stepwise(14, 12, 4)),
    ({"positions": 6, "heights": 7, "forbidden": [{"position": 3, "heights": [1, 7]}]}, 7**5 * 5),
    # Six levers, at most half of them alike: by the number of times that a height stands four times or more.
    ({"positions": 6, "heights": 7, "most_alike": 3},
     7**6 - 7 * sum(math.comb(6, times) * 6 ** (6 - times) for times in (4, 5, 6))),
]
for (geometry, expected), found in zip(closed, counted(geometry for geometry, _ in closed), strict=True):
    assert int(found["count"]) == expected, (geometry, found, expected)
print(f"counts of {len(closed)} large geometries are those of closed forms; 6 positions of 7 heights: {7**6}")

one = {"positions": 5, "heights": 5, "lowest": 0, "most_alike": 2, "most_alike_in_a_row": 1, "largest_step": 3,
       "fewest_heights": 3, "forbidden": [{"position": 5, "heights": [0]}]}
done = subprocess.run([program, "differs", "list", "--most", "100000"], input=json.dumps(one), capture_output=True,
                      text=True, check=True)
assert [tuple(json.loads(line)) for line in done.stdout.splitlines()] == listed(one)
print(f"the {len(listed(one))} differs of one geometry, in order, are those of its list")

# EN 1303, digit 7 (one secondary table) and BS 3621 (secondary sources): a section below its standard is told.
LEAST = {"en_1303_grade_1": 100, "en_1303_grade_2": 300, "en_1303_grade_3": 15_000, "en_1303_grade_4": 30_000,
         "en_1303_grade_5": 30_000, "en_1303_grade_6": 100_000, "bs_3621": 1_000}
sections = [{"positions": 6, "heights": heights, "most_alike": 3, "most_alike_in_a_row": 2, "claims": list(LEAST)}
            for heights in range(3, 9)]
below = 0
for section, found in zip(sections, counted(sections), strict=True):
    told = {shortfall["claim"] for shortfall in found["shortfalls"]}
    assert told == {claim for claim, least in LEAST.items() if int(found["count"]) < least}, (section, found)
    below += len(told)
assert 0 < below < len(sections) * len(LEAST)
print(f"{len(sections)} sections of six levers: {below} times a standard's minimum is missed, and told")
