"""Seasons with a known truth: how much of perfect knowledge's harvest our reckoning brings.

Run from the project's folder: ``python benchmarks/season.py --seasons 40 --table docs/season.md``. Each
policy digs the same seasons, one reach a day; the harvest is given as a share of what a digger brings who
sees the true state of every reach each morning and goes where the day brings most.

The truth is not the model that reckons. Richness comes from slopes that are rich or poor by chance, mixes
down the channels by area, and is caught better or worse by each reach. Rain varies from branch to branch
about what the gauge reads, flow is a power of area and rain with its own scatter, scour depths are gamma
distributed strip by strip, a scoured strip is laid anew at random about what the reach catches, and digging
takes the richest strips first. What is laid anew is poorer by what was dug there and upstream, but for a
share of new sand from slopes, which is drawn for each season between none and all and told to nobody.

The first samples are planned as `washgrade walk` does on new ground, but for the ways, which a season has
none of: each where it lowers the doubt about all reaches most. All policies begin with the same.

All reckoning is that of `washgrade rank`: the first samples, the gauge's storms, the samples on the way and
the weights of the digs go in as records, the functions of `washgrade.survey` say what is left, and
`washgrade.dig.choose` says where to sample and where to dig, all with their defaults, but for the days still
to come, which a digger knows. It sees nothing else. The weight of a dig that is written down is that of the
cleaned product, of what was dug the share that the settings say. Its digger sees which strips are rich, so
``found_by_eye`` is 1 there and not 0.5. Two more things differ from a site's, for speed: 300 joint draws and
not 1000, and the ranges and variances of the grade, and how much of its pattern lasts, are averaged over
anew every fifth morning and not every time. A sample on the way costs the loads of a quarter of an hour (what
the walk takes for one unless told) and three minutes' way, at six minutes a load.

Policies with samples on the way all pay for them; perfect knowledge needs none. The rules of thumb get two a
day at reaches they come by, and dig where the best of all readings was, or where it was good until a day
brings under half of the best there.
"""

from __future__ import annotations

import argparse
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from datetime import date, timedelta
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import numpy as np

from washgrade.dig.choose import DAY_LOADS, SAMPLE_LOADS, next_step
from washgrade.dig.doubt import doubt_of, doubt_weight
from washgrade.dig.rank import rank_reaches
from washgrade.dig.returns import taken_share
from washgrade.files.dig import Dig
from washgrade.files.sample import Sample, sample_arrays
from washgrade.files.settings import Settings
from washgrade.files.storm import Storm
from washgrade.land.channels import Channels, Nodes, Reaches
from washgrade.land.shape import Shape
from washgrade.land.width import MEASURED
from washgrade.sand.grade import grades
from washgrade.sand.sample import Samples, observations
from washgrade.sand.weighed import weigh
from washgrade.storm.basin import measure_basins
from washgrade.storm.flood import Ground
from washgrade.storm.grains import BEDS
from washgrade.survey.answers import SEED, Estimate
from washgrade.survey.lasting import weigh_past
from washgrade.survey.past import past_of
from washgrade.survey.stock import remains

