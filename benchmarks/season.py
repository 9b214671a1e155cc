"""Seasons with a known truth: how much of perfect knowledge's harvest our reckoning brings.

Run from the project's folder: ``python benchmarks/season.py --seasons 40 --table docs/season.md``. Each
policy digs the same seasons, one reach a day; the harvest is given as a share of what a digger brings who
sees the true state of every reach each morning and goes where the day brings most.

The truth is not the model that reckons. Richness comes from slopes that are rich or poor by chance, mixes
down the channels by area, and is caught better or worse by each reach. Rain varies from branch to branch
about what the gauge reads, flow is a power of area and rain with its own scatter, scour depths are gamma
distributed strip by strip, a scoured strip is laid anew at random about what the reach catches and what is
left upstream (nothing is kept in balance), and digging takes the richest strips first.

All reckoning is the package's own: the grade from the first samples by `washgrade.sand.grade` with ranges and
variances averaged over, floods by `washgrade.storm`, what is left by `washgrade.dig.holding`, where to dig
and whether to look first by `washgrade.dig.choose`, all with their defaults. It sees the gauge, the samples
and the weight of what it dug, and nothing else. A sample on the way costs the loads of a quarter of an hour
(what the walk takes for one unless told) and three minutes' way, at six minutes a load.

Policies with samples on the way all pay for them; perfect knowledge needs none. The rules of thumb get two a
day at reaches they come by, and dig where the best of all readings was, or where it was good until a day
brings under half of the best there.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from washgrade.dig.choose import next_step
from washgrade.dig.holding import HoldingRule, after_dig, after_flood, after_sample, begin_holding
from washgrade.dig.load import Shovel, load_magnetics_kg
from washgrade.dig.returns import taken_share
from washgrade.land.channels import Channels, Nodes, Reaches
from washgrade.sand.grade import estimate_grade
from washgrade.sand.sample import Samples
from washgrade.storm.basin import measure_basins
from washgrade.storm.flood import Ground, flood_of_rain
from washgrade.storm.grains import BEDS
from washgrade.storm.rain import burst

STRIPS = 12
LOAD_KG = 7.0
LOAD_M3 = 0.004
LOADS_A_DAY = 60
BITE_M = 0.1
READING_SD = 0.3
# Grade of a bed of richness 1: with the mean richness of about 2.3 the middle is near 5 %.
GRADE = 0.02
LOADS_A_SAMPLE = 3
# What the reckoning supposes of a sample of a reach: the error of reading and a place effect of 0.2.
SAMPLE_LOG_SD = 0.35
DRAWS = 1000
DAYS = 50
TABLE_START, TABLE_END = "<!-- table begins -->", "<!-- table ends -->"


def network(rng, reaches):
    """Channels of reaches 50 m long, one node each."""
    downstream = np.array(
        [-1 if i == reaches - 1 else min(reaches - 1, i + int(rng.geometric(0.4))) for i in range(reaches)],
        np.int32,
    )
    length = np.where(downstream < 0, 0.0, 50.0)
    area = rng.uniform(5e3, 4e4, reaches)
    slope = rng.uniform(0.01, 0.06, reaches)
    height = np.zeros(reaches)
    for i in range(reaches):
        if downstream[i] >= 0:
            area[downstream[i]] += area[i]
    for i in range(reaches - 1, -1, -1):
        if downstream[i] >= 0:
            height[i] = height[downstream[i]] + slope[i] * length[i]
    zero, each = np.zeros(reaches), np.arange(reaches, dtype=np.int32)
    order = np.ones(reaches, np.int32)
    # No map: places only tell the nodes apart.
    nodes = Nodes(
        cell=each.astype(np.int64), downstream=downstream, length_m=length, easting_m=1000.0 * each,
        northing_m=zero,
        elevation_m=height, upstream_area_m2=area, distance_to_outlet_m=zero, order=order, reach=each,
    )  # fmt: skip
    found = Reaches(
        reach_id=each.astype(str), first_node=each, last_node=each, downstream=downstream, length_m=length,
        drop_m=slope * length, slope=slope, upstream_area_m2=area, order=order,
    )  # fmt: skip
    return Channels(nodes=nodes, reaches=found, channel_area_m2=5e3)


class Truth:
    """A season as it really goes; every policy gets the same floods, and its own digging."""

    def __init__(self, seed, channels, width_m, bed_scale):
        self.channels, self.width_m, self.bed_scale = channels, width_m, bed_scale
        self.rng = np.random.default_rng(seed)
        count = len(channels.nodes)
        nodes = channels.nodes
        # Slopes give more or less by chance; every reach carries the mixture of all above it.
        own_m2 = nodes.upstream_area_m2.copy()
        np.subtract.at(own_m2, nodes.downstream[:-1][nodes.downstream[:-1] >= 0],
                       nodes.upstream_area_m2[:-1][nodes.downstream[:-1] >= 0])  # fmt: skip
        carried = own_m2 * np.exp(self.rng.normal(0, 1.3, count))
        for i in range(count):
            if nodes.downstream[i] >= 0:
                carried[nodes.downstream[i]] += carried[i]
        self.catch = carried / nodes.upstream_area_m2 * np.exp(self.rng.normal(0, 0.4, count))
        self.richness = self.catch[:, None] * np.exp(self.rng.normal(0, 0.5, (count, STRIPS)))
        self.loads = np.maximum(np.rint(50 * width_m * 0.15 * BITE_M / LOAD_M3), STRIPS)

    def flood(self, depth_mm, storm_rng):
        """Scour strips to gamma depths; lay them anew."""
        nodes = self.channels.nodes
        count = len(nodes)
        branch = np.exp(storm_rng.normal(0, 0.35))
        local = np.empty(count)
        for i in range(count - 1, -1, -1):
            j = nodes.downstream[i]
            local[i] = branch if j < 0 else local[j] * np.exp(storm_rng.normal(0, 0.05))
        wet = np.maximum(depth_mm * local - 9.0, 0.0)
        peak = (
            0.02 * wet**1.2 * (nodes.upstream_area_m2 / 1e5) ** 0.7 * np.exp(storm_rng.normal(0, 0.3, count))
        )
        mean = self.bed_scale * (peak / self.width_m) ** 0.4 * (self.channels.reaches.slope / 0.03) ** 0.3
        depth = storm_rng.gamma(1.6, 1.0, (count, STRIPS)) * mean[:, None] / 1.6
        moved = depth > storm_rng.uniform(0.02, 0.12, (count, STRIPS))
        # What comes from upstream is as rich as the reaches there still are.
        whole, left = np.zeros(count), np.zeros(count)
        for i in range(count):
            whole[i] += self.catch[i]
            left[i] += self.richness[i].mean()
            if nodes.downstream[i] >= 0:
                whole[nodes.downstream[i]] += 0.7 * whole[i]
                left[nodes.downstream[i]] += 0.7 * left[i]
        from_above = np.clip(left / whole, 0.0, 1.3)
        anew = (self.catch * from_above)[:, None] * np.exp(
            storm_rng.normal(0, 0.5, (count, STRIPS)) + storm_rng.normal(0, 0.15)
        )
        self.richness = np.where(moved, anew, self.richness)

    def day_kg(self, reach, loads=LOADS_A_DAY):
        """What a day there would bring: the richest strips first, each down to a tenth of what it held."""
        order = np.argsort(-self.richness[reach])
        strip_loads = self.loads[reach] / STRIPS
        left, brought = float(loads), 0.0
        after = self.richness[reach].copy()
        for strip in order:
            took = min(left, strip_loads)
            share = 0.9 * took / strip_loads
            brought += took * LOAD_KG * GRADE * after[strip] * 0.9
            after[strip] *= 1 - share
            left -= took
            if left <= 0:
                break
        return brought, after

    def dig(self, reach, loads=LOADS_A_DAY):
        """Dig a day there; kilograms."""
        brought, self.richness[reach] = self.day_kg(reach, loads)
        return brought

    def read(self, reach, rng):
        """A reading of the reach's mean richness, logarithm."""
        return float(np.log(self.richness[reach].mean()) + rng.normal(0, READING_SD))


