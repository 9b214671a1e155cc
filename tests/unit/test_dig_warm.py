"""After the warm-up a plan compiles no loop of the plans any more: counted in a process of its own."""

import subprocess
import sys

import pytest

COUNT = """
import importlib, pkgutil, sys
import numpy as np
import washgrade.dig
from numba.core.registry import CPUDispatcher

def compiled():
    found = {}
    names = [one.name for one in pkgutil.iter_modules(washgrade.dig.__path__, "washgrade.dig.")]
    for name in (*names, "washgrade.land.shortest"):
        module = importlib.import_module(name)
        for loop, value in vars(module).items():
            if isinstance(value, CPUDispatcher) and value.py_func.__module__ == name:
                found[name + "." + loop] = set(value.signatures)
    return found

from washgrade.dig import day, warm
from washgrade.dig.returns import Standing
from washgrade.dig.walk import WalkProblem, WalkRule, plan_walk
from washgrade.land.channels import delineate
from washgrade.land.dem import Dem
from washgrade.land.fill import fill
from washgrade.land.flow import flow_directions, upstream_cells
from washgrade.land.walkable import Walking, walking_surface
from washgrade.sand.sample import Samples
from washgrade.sand.weighed import weigh
from washgrade.dig.stops import main_tributaries

what, how = sys.argv[1:]
if how == "warm":
    {"day": warm.warm_up_day, "walk": warm.warm_up_walk}[what]()
before = compiled()
rng = np.random.default_rng(4)
if what == "day":
    spot = rng.uniform(0, 20, (30, 2))
    alone = 2 * np.hypot(*spot.T) + 4.0
    kg = rng.lognormal(0, 0.6, (40, 30))

    def pair_minutes(some):
        apart = np.hypot(*(spot[some][:, None] - spot[some]).transpose(2, 0, 1))
        return np.maximum(alone[some][:, None], alone[some])[None] + apart

    for depletion, sure in ((np.zeros(30), False), (rng.uniform(0, 0.5, (40, 30)), True)):
        standing = Standing(
            fresh_load_kg=kg.astype(np.float32), loads_held=np.full((40, 30), 40.0), depletion=depletion
        )
        day.plan_day(
            day.DayProblem(
                budget_minutes=150.0,
                standing=standing,
                round_minutes=alone[None],
                capacity_loads=np.full((1, 30), 3.5),
                dig_minutes=1.0,
                pair_minutes=pair_minutes,
                sure=sure,
            )
        )
else:
    row, col = np.mgrid[0:60, 0:50]
    heights = (90 - 0.5 * row + 0.3 * np.abs(col - 25) + rng.normal(0, 0.3, row.shape)).astype(np.float32)
    dem = Dem(elevation_m=heights, cell_m=5.0, west_m=0.0, north_m=300.0, crs="EPSG:25830")
    filled = fill(heights)
    ways = flow_directions(filled)
    channels = delineate(dem, filled, ways, upstream_cells(ways), channel_area_m2=2000.0)
    weighed = weigh(channels, Samples.none())
    plan_walk(
        WalkProblem(
            weighed=weighed,
            nodes=channels.nodes,
            surface=walking_surface(dem, Walking()),
            rule=WalkRule(hours=2.0, most_candidates=20),
            cutoff_grade=0.05,
            start_easting_m=125.0,
            start_northing_m=150.0,
            tributary=main_tributaries(weighed.tree),
        ),
        rng=rng,
        rounds=30,
    )
after = compiled()
print(sum(len(kinds) for kinds in before.values()))
print(*sorted(name for name in after if after[name] - before[name]))
"""


@pytest.mark.parametrize(("what", "least"), [("day", 4), ("walk", 4)])
def test_a_plan_compiles_nothing_that_the_warm_up_did_not(what, least):
    def run(how):
        done = subprocess.run(
            [sys.executable, "-c", COUNT, what, how], capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stderr
        return (done.stdout + "\n").split("\n")[:2]

    loops, more = run("warm")
    assert int(loops) >= least
    assert more == ""
    # Without it the plan compiles them itself.
    loops, more = run("cold")
    assert loops == "0"
    assert len(more.split()) >= least