STRIPS = 12
LOAD_KG = 7.0
LOAD_M3 = 0.004
LOADS_A_DAY = DAY_LOADS
BITE_M = 0.1
READING_SD = 0.3
# Strips are laid lognormal about what a reach catches, with this standard deviation: their mean over it.
STRIP_SD = 0.5
STRIP_MEAN = np.exp(0.5 * STRIP_SD**2)
# Grade of a bed of richness 1: with the mean richness of about 2.3 the middle is near 5 %.
GRADE = 0.02
LOADS_A_SAMPLE = SAMPLE_LOADS
DAYS = 50
FIRST_DAY = date(2024, 1, 1)
DRAWS = 300
# Ranges and variances are averaged over anew after so many days.
ANEW_DAYS = 5
OURS = "**as `rank` says, with samples on the way**"
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
        reach_id=each.astype(str), first_node=each, last_node=each, downstream=downstream,
        length_m=np.full(reaches, 50.0), drop_m=slope * 50.0, slope=slope, upstream_area_m2=area, order=order,
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
        self.richness = self.catch[:, None] * np.exp(self.rng.normal(0, STRIP_SD, (count, STRIPS)))
        # The same ground with the same floods, had nobody ever dug: what comes down is measured against it.
        self.untouched = self.richness.copy()
        # How much of what floods lay is new sand from slopes; nobody knows, and the reckoning is not told.
        self.new_share = np.random.default_rng([seed, 1]).uniform()
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
        # What does not come new from slopes is poorer by what was dug in the reach and above it, each by what
        # it holds. So untouched beds stay about their catch.
        whole, left = self.untouched.mean(axis=1) * self.loads, self.richness.mean(axis=1) * self.loads
        for i in range(count):
            if nodes.downstream[i] >= 0:
                whole[nodes.downstream[i]] += 0.7 * whole[i]
                left[nodes.downstream[i]] += 0.7 * left[i]
        anew = self.catch[:, None] * np.exp(
            storm_rng.normal(0, STRIP_SD, (count, STRIPS)) + storm_rng.normal(0, 0.15)
        )
        self.untouched = np.where(moved, anew, self.untouched)
        as_rich = self.new_share + (1.0 - self.new_share) * np.minimum(left / whole, 1.0)
        self.richness = np.where(moved, anew * as_rich[:, None], self.richness)

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