def first_grades(channels, first, seed):
    """Joint draws of the grade of every reach from the first samples, by the package with its defaults."""
    count, unknown = len(first), np.full(len(first), np.nan)
    samples = Samples(
        sample_id=np.arange(count).astype(str),
        easting_m=np.array([channels.nodes.easting_m[reach] for reach, _ in first]),
        northing_m=np.zeros(count), accuracy_m=np.ones(count), depth_top_m=unknown, depth_bottom_m=unknown,
        dry_mass_kg=np.ones(count), grade=np.clip(GRADE * np.exp([value for _, value in first]), 1e-6, 0.95),
        trace=np.zeros(count, bool), day=np.full(count, np.datetime64("2024-01-01")),
        place=np.full(count, ""),
    )  # fmt: skip
    found = estimate_grade(
        channels, samples, rng=np.random.default_rng(seed), cutoff_grade=0.05, planar=False, draws=DRAWS
    )
    return found.reach_draws.astype(float)


class Reckoned:
    """What is believed: the package's holding, told of floods, weights and samples."""

    def __init__(
        self, grade_draws, channels, loads, seed, *, rule=None, looks=True, floods=True, weights=True
    ):
        self.channels, self.looks, self.floods, self.weights = channels, looks, floods, weights
        self.seed, self.storms = seed, 0
        self.holding = begin_holding(
            load_magnetics_kg(grade_draws, Shovel()), loads, rng=np.random.default_rng([seed, 1]), rule=rule
        )

    def flood(self, flood):
        """Play the flood that the gauge tells of."""
        self.storms += 1
        if self.floods:
            self.holding = after_flood(
                self.holding, downstream=self.channels.reaches.downstream,
                length_m=self.channels.reaches.length_m, scour_bites=flood.scour_m / BITE_M,
                wetted_share=flood.flow.wetted_share, rng=np.random.default_rng([self.seed, 2, self.storms]),
            )  # fmt: skip

    def go(self, truth, rng, sample_loads):
        """Take samples as long as they pay, and say where to dig with how many loads."""
        looked, loads = np.zeros(len(truth.loads), bool), LOADS_A_DAY
        while True:
            day = self.holding.day_kg(LOADS_A_DAY)
            best = int(np.argmax(day.mean(axis=0)))
            fewer = self.holding.day_kg(LOADS_A_DAY - sample_loads)[:, best]
            step = next_step(
                day, look_cost_kg=max(float(np.mean(day[:, best] - fewer)), 0.0),
                error_log_sd=SAMPLE_LOG_SD, looked=looked,
            )  # fmt: skip
            if not (step.look_first and self.looks and loads > LOADS_A_DAY // 2):
                return best, loads
            looked[step.reach] = True
            loads -= sample_loads
            grade = min(GRADE * np.exp(truth.read(step.reach, rng)), 0.95)
            load_kg = float(load_magnetics_kg(np.array([grade]), Shovel())[0])
            self.holding = after_sample(self.holding, reach=step.reach, load_kg=load_kg, log_sd=SAMPLE_LOG_SD)

    def dug(self, reach, loads, kilograms):
        """Learn from the weight of a day, and take it off."""
        self.holding = after_dig(
            self.holding, reach=reach, loads=min(loads, float(self.holding.loads_held[reach])),
            product_kg=kilograms if self.weights else None,
        )  # fmt: skip


class Perfect:
    """Sees the true state of every reach each morning: every strip, or only their mean."""

    def __init__(self, mean_only=False):
        self.mean_only = mean_only

    def flood(self, flood):
        """See it anyway."""

    def go(self, truth, _rng, _sample_loads):
        """Dig where the day brings most, by every strip or by the mean of each reach."""
        if self.mean_only:
            part = taken_share(np.minimum(LOADS_A_DAY / truth.loads, 1.0))
            value = truth.richness.mean(axis=1) * truth.loads * part
            return int(np.argmax(value)), LOADS_A_DAY
        return int(np.argmax([truth.day_kg(i)[0] for i in range(len(truth.loads))])), LOADS_A_DAY

    def dug(self, reach, loads, kilograms):
        """Nothing to learn."""


class Thumb:
    """Rules of thumb on readings: the best sample, the last good place, or anywhere."""

    def __init__(self, kind, first, samples):
        self.kind, self.samples = kind, samples
        self.reading = dict(first)
        self.good, self.best, self.here = None, 0.0, 0.0
        self.left = set()

    def flood(self, flood):
        """Not heeded."""

    def go(self, truth, rng, sample_loads):
        """Take two samples where one comes by, then go by the rule."""
        if self.kind == "anywhere":
            return int(rng.integers(len(truth.loads))), LOADS_A_DAY
        for reach in rng.choice(len(truth.loads), self.samples, replace=False):
            self.reading[int(reach)] = truth.read(reach, rng)
            self.left.discard(int(reach))
        loads = LOADS_A_DAY - sample_loads * self.samples
        if self.kind == "best sample":
            return max(self.reading, key=self.reading.get), loads
        if self.good is None or self.here < 0.5 * self.best:
            if self.good is not None:
                self.left.add(self.good)
            rest = {reach: value for reach, value in self.reading.items() if reach not in self.left}
            if not rest:
                self.left.clear()
                rest = self.reading
            self.good, self.best = max(rest, key=rest.get), 0.0
        return self.good, loads

    def dug(self, _reach, _loads, kilograms):
        """Remember how good it was."""
        self.here = kilograms
        self.best = max(self.best, kilograms)


def lay_out(seed, reaches=120, floods=10, samples=30):
    """Network, truth, ground, first samples and rains of one season."""
    land_rng = np.random.default_rng(seed)
    channels = network(land_rng, reaches)
    width = np.clip(1.5 * (channels.nodes.upstream_area_m2 / 1e5) ** 0.35, 0.7, 8) * np.exp(
        land_rng.normal(0, 0.2, reaches)
    )
    truth = Truth(seed + 1, channels, width, bed_scale=float(np.exp(land_rng.normal(np.log(0.12), 0.3))))
    ground = Ground(
        channels=channels, basins=measure_basins(channels), width_m=width, slope=channels.reaches.slope,
        bed=BEDS["sand"], curve_number=85.0,
    )  # fmt: skip
    at = land_rng.choice(reaches, samples, replace=False)
    first = [(int(i), truth.read(i, land_rng)) for i in at]
    flood_day = np.sort(land_rng.integers(1, DAYS, floods))
    depth, hours = land_rng.gamma(2.0, 12.0, floods), land_rng.uniform(0.3, 3.0, floods)
    return channels, truth, ground, first, list(zip(flood_day, depth, hours, strict=True))


def policies(seed, channels, truth, first):
    """Every policy by its name, as a callable that starts it."""
    loads = truth.loads
    kept = []

    def ours(**more):
        if not kept:
            kept.append(first_grades(channels, first, seed))
        return Reckoned(kept[0], channels, loads, seed, **more)

    def oracle():
        # What floods lay there on the mean, exactly: strips are lognormal about the catch. What lies there
        # today is 12 of them.
        grade = np.minimum(GRADE * truth.catch * np.exp(0.5 * 0.5**2), 0.95)
        fresh_kg = np.repeat(load_magnetics_kg(grade, Shovel())[None, :], DRAWS, axis=0)
        found = ours(rule=HoldingRule(fresh_log_sd=0.2), looks=False)
        scatter = np.random.default_rng([seed, 3]).normal(0, 0.15, fresh_kg.shape)
        found.holding = replace(found.holding, fresh_kg=fresh_kg, now_kg=fresh_kg * np.exp(scatter))
        return found

    return {
        "perfect": Perfect,
        "knows the mean of every reach, not its strips": lambda: Perfect(mean_only=True),
        "reckoned, knows what floods lay in every reach": oracle,
        "**reckoned, with samples on the way**": ours,
        "reckoned, no samples on the way": lambda: ours(looks=False),
        "the same, floods not heeded": lambda: ours(looks=False, floods=False),
        "the same, weights of digs not heeded": lambda: ours(looks=False, weights=False),
        "last good place, two samples a day": lambda: Thumb("last good place", first, 2),
        "last good place, no samples on the way": lambda: Thumb("last good place", first, 0),
        "best sample, two samples a day": lambda: Thumb("best sample", first, 2),
        "best sample, no samples on the way": lambda: Thumb("best sample", first, 0),
        "anywhere": lambda: Thumb("anywhere", first, 0),
    }


def play(seed, name, sample_loads=LOADS_A_SAMPLE):
    """One season of one policy; kilograms brought, and samples taken on the way."""
    channels, truth, ground, first, rains = lay_out(seed)
    policy = policies(seed, channels, truth, first)[name]()
    rng = np.random.default_rng(seed + 2)
    brought, spent = 0.0, 0
    for day in range(DAYS):
        for k, (flood_day, depth, hours) in enumerate(rains):
            if flood_day == day:
                truth.flood(depth, np.random.default_rng([seed, k]))
                policy.flood(flood_of_rain(ground, burst(depth_mm=depth, duration_h=hours)))
        reach, loads = policy.go(truth, rng, sample_loads)
        here = truth.dig(reach, loads)
        brought += here
        spent += (LOADS_A_DAY - loads) // sample_loads
        policy.dug(reach, loads, here)
    return brought, spent


def table(found, first_season, sample_loads):
    """Lay the results out as a table in Markdown."""
    names = list(found)
    share = {name: found[name][:, 0] / found["perfect"][:, 0] for name in names}
    count = len(share["perfect"])
    lines = [
        f"Seasons {first_season} to {first_season + count - 1} (season k: seed 1000 k); 120 reaches "
        f"of 50 m, {DAYS} days of {LOADS_A_DAY} loads, 10 rains, 30 first samples; a sample on the way costs "
        f"{sample_loads} loads; {DRAWS} joint draws. Standard errors are over seasons.",
        "",
        "| policy | share of perfect | standard error | P10 | P90 | samples on the way | kg a season |",
        "|---|---:|---:|---:|---:|---:|---:|",
    ]
    for name in names:
        low, high = np.quantile(share[name], (0.1, 0.9))
        error = share[name].std(ddof=1) / np.sqrt(count)
        kilograms, samples = found[name].mean(axis=0)
        lines.append(
            f"| {name} | {share[name].mean():.3f} | {error:.3f} | {low:.2f} | {high:.2f} | {samples:.0f} | "
            f"{kilograms:.0f} |"
        )
    return "\n".join(lines) + "\n"


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seasons", type=int, default=40)
    parser.add_argument(
        "--first", type=int, default=0, help="first season; 500 and on were used to try things"
    )
    parser.add_argument("--only", nargs="*", help="policies whose name holds one of these words")
    parser.add_argument("--table", type=Path, help="page whose table is written anew")
    parser.add_argument("--sample-loads", type=int, default=LOADS_A_SAMPLE, help="what a sample costs")
    given = parser.parse_args()
    if given.seasons < 2:
        parser.error("--seasons must be at least 2.")
    names = list(policies(0, *lay_out(0)[:2], []))
    chosen = [
        name for name in names
        if name == "perfect" or not given.only or any(word in name for word in given.only)
    ]  # fmt: skip
    found = {}
    for name in chosen:
        began = time.perf_counter()
        found[name] = np.array(
            [play(1000 * (given.first + k), name, given.sample_loads) for k in range(given.seasons)]
        )
        print(f"{name}: {time.perf_counter() - began:.0f} s", file=sys.stderr, flush=True)
    page = table(found, given.first, given.sample_loads)
    print(page)
    if given.table:
        old = given.table.read_text(encoding="utf-8")
        start, end = old.index(TABLE_START) + len(TABLE_START), old.index(TABLE_END)
        given.table.write_text(f"{old[:start]}\n{page}{old[end:]}", encoding="utf-8")


if __name__ == "__main__":
    main()
