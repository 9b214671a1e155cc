"""Time the replay of a notebook through the survey: 100 storms and 1,000 digs on 10,000 reaches.

Run from the project's folder: ``python benchmarks/replay.py``. It goes the way of ``washgrade rank``: from
the records to floods, learning, old samples and the ledger in all its draws; all but the estimate of the
grade. Beside it stands the bare ledger of the arrays (``washgrade.storm.season.replay``) in the same run.
Compiled loops are warm; the seconds are the processor's, one core.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from datetime import date, timedelta

import numpy as np

from storm import network
from washgrade.files.dig import Dig
from washgrade.files.look import Look
from washgrade.files.settings import Settings
from washgrade.files.storm import Storm
from washgrade.land.shape import Shape
from washgrade.land.width import REGIONAL
from washgrade.sand.layers import Samples
from washgrade.sand.sample import observations
from washgrade.storm.season import order_events, replay
from washgrade.survey.past import DRAWS, past_of


def season(reaches, nodes_a_reach, storms, digs, looks):
    """Seconds of the past, of the ledger, and of the bare ledger once."""
    channels = network(reaches, nodes_a_reach)
    # Nodes apart, so that a place lies on one of them.
    count = len(channels.nodes)
    channels = replace(channels, nodes=replace(channels.nodes, easting_m=np.arange(count) * 40.0))
    plain = np.full(count, np.nan)
    shape = Shape(
        width_m=np.full(count, 3.0), width_from=np.full(count, REGIONAL, np.uint8), valley_m=plain,
        is_open=np.zeros(count, np.bool_), confinement=plain, curvature_per_m=plain,
        radius_over_width=np.full(count, np.inf), inner_side=np.zeros(count, np.int8),
        slope=np.full(count, 0.03), slope_break=plain, expansion=plain,
        below_confluence_m=np.full(count, np.inf), area_ratio=plain, stream_power_w_m2_per_m3_s=plain,
    )  # fmt: skip
    rng, start = np.random.default_rng(2), date(2025, 1, 1)
    days = np.sort(rng.choice(365, storms, replace=False))

    def at():
        return {"lon": 0.0, "lat": 0.0, "easting_m": 40.0 * int(rng.integers(count)), "northing_m": 0.0}

    rains = [
        Storm(
            id=f"s{k}", time=(start + timedelta(days=int(day))).isoformat(),
            rain_mm=float(rng.uniform(15, 60)), duration_h=float(rng.uniform(0.5, 4)),
        )
        for k, day in enumerate(days)
    ]  # fmt: skip
    shovelled = [
        Dig(
            id=f"d{k}", time=(start + timedelta(days=int(rng.integers(365)))).isoformat(), loads=40.0,
            dug_litres=160.0, product_mass_kg=12.0 if k % 2 else None, **at(),
        )
        for k in range(digs)
    ]  # fmt: skip
    seen = [
        Look(
            id=f"l{k}", time=(start + timedelta(days=int(rng.integers(365)))).isoformat(),
            seen="fresh streak" if k % 2 else "unchanged", **at(),
        )
        for k in range(looks)
    ]  # fmt: skip
    settings = Settings(curve_number=85.0)
    begin = time.process_time()
    past = past_of(
        day=date(2026, 1, 1), channels=channels, shape=shape, settings=settings,
        seen=observations(Samples.none(), settings.sampling, channels.nodes), samples=[], storms=rains,
        digs=shovelled, looks=seen,
    )  # fmt: skip
    middle = time.process_time()
    held = past.loads_held * 0.5
    found = past.reckon(held)
    end = time.process_time()
    went = found.stock_kg.sum(axis=1) + found.taken_kg.sum(axis=1) + found.left_kg
    off = np.abs(went / (held.sum() + found.supplied_kg.sum(axis=1)) - 1).max()
    renewed = past.renewed_mean
    few = {"downstream": channels.reaches.downstream, "held_kg": held}
    bare = time.process_time()
    events = order_events(
        flood_day=[event.moment_days for event in past.events],
        dig_day=[part.moment_days for part in past.dug], dig_reach=[part.reach for part in past.dug],
        dig_kg=np.full(len(past.dug), 10.0),
    )  # fmt: skip
    replay(**few, events=events, renewed_share=renewed, travels=0.8, settles=0.4)
    return middle - begin, end - middle, time.process_time() - bare, off


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--reaches", type=int, default=10_000)
    parser.add_argument("--nodes-a-reach", type=int, default=10)
    parser.add_argument("--storms", type=int, default=100)
    parser.add_argument("--digs", type=int, default=1000)
    parser.add_argument("--looks", type=int, default=30)
    asked = parser.parse_args()
    season(50, 2, 3, 10, 2)
    past_s, ledger_s, bare_s, off = season(
        asked.reaches, asked.nodes_a_reach, asked.storms, asked.digs, asked.looks
    )
    print(
        f"{asked.storms} storms, {asked.digs} digs, {asked.looks} looks on {asked.reaches} reaches of "
        f"{asked.nodes_a_reach} nodes: floods, learning and readings {past_s:.2f} s, ledger in {DRAWS} draws "
        f"{ledger_s:.2f} s, together {past_s + ledger_s:.2f} s; balance off by {off:.0e}; "
        f"x {(past_s + ledger_s) / bare_s:.0f} the bare ledger of one draw ({bare_s:.2f} s)"
    )


if __name__ == "__main__":
    main()
