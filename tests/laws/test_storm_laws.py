"""What holds for every storm, dig and season."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from washgrade.land.channels import Channels, Nodes, Reaches
from washgrade.storm.basin import measure_basins
from washgrade.storm.flood import Ground, flood_of_rain
from washgrade.storm.grains import BEDS
from washgrade.storm.graphical import graphical_peak_m3_s
from washgrade.storm.hydraulics import flow_in_bed
from washgrade.storm.memory import carried_share, network_memory
from washgrade.storm.rain import Hyetograph, burst
from washgrade.storm.rework import mean_scour_m, refill_share, share_reworked
from washgrade.storm.runoff import runoff_mm
from washgrade.storm.season import order_events, replay

seeds = st.integers(0, 2**32 - 1)


def network(seed: int, count: int = 25) -> Channels:
    """Random channels: nodes that join anywhere downstream, areas that add up, beds that fall."""
    rng = np.random.default_rng(seed)
    downstream = np.full(count, -1, np.int32)
    for i in range(count - 1):
        if rng.random() < 0.93:
            downstream[i] = min(count - 1, i + int(rng.geometric(0.5)))
    length = np.where(downstream < 0, 0.0, rng.uniform(2, 80, count))
    area = rng.uniform(1e3, 2e5, count)
    height = np.zeros(count)
    for i in range(count):
        if downstream[i] >= 0:
            area[downstream[i]] += area[i]
    for i in range(count - 1, -1, -1):
        if downstream[i] >= 0:
            height[i] = height[downstream[i]] + rng.uniform(0, 0.08) * length[i]
    zero = np.zeros(count)
    each = np.arange(count, dtype=np.int32)
    nodes = Nodes(
        cell=each.astype(np.int64), downstream=downstream, length_m=length, easting_m=zero, northing_m=zero,
        elevation_m=height, upstream_area_m2=area, distance_to_outlet_m=zero, order=np.ones(count, np.int32),
        reach=each,
    )  # fmt: skip
    drop = np.where(downstream < 0, 0.0, height - height[downstream])
    reaches = Reaches(
        reach_id=each.astype(str), first_node=each, last_node=each, downstream=downstream, length_m=length,
        drop_m=drop, slope=np.divide(drop, length, out=np.zeros(count), where=length > 0),
        upstream_area_m2=area, order=np.ones(count, np.int32),
    )  # fmt: skip
    return Channels(nodes=nodes, reaches=reaches, channel_area_m2=1e3)


def ground(seed: int, bed: str, curve: float, conductivity_mm_h: float) -> Ground:
    channels = network(seed)
    rng = np.random.default_rng(seed)
    return Ground(
        channels=channels,
        basins=measure_basins(channels),
        width_m=rng.uniform(0.5, 15, len(channels.nodes)),
        slope=np.maximum(channels.reaches.slope, 1e-4),
        bed=BEDS[bed],
        curve_number=curve,
        conductivity_mm_h=conductivity_mm_h,
    )


@settings(max_examples=60, deadline=None)
@given(
    seeds, st.sampled_from(list(BEDS)), st.floats(55, 98), st.floats(0, 150), st.floats(1, 120),
    st.floats(1, 1.5), st.floats(0.2, 12), st.booleans(), st.sampled_from(["unit hydrograph", "graphical"]),
)  # fmt: skip
def test_more_rain_never_reworks_less(
    seed, bed, curve, conductivity, depth_mm, more, duration_h, ragged, peak
):
    land = replace(ground(seed, bed, curve, conductivity), peak=peak)
    rain = burst(depth_mm=depth_mm, duration_h=duration_h)
    if ragged:
        fallen = np.append(0.0, np.cumsum(np.random.default_rng(seed).exponential(1.0, 7)))
        rain = Hyetograph(time_h=np.linspace(0, duration_h, 8), fallen_mm=depth_mm * fallen / fallen[-1])
    harder = Hyetograph(time_h=rain.time_h, fallen_mm=more * rain.fallen_mm)
    one, other = flood_of_rain(land, rain), flood_of_rain(land, harder)

    def never_less(low, high):
        assert (high >= low - 1e-9 * np.abs(low)).all()

    never_less(one.flow.discharge_m3_s, other.flow.discharge_m3_s)
    never_less(one.flow.grain_stress_pa, other.flow.grain_stress_pa)
    never_less(one.scour_m, other.scour_m)
    for depth in (0.0, 0.02, 0.1):
        never_less(
            share_reworked(scour_m=one.scour_m, depth_m=depth, wetted_share=one.flow.wetted_share),
            share_reworked(scour_m=other.scour_m, depth_m=depth, wetted_share=other.flow.wetted_share),
        )
    shares = [
        refill_share(scour_m=flood.scour_m, bite_m=0.1, wetted_share=flood.flow.wetted_share)
        for flood in (one, other)
    ]
    never_less(*shares)
    assert network_memory(shares[1]) <= network_memory(shares[0]) + 1e-12


def test_a_law_of_more_rain_would_catch_a_loss_that_grows_faster():
    """The twin: were the loss made to grow with the square of the runoff, more rain would give less flow."""
    runoff = runoff_mm(np.array([40.0, 60.0]), 85)
    wrong = runoff - 0.05 * runoff**2
    assert wrong[1] < wrong[0]


@settings(max_examples=60, deadline=None)
@given(seeds, st.floats(55, 98), st.floats(0, 150), st.floats(1, 150), st.floats(0.2, 12))
def test_water_is_neither_made_nor_lost_but_to_the_bed(seed, curve, conductivity, depth_mm, duration_h):
    land = ground(seed, "sand", curve, conductivity)
    flood = flood_of_rain(land, burst(depth_mm=depth_mm, duration_h=duration_h))
    assert flood.runoff_mm <= depth_mm
    made = land.basins.area_m2 * flood.runoff_mm / 1000
    nodes = land.channels.nodes
    lost_above = np.zeros(len(nodes))
    for i in range(len(nodes)):
        j = nodes.downstream[i]
        if j >= 0:
            lost_above[j] += lost_above[i] + flood.lost_m3[i]
    assert (lost_above <= made * (1 + 1e-9) + 1e-9).all()
    hours = duration_h + 24
    most = conductivity / 1000 * hours * land.width_m * nodes.length_m
    assert (flood.lost_m3 <= most + 1e-9).all()


@given(st.floats(0, 300), st.floats(0, 300), st.floats(1, 100))
def test_runoff_rises_with_rain_and_never_exceeds_it(one, other, curve):
    low, high = runoff_mm(np.array(sorted((one, other))), curve)
    assert 0 <= low <= high
    assert high <= max(one, other) * (1 + 1e-12)


@given(st.sampled_from(["I", "IA", "II", "III"]), st.floats(30, 98), st.floats(5, 250), st.floats(0.05, 12))
def test_a_graphical_peak_rises_with_the_rain(rain_type, curve, rain_mm, hours):
    few = {"curve_number": curve, "area_m2": 1e6, "concentration_h": hours, "rain_type": rain_type}
    low, high = (graphical_peak_m3_s(rain_mm=mm, **few) for mm in (rain_mm, 1.1 * rain_mm))
    assert 0 <= low <= high


@settings(max_examples=100, deadline=None)
@given(
    st.sampled_from(list(BEDS)),
    st.floats(0.3, 200),
    st.floats(1e-4, 0.4),
    st.floats(1e-4, 3000),
    st.floats(1, 3),
)
def test_more_flow_is_never_shallower_slower_or_gentler(bed, width_m, slope, flow, more):
    both = flow_in_bed(discharge_m3_s=[flow, more * flow], width_m=width_m, slope=slope, bed=BEDS[bed])
    for name in ("depth_m", "width_m", "wetted_share", "velocity_m_s", "stress_pa", "grain_stress_pa"):
        low, high = getattr(both, name)
        assert high >= low * (1 - 1e-9), name
    low, high = mean_scour_m(both, BEDS[bed])
    assert high >= low * (1 - 1e-9)
    assert (both.grain_stress_pa <= both.stress_pa).all()
    assert ((both.wetted_share > 0) & (both.wetted_share <= 1)).all()


def any_season(seed, reaches, floods, digs):
    rng = np.random.default_rng(seed)
    downstream = np.full(reaches, -1, np.int32)
    for i in range(reaches - 1):
        if rng.random() < 0.9:
            downstream[i] = min(reaches - 1, i + int(rng.geometric(0.4)))
    held = rng.uniform(0, 1000, reaches) * (rng.random(reaches) < 0.9)
    renewed = rng.uniform(0, 1, (floods, reaches)) * (rng.random((floods, reaches)) < 0.8)
    return (
        {
            "downstream": downstream,
            "held_kg": held,
            "stock_kg": held * rng.uniform(0, 1, reaches),
            "renewed_share": renewed,
            "travels": rng.uniform(0, 1, reaches),
            "settles": rng.uniform(0, 1, reaches),
            "new_share": float(rng.uniform(0, 1)),
        },
        {
            "flood_day": rng.integers(0, 40, floods),
            "dig_day": rng.integers(0, 40, digs),
            "dig_reach": rng.integers(0, reaches, digs),
            "dig_kg": rng.exponential(200, digs),
        },
    )


@settings(max_examples=150, deadline=None)
@given(seeds, st.integers(1, 40), st.integers(0, 30), st.integers(0, 60))
def test_magnetite_is_conserved_over_any_season(seed, reaches, floods, digs):
    land, records = any_season(seed, reaches, floods, digs)
    ledger = replay(**land, events=order_events(**records))
    came = land["stock_kg"].sum() + ledger.supplied_kg.sum()
    went = ledger.stock_kg.sum() + ledger.taken_kg.sum() + ledger.left_kg
    assert went == pytest.approx(came, rel=1e-9, abs=1e-9)
    assert (ledger.stock_kg >= -1e-12).all()
    assert (ledger.stock_kg <= land["held_kg"] * (1 + 1e-12)).all()
    assert (ledger.supplied_kg >= 0).all()
    # A ledger that forgot what left would not balance.
    if ledger.left_kg > 1e-3:
        assert went - ledger.left_kg != pytest.approx(came, rel=1e-9)


@settings(max_examples=60, deadline=None)
@given(seeds, st.integers(2, 20), st.integers(1, 8), st.integers(1, 20), st.randoms(use_true_random=False))
def test_the_order_of_import_changes_nothing(seed, reaches, floods, digs, random):
    land, records = any_season(seed, reaches, floods, digs)
    order = list(range(digs))
    random.shuffle(order)
    turned = records | {name: records[name][order] for name in ("dig_day", "dig_reach", "dig_kg")}
    one, other = (replay(**land, events=order_events(**some)) for some in (records, turned))
    np.testing.assert_array_equal(one.stock_kg, other.stock_kg)
    assert one.left_kg == other.left_kg


@settings(max_examples=60, deadline=None)
@given(seeds, st.integers(1, 20), st.integers(0, 8), st.integers(1, 20))
def test_striking_a_dig_and_adding_it_again_is_nothing(seed, reaches, floods, digs):
    land, records = any_season(seed, reaches, floods, digs)
    whole = replay(**land, events=order_events(**records))
    without = {name: (value[:-1] if name.startswith("dig") else value) for name, value in records.items()}
    again = {
        name: (np.append(value, records[name][-1]) if name.startswith("dig") else value)
        for name, value in without.items()
    }
    np.testing.assert_array_equal(replay(**land, events=order_events(**again)).stock_kg, whole.stock_kg)


@settings(max_examples=60, deadline=None)
@given(seeds, st.integers(1, 20), st.integers(1, 8))
def test_digging_more_never_leaves_more_anywhere(seed, reaches, floods):
    land, records = any_season(seed, reaches, floods, 10)
    less = replay(**land, events=order_events(**records))
    more = replay(**land, events=order_events(**records | {"dig_kg": 1.5 * records["dig_kg"]}))
    assert (more.stock_kg <= less.stock_kg + 1e-9).all()


@settings(max_examples=60, deadline=None)
@given(seeds, st.integers(1, 30), st.floats(0, 1))
def test_floods_without_water_change_nothing(seed, reaches, travels):
    land, records = any_season(seed, reaches, 3, 0)
    land |= {"renewed_share": np.zeros((3, reaches)), "travels": travels}
    ledger = replay(**land, events=order_events(**records))
    assert not ledger.supplied_kg.any()
    np.testing.assert_array_equal(ledger.stock_kg, land["stock_kg"])
    assert network_memory(np.zeros(reaches)) == 1


@given(
    st.lists(st.tuples(st.integers(0, 30), st.floats(0, 1)), max_size=12),
    st.integers(0, 30),
    st.integers(0, 30),
)
def test_memory_fades_with_every_flood_and_only_so(floods, one, other):
    day, memory = [flood[0] for flood in floods], [flood[1] for flood in floods]
    early, late = sorted((one, other))
    shares = carried_share(sample_day=[early, late], flood_day=day, memory=memory, on_day=30)
    assert 0 <= shares[0] <= shares[1] <= 1
    step = carried_share(sample_day=[early], flood_day=day, memory=memory, on_day=late)
    assert shares[0] == pytest.approx(step[0] * shares[1], abs=1e-12)
