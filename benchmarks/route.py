"""How near the route search comes to published scores, beside general solvers, and sets beside brute force.

``python benchmarks/route.py scores --seconds 1 5 --other PYTHON``: open orienteering instances (see
``tests/published/test_dig_orienteering.py``; they are kept beside a checkout). PYTHON is an interpreter of an
environment of its own (``pip install ortools pyvrp numpy``); it runs two general solvers in the same run on
the same machine: OR-Tools' routing library (guided local search, optional visits, length as a dimension) and
PyVRP (prizes, optional clients). Without it only our own gaps are shown. Gap: 1 - score / published score, so
below 0 is better than published.

``python benchmarks/route.py sets``: worth of sets of stops over the best of all sets, for the search, for
greedy insertion alone (its first turn) and for "rank, then nearest neighbour".

``python benchmarks/route.py walk``: a sampling walk of at most 15 stops on made ground of some 50,000 nodes,
with several numbers of near places and of candidates: what it settles, processor time and wall time, and the
processor time as a multiple of one search of walking times over the whole surface.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve()
TESTS = HERE.parents[1] / "tests"


def helper(path):
    """The readers and the brute force of the tests."""
    spec = importlib.util.spec_from_file_location(path.stem, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def score_of_pyvrp(legs, prize, limit, seconds):
    """PyVRP, a hybrid genetic search for vehicle routing, on one instance."""
    from pyvrp import Model
    from pyvrp.stop import MaxRuntime

    model = Model()
    spots = [model.add_location(node, 0) for node in range(len(prize))]
    model.add_depot(spots[0])
    for node in range(1, len(prize)):
        # Any prize outweighs all the length there is.
        model.add_client(spots[node], prize=int(prize[node]) * 1000, required=False)
    model.add_vehicle_type(1, max_distance=int(limit))
    for here, row in enumerate(legs):
        for there, length in enumerate(row):
            if here != there:
                model.add_edge(spots[here], spots[there], distance=int(length))
    found = model.solve(stop=MaxRuntime(seconds), seed=1, display=False)
    return float(prize[0]) + (found.best.prizes() / 1000 if found.is_feasible() else 0.0)


def score_of_ortools(legs, prize, limit, seconds):
    """OR-Tools' routing library on one instance; runs where washgrade is not installed."""
    from ortools.constraint_solver import pywrapcp, routing_enums_pb2

    manager = pywrapcp.RoutingIndexManager(len(prize), 1, 0)
    routing = pywrapcp.RoutingModel(manager)
    length = routing.RegisterTransitCallback(
        lambda a, b: int(legs[manager.IndexToNode(a)][manager.IndexToNode(b)])
    )
    routing.SetArcCostEvaluatorOfAllVehicles(length)
    routing.AddDimension(length, 0, int(limit), True, "length")
    for node in range(1, len(prize)):
        # Any prize outweighs all the length there is.
        routing.AddDisjunction([manager.NodeToIndex(node)], int(prize[node]) * 100_000)
    wanted = pywrapcp.DefaultRoutingSearchParameters()
    wanted.first_solution_strategy = routing_enums_pb2.FirstSolutionStrategy.PARALLEL_CHEAPEST_INSERTION
    wanted.local_search_metaheuristic = routing_enums_pb2.LocalSearchMetaheuristic.GUIDED_LOCAL_SEARCH
    wanted.time_limit.FromMilliseconds(int(1000 * seconds))
    found = routing.SolveWithParameters(wanted)
    score, at = float(prize[0]), routing.Start(0)
    while found and not routing.IsEnd(at):
        at = found.Value(routing.NextVar(at))
        score += 0 if routing.IsEnd(at) else float(prize[manager.IndexToNode(at)])
    return score


OTHERS = {"OR-Tools": score_of_ortools, "PyVRP": score_of_pyvrp}


def scores(seconds, seeds, other, names):
    from washgrade.dig.route import plan_route

    data = helper(TESTS / "published" / "test_dig_orienteering.py")
    names = names or list(data.PUBLISHED)
    plan_route(data.instance(names[0]), rng=np.random.default_rng(0), rounds=1)
    for limit_s in seconds:
        print(f"\n{limit_s:g} s each: gap to the published score, %  (ours: {seeds} seeds, mean and worst)")
        ours, theirs = [], {name: [] for name in OTHERS}
        for name in names:
            problem, published = data.instance(name), data.PUBLISHED[name]
            found = []
            for seed in range(seeds):
                route = plan_route(problem, rng=np.random.default_rng(seed), within_s=limit_s)
                found.append(100 * (1 - data.score(problem, route.stops) / published))
            ours.append(found)
            line = f"{name:14s} {np.mean(found):7.2f} {np.max(found):7.2f}"
            asked = json.dumps(
                [problem.leg_minutes.tolist(), problem.prize.tolist(), problem.budget_minutes, limit_s]
            )
            for solver in OTHERS if other else ():
                told = subprocess.run(
                    [other, str(HERE), "solve", "--solver", solver],
                    input=asked,
                    capture_output=True,
                    text=True,
                    check=True,
                )
                theirs[solver].append(100 * (1 - float(told.stdout) / published))
                line += f"   {solver} {theirs[solver][-1]:7.2f}"
            print(line, flush=True)
        for solver, found in (("ours", ours), *(theirs.items() if other else ())):
            gap = np.array(found)
            print(
                f"{solver}: reached {np.mean(gap <= 0):.0%}, mean {gap.mean():.3f} %, worst {gap.max():.2f} %"
            )


