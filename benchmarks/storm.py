"""Time a season of floods and digs on 10,000 reaches, against the same loops uncompiled, in one run.

Run from the project's folder: ``python benchmarks/storm.py``. The plain loops run on a hundredth of the nodes
and of the events; the ratio is of times by node and flood. Compiled loops are warm.
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from washgrade.land.channels import Channels, Nodes, Reaches
from washgrade.storm import hydraulics, season
from washgrade.storm.basin import measure_basins
from washgrade.storm.flood import Ground, flood_of_rain
from washgrade.storm.grains import BEDS
from washgrade.storm.rain import burst
from washgrade.storm.refill import reach_mean, settle_share, travel_share
from washgrade.storm.rework import refill_share

NODE_M = 5.0


def network(reaches, nodes_a_reach):
    """Reaches of a few nodes that join at random."""
    rng = np.random.default_rng(1)
    last = reaches - 1
    joins = np.array([-1 if i == last else min(last, i + int(rng.geometric(0.3))) for i in range(reaches)])
    count = reaches * nodes_a_reach
    downstream = np.arange(1, count + 1, dtype=np.int32)
    foot = np.arange(nodes_a_reach - 1, count, nodes_a_reach)
    downstream[foot] = np.where(joins < 0, -1, joins * nodes_a_reach)
    area = np.full(count, NODE_M**2)
    area[::nodes_a_reach] += 5000.0
    length = np.where(downstream < 0, 0.0, NODE_M)
    height = np.zeros(count)
    for i in range(count):
        if downstream[i] >= 0:
            area[downstream[i]] += area[i]
    for i in range(count - 1, -1, -1):
        if downstream[i] >= 0:
            height[i] = height[downstream[i]] + 0.03 * length[i]
    zero, ones = np.zeros(count), np.ones(count, np.int32)
    nodes = Nodes(
        cell=np.arange(count), downstream=downstream, length_m=length, easting_m=zero, northing_m=zero,
        elevation_m=height, upstream_area_m2=area, distance_to_outlet_m=zero, order=ones,
        reach=np.repeat(np.arange(reaches), nodes_a_reach).astype(np.int32),
    )  # fmt: skip
    first = np.arange(0, count, nodes_a_reach).astype(np.int32)
    found = Reaches(
        reach_id=np.arange(reaches).astype(str), first_node=first, last_node=foot.astype(np.int32),
        downstream=joins.astype(np.int32), length_m=np.full(reaches, NODE_M * nodes_a_reach),
        drop_m=np.full(reaches, 0.03 * NODE_M * nodes_a_reach), slope=np.full(reaches, 0.03),
        upstream_area_m2=area[foot], order=np.ones(reaches, np.int32),
    )  # fmt: skip
    return Channels(nodes=nodes, reaches=found, channel_area_m2=5e3)


def season_s(reaches, nodes_a_reach, storms, digs, *, middles=False):
    """Seconds for the floods and for the replay of one season."""
    channels = network(reaches, nodes_a_reach)
    only = channels.reaches.first_node + nodes_a_reach // 2 if middles else None
    count = len(channels.nodes)
    ground = Ground(
        channels=channels, basins=measure_basins(channels), width_m=np.full(count, 3.0), slope=np.full(count,
        0.03), bed=BEDS["gravelly sand"], curve_number=85.0,
    )  # fmt: skip
    rng = np.random.default_rng(0)
    start = time.perf_counter()
    renewed = np.empty((storms, reaches))
    for k in range(storms):
        rain = burst(depth_mm=float(rng.uniform(15, 60)), duration_h=float(rng.uniform(0.5, 4)))
        flood = flood_of_rain(ground, rain, only=only)
        share = refill_share(scour_m=flood.scour_m, bite_m=0.1, wetted_share=flood.flow.wetted_share)
        renewed[k] = share if only is not None else reach_mean(share, channels.nodes.reach, reaches)
    floods = time.perf_counter()
    held = np.full(reaches, 50.0)
    few = {"downstream": channels.reaches.downstream, "held_kg": held}
    travels = travel_share(channels.reaches.length_m)
    settles = settle_share(channels.reaches.length_m)
    events = season.order_events(
        flood_day=rng.integers(0, 365, storms),
        dig_day=rng.integers(0, 365, digs),
        dig_reach=rng.integers(0, reaches, digs),
        dig_kg=rng.uniform(5, 40, digs),
    )
    ledger = season.replay(**few, events=events, renewed_share=renewed, travels=travels, settles=settles)
    end = time.perf_counter()
    went = ledger.stock_kg.sum() + ledger.taken_kg.sum() + ledger.left_kg
    return floods - start, end - floods, went / (held.sum() + ledger.supplied_kg.sum()) - 1


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--reaches", type=int, default=10_000)
    parser.add_argument("--nodes-a-reach", type=int, default=10)
    parser.add_argument("--storms", type=int, default=100)
    parser.add_argument("--digs", type=int, default=1000)
    asked = parser.parse_args()
    season_s(100, 2, 3, 10)
    print(f"{asked.storms} storms, {asked.digs} digs, {asked.reaches} reaches")
    for nodes, middles in ((asked.nodes_a_reach, True), (asked.nodes_a_reach, False), (1, False)):
        floods_s, replay_s, balance = season_s(
            asked.reaches, nodes, asked.storms, asked.digs, middles=middles
        )
        by_node = floods_s / (asked.storms * asked.reaches * nodes)
        where = "the middle" if middles else "each"
        print(
            f"{nodes:3} nodes a reach, bed asked at {where}: floods {floods_s:.2f} s "
            f"({1e6 * by_node:.2f} us a node), replay {replay_s:.3f} s, balance off by {balance:.0e}"
        )
    compiled = hydraulics._flows, season._replay, season.flood_step
    hydraulics._flows, season._replay, season.flood_step = (loop.py_func for loop in compiled)
    small = max(asked.reaches // 100, 10)
    plain_flood, plain_replay, _ = season_s(small, 1, 2, 10)
    hydraulics._flows, season._replay, season.flood_step = compiled
    print(
        f"outer loops uncompiled, by node: floods x {plain_flood / (2 * small) / by_node:.0f}, "
        f"replay x {plain_replay / (2 * small) / (replay_s / (asked.storms * asked.reaches)):.0f}"
    )


if __name__ == "__main__":
    main()
