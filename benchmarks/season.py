"""Seasons with a known truth: how much of perfect knowledge's harvest our reckoning brings.

Run from the project's folder: ``python benchmarks/season.py --seasons 40``. Each policy digs the same
seasons, one reach a day; the harvest is given as a share of what a digger brings who sees the true state of
every reach each morning and goes where the day brings most.

The truth is not the model that reckons. Richness comes from slopes that are rich or poor by chance, mixes
down the channels by area, and is caught better or worse by each reach. Rain varies from branch to branch
about what the gauge reads, flow is a power of area and rain with its own scatter, scour depths are gamma
distributed strip by strip, a scoured strip is laid anew at random about what the reach catches and what is
left upstream (nothing is kept in balance), and digging takes the richest strips first.

The policy ``reckoned`` sees the gauge, the first samples and the weight of what it dug. It reckons floods,
memory and depletion by ``washgrade.storm`` and the grade by the tree solver of ``washgrade.sand`` with ranges
and variances fixed at the middles of their priors, which the site's own readings never correct; old readings
get the noise that floods have put between them and today (their loading is taken as 1).
"""

from __future__ import annotations

import argparse

import numpy as np
from scipy.special import ndtr, ndtri

from washgrade.land.channels import Channels, Nodes, Reaches
from washgrade.sand.inference import Process, krige
from washgrade.sand.tree import Tree
from washgrade.storm.basin import measure_basins
from washgrade.storm.flood import Ground, flood_of_rain
from washgrade.storm.grains import BEDS
from washgrade.storm.memory import network_memory
from washgrade.storm.rain import burst
from washgrade.storm.refill import depletion_after
from washgrade.storm.rework import refill_share

