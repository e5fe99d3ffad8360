"""Small repair problems: the expected minutes of the planner and of other ways over those of the exact optimum.

    python bench/bench_optimum.py [--count 200] [--groups 6] [--checks 6]

Problems are drawn (small_problems.py); each way's expected minutes follow from going through every outcome, and the
optimum from dynamic programming (``halfsplit.diagnosis.exact``), so that the only chance is in the drawing. Six groups
and six checks take some seconds a problem, eight and eight some minutes. Intervals are bootstrap over problems.
"""

from __future__ import annotations

import sys
from functools import partial

import numpy as np
from estimates import share_interval
from rows import Row, finish, parser, say
from small_problems import WAYS, drawn

from halfsplit.diagnosis.exact import exact
from halfsplit.diagnosis.lookahead import RepairProblem, minutes_of_policy

MEAN, WORST = 1.005, 1.05
WITHIN = 1.02
DRAWS = 4000


def over_optimum(problem: RepairProblem) -> dict[str, float]:
    """Each way's expected minutes over the least possible."""
    best = exact(problem).best.expected_minutes
    return {name: minutes_of_policy(problem, partial(way, problem)) / best for name, way in WAYS.items()}


def mean_interval(values: list[float]) -> tuple[float, float]:
    """The 95 % bootstrap interval of a mean."""
    rng = np.random.default_rng(0)
    means = np.asarray(values)[rng.integers(len(values), size=(DRAWS, len(values)))].mean(axis=1)
    low, high = np.percentile(means, [2.5, 97.5])
    return float(low), float(high)


def main() -> int:
    arguments = parser(__doc__)
    arguments.add_argument("--count", type=int, default=200, help="problems (%(default)s)")
    arguments.add_argument("--groups", type=int, default=6, help="repair groups of each (%(default)s)")
    arguments.add_argument("--checks", type=int, default=6, help="checks of each (%(default)s)")
    given = arguments.parse_args()
    found: dict[str, list[float]] = {name: [] for name in WAYS}
    for seed in range(given.count):
        for name, value in over_optimum(drawn(seed, given.groups, given.checks)).items():
            found[name].append(value)
        if seed % 20 == 19:
            say(f"{seed + 1} of {given.count} problems")
    rows = []
    for name, values in found.items():
        own = name == "planner"
        low, high = mean_interval(values)
        within = sum(value <= WITHIN for value in values)
        rows.append(
            Row(
                f"{name}: mean over the optimum", float(np.mean(values)), "x", MEAN if own else None,
                note=f"95 % interval {low:.4f} to {high:.4f}; within 2 % in {within} of {len(values)}",
            )
        )  # fmt: skip
        rows.append(Row(f"{name}: worst", max(values), "x", WORST if own else None))
        if own:
            rows.append(
                Row("planner: within 2 %, lower end of its interval", share_interval(within, len(values))[0], "share",
                    0.8, at_least=True)
            )  # fmt: skip
    return finish("optimum", given, rows, details={"over the optimum": found})


if __name__ == "__main__":
    sys.exit(main())
