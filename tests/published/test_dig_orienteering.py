"""The route search on open orienteering instances, against the published scores.

* Kobeaga, Merino & Lozano (2018), Comput. Oper. Res. 90:42-59, as published with OPLib: TSPLIB points
  (Reinelt 1991), scores after Fischetti, Salazar-González & Toth (1998), cost limit half of the best tour,
  start and end at node 1, legs rounded to whole numbers. A good score, not always the optimum. Needs the
  instances, which are kept beside a checkout and skipped where they are not.
* Tsiligirides (1984), J. Oper. Res. Soc. 35:797-809, problem 1, 32 points: the best score for a budget of 46
  is 175 (from memory); else only that the score rises with the budget up to all points together, 285 (the
  sum in the file).

How near within seconds: ``benchmarks/route.py``; here the turns are fixed, so that the machine's speed does
not matter.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from washgrade.dig.route import RouteProblem, plan_route, upper_bound

ROUTES = Path(__file__).resolve().parents[2].parent / "shared" / "reference" / "routes"
needs_data = pytest.mark.skipif(not ROUTES.is_dir(), reason="the instances are not beside this checkout")

# Kobeaga, Merino & Lozano (2018): score published.
PUBLISHED = {
    "eil51-gen2": 1668, "berlin52-gen2": 1897, "st70-gen2": 2285, "eil76-gen2": 2550, "pr76-gen2": 2708,
    "rat99-gen2": 2944, "kroA100-gen2": 3212, "kroB100-gen2": 3238, "rd100-gen2": 3359, "eil101-gen2": 3655,
    "lin105-gen2": 3530, "eil51-gen3": 1398, "berlin52-gen3": 1034, "st70-gen3": 2108, "eil76-gen3": 2467,
    "pr76-gen3": 2430, "rat99-gen3": 2886, "kroA100-gen3": 3180, "kroB100-gen3": 2785, "rd100-gen3": 2923,
    "eil101-gen3": 3345, "lin105-gen3": 2973,
}  # fmt: skip


def instance(name: str) -> RouteProblem:
    section, place, prize, limit = "", {}, {}, 0.0
    for line in (ROUTES / "opl" / f"{name}-50.oplib").read_text(encoding="utf-8").splitlines():
        words = line.split()
        if line.startswith("COST_LIMIT"):
            limit = float(line.split(":")[1])
        elif "SECTION" in line or line.startswith("EOF"):
            section = line.strip()
        elif section == "NODE_COORD_SECTION":
            place[int(words[0])] = (float(words[1]), float(words[2]))
        elif section == "NODE_SCORE_SECTION" and len(words) == 2:
            prize[int(words[0])] = float(words[1])
    at = np.array([place[node] for node in sorted(place)])
    # EUC_2D of TSPLIB: rounded to the nearest whole number.
    legs = np.floor(np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1)) + 0.5)
    return RouteProblem(
        leg_minutes=legs,
        budget_minutes=limit,
        start=0,
        end=0,
        prize=np.array([prize[node] for node in sorted(prize)]),
    )


def score(problem: RouteProblem, stops: np.ndarray) -> float:
    """What the round collects, the start's own score included, checked apart from the search."""
    way = [0, *stops.tolist(), 0]
    assert len(set(stops.tolist())) == len(stops)
    assert problem.leg_minutes[way[:-1], way[1:]].sum() <= problem.budget_minutes
    return float(problem.prize[0] + problem.prize[stops].sum())


@needs_data
def test_the_published_scores_are_those_beside_the_instances() -> None:
    with (ROUTES / "best-known.csv").open(encoding="utf-8") as file:
        given = {
            row["file"].removesuffix("-50.oplib"): row["published_score"] for row in csv.DictReader(file)
        }
    assert {name: int(value) for name, value in given.items()} == PUBLISHED


@needs_data
def test_published_scores_are_reached() -> None:
    gap, found, first = [], {}, []
    for name, published in PUBLISHED.items():
        problem = instance(name)
        found[name] = score(problem, plan_route(problem, rng=np.random.default_rng(1)).stops)
        gap.append(1.0 - found[name] / published)
        first.append(
            score(problem, plan_route(problem, rng=np.random.default_rng(1), rounds=0).stops) / published
        )
        assert found[name] <= problem.prize[0] + upper_bound(problem)
    assert np.mean(np.array(gap) <= 0) >= 0.9, found
    assert np.mean(gap) < 0.002
    assert np.max(gap) < 0.01, found
    # Greedy insertion alone, the search's first turn, would not do.
    assert np.mean(first) < 0.95


@needs_data
def test_the_score_rises_with_the_budget() -> None:
    last = 0.0
    for path in sorted((ROUTES / "tsiligirides").glob("*.txt")):
        rows = [
            [float(word) for word in line.split()] for line in path.read_text().splitlines() if line.strip()
        ]
        budget, points = rows[0][0], np.array(rows[1:])
        # First the start, second the end; legs are not rounded.
        legs = np.hypot(*(points[:, None, :2] - points[None, :, :2]).transpose(2, 0, 1))
        problem = RouteProblem(leg_minutes=legs, budget_minutes=budget, start=0, end=1, prize=points[:, 2])
        found = plan_route(problem, rng=np.random.default_rng(1), rounds=1500)
        assert found.minutes <= budget
        assert last <= found.value_score <= upper_bound(problem)
        if budget == 46:
            assert found.value_score == 175.0
        last = found.value_score
    assert last == 285.0