class AsRank:
    """What `washgrade rank` says: the survey's own reckoning, from records, anew whenever it is asked."""

    def __init__(
        self, channels, ground, first, *, looks=True, floods=True, weights=True, by_load=False, laid=None
    ):
        self.channels, self.ground, self.laid = channels, ground, laid
        self.looks, self.floods, self.weights, self.by_load = looks, floods, weights, by_load
        count = len(channels.nodes)
        plain, far = np.full(count, np.nan), np.full(count, np.inf)
        self.shape = Shape(
            width_m=ground.width_m, width_from=np.full(count, MEASURED, np.uint8), valley_m=plain,
            is_open=np.zeros(count, np.bool_), confinement=plain, curvature_per_m=plain,
            radius_over_width=far, inner_side=np.zeros(count, np.int8), slope=channels.reaches.slope,
            slope_break=plain, expansion=plain, below_confluence_m=far, area_ratio=plain,
            stream_power_w_m2_per_m3_s=plain,
        )  # fmt: skip
        self.settings = Settings(curve_number=ground.curve_number)
        self.day, self.storms, self.digs, self.samples, self.seen = FIRST_DAY, [], [], [], []
        self.like, self.anew = None, FIRST_DAY
        for reach, value in first:
            self.sampled(reach, value)

    def at(self, reach, kind):
        """Place, day and id of a record."""
        counted = len(self.storms) + len(self.digs) + len(self.samples)
        return {
            "id": f"{kind}{counted}", "time": self.day.isoformat(), "lon": 0.0, "lat": 0.0, "accuracy_m": 1.0,
            "easting_m": float(self.channels.nodes.easting_m[reach]), "northing_m": 0.0,
        }  # fmt: skip

    def sampled(self, reach, value):
        """Write a sample down; no two share a spot and a day, so that each is a reading by itself."""
        grade = float(np.clip(GRADE * np.exp(value), 1e-6, 0.95))
        self.samples.append(Sample(grade=grade, dry_mass_kg=1.0, **self.at(reach, "sample")))
        one = Samples(**sample_arrays(self.samples[-1:]))
        self.seen.append(observations(one, self.settings.sampling, self.channels.nodes))

    def read(self):
        """All readings, in the order of the estimate."""
        rows = sorted(self.seen, key=lambda one: (int(one.node[0]), str(one.day[0]), one.sample_ids))
        columns = ("node", "value", "error_variance", "censored", "limit", "accuracy_m", "offset_m", "day")
        return replace(
            rows[0], sample_ids=tuple(row.sample_ids[0] for row in rows),
            **{name: np.concatenate([getattr(row, name) for row in rows])
               for name in (*columns, "covered", "carried")},
        )  # fmt: skip

    def morning(self, day):
        """Know the day, and how many are still to come."""
        self.day = FIRST_DAY + timedelta(days=day + 1)
        self.settings = replace(self.settings, days_to_come=DAYS - day)

    def flood(self, depth_mm, duration_h):
        """Write the rain down."""
        if self.floods:
            self.storms.append(
                Storm(
                    id=f"storm{len(self.storms)}", time=self.day.isoformat(), rain_mm=float(depth_mm),
                    duration_h=float(duration_h),
                )
            )  # fmt: skip

    def left(self):
        """Reckon what is left, the way the survey does."""
        sampling = self.settings.sampling
        past = past_of(
            day=self.day, channels=self.channels, shape=self.shape, settings=self.settings, seen=self.read(),
            samples=self.samples, storms=self.storms, digs=self.digs, looks=[], ground=self.ground,
        )  # fmt: skip
        if self.day >= self.anew:
            self.like, self.anew = None, self.day + timedelta(days=ANEW_DAYS)
        weighed, past = weigh_past(past, settings=sampling, planar=False, like=self.like)
        self.like = weighed, past.learnt
        grade = grades(
            self.channels, weighed, rng=np.random.default_rng(SEED),
            cutoff_grade=self.settings.cutoff_grade, draws=DRAWS,
        )  # fmt: skip
        if self.laid is not None:
            # Known: what floods lay in every reach on the mean. What lies there differs by its strips.
            scatter = np.random.default_rng(SEED).normal(0, 0.2, grade.reach_draws.shape)
            grade = replace(grade, reach_draws=self.laid * np.exp(scatter), reach_mean=self.laid)
        found = Estimate(
            site=None, day=self.day, facts=None, settings=self.settings, channels=self.channels,
            layers=SimpleNamespace(shape=self.shape), samples=tuple(self.samples), laid=None, past=past,
            weighed=weighed, grade=grade,
        )  # fmt: skip
        return found, remains(found, self.ground.width_m, refill=False)

    def go(self, truth, rng, sample_loads):
        """Dig where the day should bring most, or what ranks first by load, after samples while they pay."""
        looked, loads = np.zeros(len(truth.loads), bool), LOADS_A_DAY
        while True:
            found, left = self.left()
            standing = left.stock.standing()
            if self.looks:
                days = self.settings.days_to_come
                step = next_step(standing, sample_loads=sample_loads, looked=looked, days=days)
            else:
                step = next_step(standing, sample_loads=0, looked=np.ones_like(looked))
            if not step.look_first:
                if not self.by_load:
                    return step.reach, loads
                return int(np.argmin(rank_reaches(left.load_kg(found)[1], last=left.stock.depleted))), loads
            looked[step.reach] = True
            loads -= sample_loads
            self.sampled(step.reach, truth.read(step.reach, rng))

    def dug(self, reach, loads, kilograms):
        """Write the dig and its weight down."""
        self.digs.append(
            Dig(
                loads=float(loads), dug_litres=loads * self.settings.shovel_litres,
                product_mass_kg=float(kilograms * self.settings.product_recovery) if self.weights else None,
                purity=1.0,
                **self.at(reach, "dig"),
            )
        )  # fmt: skip


class Perfect:
    """Sees the true state of every reach each morning: every strip, or only their mean."""

    def __init__(self, mean_only=False):
        self.mean_only = mean_only

    def morning(self, _day):
        """Nothing comes with the day alone."""

    def flood(self, _depth_mm, _duration_h):
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

    def morning(self, _day):
        """Nothing comes with the day alone."""

    def flood(self, _depth_mm, _duration_h):
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