STRIPS = 12
LOAD_KG = 7.0
LOAD_M3 = 0.004
LOADS_A_DAY = 60
BITE_M = 0.1
READING_SD = 0.3
# Middles of the priors of ``washgrade.sand.priors``: sd 0.8, half of the variance in each part.
PROCESS = Process(up_variance=0.32, up_range_m=300.0, down_variance=0.32, down_range_m=1200.0)
LOCAL_VARIANCE = 0.25**2
# Scatter of the richness within a reach that the reckoning supposes (the truth's is 0.5).
WITHIN_SD = 0.4


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
    nodes = Nodes(
        cell=each.astype(np.int64), downstream=downstream, length_m=length, easting_m=zero, northing_m=zero,
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

    def day_kg(self, reach):
        """What a day there would bring: the richest strips first, each down to a tenth of what it held."""
        order = np.argsort(-self.richness[reach])
        strip_loads = self.loads[reach] / STRIPS
        left, brought = float(LOADS_A_DAY), 0.0
        after = self.richness[reach].copy()
        for strip in order:
            took = min(left, strip_loads)
            share = 0.9 * took / strip_loads
            brought += took * LOAD_KG * 0.1 * after[strip] * 0.9
            after[strip] *= 1 - share
            left -= took
            if left <= 0:
                break
        return brought, after

    def dig(self, reach):
        """Dig a day there; kilograms."""
        brought, self.richness[reach] = self.day_kg(reach)
        return brought


def taken_share(dug_share):
    """Share of a reach's magnetics in the richest part of its loads, if these are lognormal."""
    return ndtr(WITHIN_SD + ndtri(np.clip(dug_share, 1e-12, 1 - 1e-12)))


class Reckoned:
    """What is believed: readings with the memory that floods leave them, and the depletion of each reach."""

    def __init__(self, samples, channels, loads, *, heeds_floods=True, heeds_digs=True):
        self.loads = loads
        self.heeds_floods, self.heeds_digs = heeds_floods, heeds_digs
        nodes = channels.nodes
        self.tree = Tree(downstream=nodes.downstream, length_m=nodes.length_m, weight=nodes.upstream_area_m2)
        self.node = [reach for reach, _ in samples]
        self.value = [value for _, value in samples]
        self.variance = [READING_SD**2 + LOCAL_VARIANCE] * len(samples)
        self.kept = [1.0] * len(samples)
        self.dug_share = np.zeros(len(loads))

    def flood(self, renewed):
        """Fade what was read; refill what was dug."""
        if not self.heeds_floods:
            return
        memory = network_memory(renewed)
        self.kept = [memory * kept for kept in self.kept]
        self.dug_share = depletion_after(self.dug_share, renewed_share=renewed)

    def expected(self):
        """Expected weight of a day in each reach, to a common factor."""
        kept = np.array(self.kept)
        _, there = krige(
            self.tree, PROCESS, node=np.array(self.node), value=np.array(self.value),
            error_variance=np.array(self.variance) + 2 * (1 - kept) * PROCESS.up_variance,
            regressors=np.ones((len(self.loads), 1)),
        )  # fmt: skip
        grade = np.exp(there.mean + 0.5 * (there.variance + LOCAL_VARIANCE))
        return grade * self.loads * self.day_share()

    def day_share(self):
        """Share of each reach's magnetics that the next day takes: the richest loads that are left."""
        after = np.minimum(self.dug_share + LOADS_A_DAY / self.loads, 1.0)
        return taken_share(after) - taken_share(self.dug_share)

    def dug(self, reach, kilograms):
        """Learn from the weight of a day, and take it off."""
        if not self.heeds_digs:
            return
        # What the whole reach would hold, if this was that share of it.
        whole_kg = kilograms / max(float(self.day_share()[reach]), 1e-3)
        self.node.append(reach)
        self.value.append(float(np.log(max(whole_kg / (self.loads[reach] * LOAD_KG * 0.1 * 0.9), 1e-6))))
        self.variance.append(0.3**2 + LOCAL_VARIANCE)
        self.kept.append(1.0)
        self.dug_share[reach] = min(self.dug_share[reach] + LOADS_A_DAY / self.loads[reach], 1.0)


def play(seed, policy, reaches=120, days=50, floods=10, samples=30):
    """One season of one policy; kilograms brought."""
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
    first = [(int(i), float(np.log(truth.richness[i].mean()) + land_rng.normal(0, READING_SD))) for i in at]
    ours = Reckoned(
        first, channels, truth.loads, heeds_floods=policy != "no floods", heeds_digs=policy != "no digs"
    )
    ranked = [reach for reach, _ in sorted(first, key=lambda pair: -pair[1])]
    flood_day = np.sort(land_rng.integers(1, days, floods))
    depth, hours = land_rng.gamma(2.0, 12.0, floods), land_rng.uniform(0.3, 3.0, floods)
    policy_rng = np.random.default_rng(seed + 2)
    place, brought, best, here = 0, 0.0, 0.0, 0.0
    for day in range(days):
        for k in np.flatnonzero(flood_day == day):
            truth.flood(depth[k], np.random.default_rng([seed, int(k)]))
            flood = flood_of_rain(ground, burst(depth_mm=depth[k], duration_h=hours[k]))
            ours.flood(
                refill_share(scour_m=flood.scour_m, bite_m=BITE_M, wetted_share=flood.flow.wetted_share)
            )
        if policy == "perfect":
            reach = int(np.argmax([truth.day_kg(i)[0] for i in range(reaches)]))
        elif policy in ("reckoned", "no floods", "no digs"):
            reach = int(np.argmax(ours.expected()))
        elif policy == "best sample":
            reach = ranked[0]
        elif policy == "last good place":
            # Back to where it was good until a day brings under half of the best; then the next best sample.
            if here < 0.5 * best and day > 0:
                place = (place + 1) % len(ranked)
                best = 0.0
            reach = ranked[place]
        else:
            reach = int(policy_rng.integers(reaches))
        here = truth.dig(reach)
        best = max(best, here)
        brought += here
        ours.dug(reach, here)
    return brought


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seasons", type=int, default=40)
    count = parser.parse_args().seasons
    policies = ("perfect", "reckoned", "no floods", "no digs", "last good place", "best sample", "anywhere")
    kg = np.array([[play(1000 * seed, policy) for policy in policies] for seed in range(count)])
    share = kg / kg[:, :1]
    print(f"{count} seasons of 120 reaches, 50 days, 10 rains, 30 first samples")
    print(f"{'policy':18}{'kg a season':>12}{'share':>8}{'P10':>7}{'P90':>7}")
    for column, policy in enumerate(policies):
        low, high = np.quantile(share[:, column], (0.1, 0.9))
        print(f"{policy:18}{kg[:, column].mean():12.0f}{share[:, column].mean():8.2f}{low:7.2f}{high:7.2f}")


if __name__ == "__main__":
    main()