def sets():
    from washgrade.dig.route import plan_route, upper_bound

    small = helper(TESTS / "unit" / "test_dig_walk_route.py")
    print(
        "candidates range hours   search (worst of 5 seeds)  greedy  rank+nearest  bound   (best of all = 1)"
    )
    for count in (12, 14, 15):
        for range_share in (0.1, 0.3, 1.0):
            for hours in (2.0, 3.0):
                problem = small.land(count, count, range_share, hours)
                best = small.best_of_all(problem, problem.doubt.settled)
                found = [
                    plan_route(problem, rng=np.random.default_rng(seed), rounds=1500).value_score / best
                    for seed in range(5)
                ]
                greedy = plan_route(problem, rng=np.random.default_rng(0), rounds=0).value_score / best
                nearest = small.rank_then_nearest(problem) / best
                print(
                    f"{count:10d} {range_share:5.1f} {hours:5.1f} {min(found):12.5f} {greedy:20.3f} "
                    f"{nearest:13.3f} {upper_bound(problem) / best:6.2f}"
                )


def walk():
    from washgrade.dig.legs import NEAR
    from washgrade.dig.walk import WalkProblem, WalkRule, plan_walk
    from washgrade.land.channels import delineate
    from washgrade.land.dem import Dem
    from washgrade.land.fill import fill
    from washgrade.land.flow import flow_directions, upstream_cells
    from washgrade.land.travel import walking_field
    from washgrade.land.walkable import walking_surface
    from washgrade.sand.sample import Samples
    from washgrade.sand.weighed import weigh

    side, cell_m = 1200, 5.0
    rng = np.random.default_rng(3)
    wave = np.hypot(np.fft.fftfreq(side)[:, None], np.fft.rfftfreq(side)[None, :])
    wave[0, 0] = 1.0
    hills = np.fft.irfft2(np.fft.rfft2(rng.standard_normal((side, side))) * wave**-2.0, s=(side, side))
    heights = (hills / hills.std() * 100 + np.linspace(200, 0, side)[:, None]).astype(np.float32)
    dem = Dem(elevation_m=heights, cell_m=cell_m, west_m=0.0, north_m=side * cell_m, crs="EPSG:25830")
    filled = fill(heights)
    directions = flow_directions(filled)
    drained = upstream_cells(directions)
    area_m2 = 3000.0
    channels = delineate(dem, filled, directions, drained, channel_area_m2=area_m2)
    while len(channels.nodes) > 55_000:
        area_m2 *= 1.15
        channels = delineate(dem, filled, directions, drained, channel_area_m2=area_m2)
    surface = walking_surface(dem)
    weighed = weigh(channels, Samples.none())
    nodes = channels.nodes
    middle = int(np.argmin(np.hypot(nodes.easting_m - side * 2.5, nodes.northing_m - side * 2.5)))
    print(f"{len(nodes)} nodes, {surface.height_m.size} walking cells")
    start = np.ravel_multi_index((side // 2, side // 2), surface.shape)
    walking_field(surface, int(start))
    began = time.process_time()
    walking_field(surface, int(start))
    one_s = time.process_time() - began

    def planned(hours, near, most_candidates, seeds):
        problem = WalkProblem(
            weighed=weighed,
            nodes=nodes,
            surface=surface,
            rule=WalkRule(hours=hours, most_stops=15, most_candidates=most_candidates),
            cutoff_grade=0.05,
            start_easting_m=float(nodes.easting_m[middle]),
            start_northing_m=float(nodes.northing_m[middle]),
        )
        settled, spent_s, took_s, stops = [], [], [], []
        for seed in range(seeds):
            began, began_wall = time.process_time(), time.perf_counter()
            plan = plan_walk(problem, rng=np.random.default_rng(seed), near=near)
            spent_s.append(time.process_time() - began)
            took_s.append(time.perf_counter() - began_wall)
            settled.append(plan.settled)
            stops.append(len(plan.node))
        print(
            f"{hours:5g} {near:5d} {most_candidates:10d} {max(stops):6d} {np.mean(settled):9.4f} "
            f"{plan.bound_share:7.4f} {min(spent_s):11.1f} {min(took_s):8.1f} {min(spent_s) / one_s:9.0f}",
            flush=True,
        )

    planned(1.0, NEAR, 40, 1)
    print(f"one search of the whole surface: {one_s:.2f} s of a processor")
    print("hours  near candidates  stops   settles   bound  processor s   wall s  searches")
    for hours in (3.0, 6.0, 9.0):
        for near in (8, NEAR, 24):
            planned(hours, near, 160, 3)
    for most_candidates in (80, 320):
        planned(9.0, NEAR, most_candidates, 3)


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("part", choices=["scores", "sets", "walk", "solve"])
    parser.add_argument("--seconds", type=float, nargs="+", default=[1.0, 5.0, 30.0])
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--other", help="interpreter of an environment with ortools and pyvrp")
    parser.add_argument("--solver", choices=list(OTHERS))
    parser.add_argument("--instances", nargs="*", help="such as eil76-gen2; all unless told")
    given = parser.parse_args()
    if given.part == "solve":
        print(OTHERS[given.solver](*json.load(sys.stdin)))
    elif given.part == "scores":
        scores(given.seconds, given.seeds, given.other, given.instances)
    elif given.part == "sets":
        sets()
    else:
        walk()


if __name__ == "__main__":
    main()