def planned(channels, samples):
    """Reaches for the first samples, each where it lowers the doubt about the whole ground most."""
    settings = Settings()
    none = observations(Samples(**sample_arrays([])), settings.sampling, channels.nodes)
    weighed = weigh(channels, none, settings=settings.sampling, planar=False)
    weight = doubt_weight(weighed, cutoff_grade=settings.cutoff_grade)
    doubt = doubt_of(weighed, np.arange(len(channels.nodes)), weight=weight, own_variance=READING_SD**2)
    chosen = []
    for _ in range(samples):
        alone = np.diagonal(doubt.wanted, axis1=1, axis2=2)
        settled = (alone / (np.diagonal(doubt.covariance, axis1=1, axis2=2) + doubt.error_variance)).mean(
            axis=0
        )
        settled[chosen] = -1.0
        chosen.append(int(np.argmax(settled)))
        doubt = doubt.after(np.array(chosen[-1:]))
    return chosen


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
    first = [(int(i), truth.read(i, land_rng)) for i in planned(channels, samples)]
    flood_day = np.sort(land_rng.integers(1, DAYS, floods))
    depth, hours = land_rng.gamma(2.0, 12.0, floods), land_rng.uniform(0.3, 3.0, floods)
    return channels, truth, ground, first, list(zip(flood_day, depth, hours, strict=True))


def policies(channels, truth, first, ground):
    """Every policy by its name, as a callable that starts it."""

    def ours(**more):
        return AsRank(channels, ground, first, **more)

    def oracle():
        # What floods lay there on the mean, exactly: strips are lognormal about the catch.
        return ours(looks=False, laid=np.minimum(GRADE * truth.catch * STRIP_MEAN, 0.95))

    return {
        "perfect": Perfect,
        "knows the mean of every reach, not its strips": lambda: Perfect(mean_only=True),
        "as `rank` says, knows what floods lay in every reach": oracle,
        OURS: ours,
        "as `rank` says, no samples on the way": lambda: ours(looks=False),
        "the same, floods not heeded": lambda: ours(looks=False, floods=False),
        "the same, weights of digs not heeded": lambda: ours(looks=False, weights=False),
        "first of the list by load, no samples on the way": lambda: ours(looks=False, by_load=True),
        "last good place, two samples a day": lambda: Thumb("last good place", first, 2),
        "last good place, no samples on the way": lambda: Thumb("last good place", first, 0),
        "best sample, two samples a day": lambda: Thumb("best sample", first, 2),
        "best sample, no samples on the way": lambda: Thumb("best sample", first, 0),
        "anywhere": lambda: Thumb("anywhere", first, 0),
    }


def play(seed, name, sample_loads=LOADS_A_SAMPLE):
    """One season of one policy; kilograms brought, and samples taken on the way."""
    channels, truth, ground, first, rains = lay_out(seed)
    policy = policies(channels, truth, first, ground)[name]()
    rng = np.random.default_rng(seed + 2)
    brought, spent = 0.0, 0
    for day in range(DAYS):
        policy.morning(day)
        for k, (flood_day, depth, hours) in enumerate(rains):
            if flood_day == day:
                truth.flood(depth, np.random.default_rng([seed, k]))
                policy.flood(depth, hours)
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
        f"of 50 m, {DAYS} days of {LOADS_A_DAY} loads, 10 rains, 30 planned first samples; a sample on the "
        f"way costs {sample_loads} loads; {DRAWS} joint draws. Standard errors are over seasons.",
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
    parser.add_argument("--jobs", type=int, default=2, help="seasons played at once")
    given = parser.parse_args()
    if given.seasons < 2:
        parser.error("--seasons must be at least 2.")
    names = list(policies(None, None, [], None))
    chosen = [
        name for name in names
        if name == "perfect" or not given.only or any(word in name for word in given.only)
    ]  # fmt: skip
    found = {}
    seeds = [1000 * (given.first + k) for k in range(given.seasons)]
    with ProcessPoolExecutor(given.jobs) as pool:
        for name in chosen:
            began = time.perf_counter()
            one = partial(play, name=name, sample_loads=given.sample_loads)
            found[name] = np.array(list(pool.map(one, seeds)))
            print(f"{name}: {time.perf_counter() - began:.0f} s", file=sys.stderr, flush=True)
    page = table(found, given.first, given.sample_loads)
    print(page)
    if given.table:
        old = given.table.read_text(encoding="utf-8")
        start, end = old.index(TABLE_START) + len(TABLE_START), old.index(TABLE_END)
        given.table.write_text(f"{old[:start]}\n{page}{old[end:]}", encoding="utf-8")


if __name__ == "__main__":
    main()
