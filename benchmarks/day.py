"""The digging day beside a general mixed-integer solver (SciPy's HiGHS), in one run on the same days.

``python benchmarks/day.py``: share of the solver's best that the plan brings, with a reach to a carry and
with carries filled at two; time of the solver over that of the plan. ``python benchmarks/day.py many``: time
of days among 100 to 10,000 reaches, over that of 100. Days are made as in tests/unit/test_dig_day.py.
"""

from __future__ import annotations

import importlib.util
import sys
import time
from pathlib import Path

import numpy as np

from washgrade.dig.day import DayProblem, Standing, plan_day

TESTS = Path(__file__).resolve().parents[1] / "tests"


def helper():
    spec = importlib.util.spec_from_file_location("test_dig_day", TESTS / "unit" / "test_dig_day.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["test_dig_day"] = module
    spec.loader.exec_module(module)
    return module


def beside():
    made = helper()
    plan_day(made.a_day(0, 5, 60.0, ways=2))
    print("reaches minutes ways shared  plan / solver (mean, least)  solver time / plan time  bound / solver")
    for reaches, budget, ways in (
        (8, 120.0, 1),
        (12, 240.0, 1),
        (12, 200.0, 2),
        (20, 300.0, 1),
        (30, 360.0, 1),
    ):
        for shared in (False, True):
            if shared and reaches > 20:
                continue
            share, times, bounds = [], [], []
            for seed in range(6):
                problem = made.a_day(seed, reaches, budget, ways=ways, shared=shared)
                began = time.process_time()
                day = plan_day(problem)
                took_s = time.process_time() - began
                began = time.process_time()
                best, _ = made.by_linear_programme(problem, seconds=30.0)
                times.append((time.process_time() - began) / max(took_s, 1e-4))
                share.append(day.expected_kg / best)
                bounds.append(day.bound_kg / best)
            print(
                f"{reaches:7d} {budget:7.0f} {ways:4d} {shared!s:>6} {np.mean(share):14.5f} {min(share):8.5f}"
                f"{np.median(times):25.0f} {np.mean(bounds):20.3f}",
                flush=True,
            )


def drawn_day(made, reaches, *, sure):
    """A day whose loads differ from draw to draw, as those of a site do."""
    problem = made.a_day(0, reaches, 360.0, most=400.0, draws=1000)
    rng = np.random.default_rng(1)
    held = problem.standing.loads_held * np.exp(0.5 * rng.standard_normal((1000, reaches)) - 0.125)
    standing = Standing(
        fresh_load_kg=problem.standing.fresh_load_kg,
        loads_held=held,
        depletion=np.zeros((1000, reaches)),
        within_sd=0.2,
    )
    return DayProblem(
        budget_minutes=360.0,
        standing=standing,
        round_minutes=problem.round_minutes,
        capacity_loads=problem.capacity_loads,
        dig_minutes=1.0,
        steady_kg=0.02,
        pair_minutes=problem.pair_minutes,
        sure=sure,
    )


def many():
    made = helper()
    plan_day(made.a_day(0, 5, 60.0))
    plan_day(drawn_day(made, 100, sure=True))
    first_s = None
    for reaches in (100, 1000, 10_000):
        for sure in (False, True):
            drawn = drawn_day(made, reaches, sure=sure)
            began = time.process_time()
            day = plan_day(drawn)
            took_s = time.process_time() - began
            first_s = first_s or took_s
            print(
                f"{reaches} reaches, 1000 draws{', sure' if sure else ''}: {took_s:.2f} s of a processor, "
                f"{took_s / first_s:.1f} of the first; {len(day.reach)} reaches dug, gap to the bound "
                f"{1 - day.expected_kg / day.bound_kg:.2%}",
                flush=True,
            )


if __name__ == "__main__":
    many() if sys.argv[1:] == ["many"] else beside()
