"""Laws of the replayed notebook: order is irrelevant, more rain is never less, nothing is lost.

The ground is a small network made up here; the records are those that a notebook gives.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from washgrade.dig.ledger import Asks, Digs, reckon
from washgrade.files.dig import Dig
from washgrade.files.look import Look
from washgrade.files.sample import Sample
from washgrade.files.settings import Settings
from washgrade.files.storm import Storm
from washgrade.land.channels import Channels, Nodes, Reaches
from washgrade.land.shape import Shape
from washgrade.land.width import REGIONAL
from washgrade.sand.layers import Samples
from washgrade.sand.sample import observations
from washgrade.storm.season import order_events, replay
from washgrade.survey.floods import storms_of
from washgrade.survey.lasting import weigh_past
from washgrade.survey.past import Past, past_of
from washgrade.survey.refound import found_again

NODES_A_REACH, REACHES = 4, 9
DAY = date(2026, 3, 1)


def ground() -> tuple[Channels, Shape]:
    """A tree of reaches of four nodes, upstream before downstream."""
    rng = np.random.default_rng(7)
    count = NODES_A_REACH * REACHES
    joins = np.array([2, 2, 4, 4, 6, 6, 8, 8, -1])
    downstream = np.arange(1, count + 1, dtype=np.int32)
    foot = np.arange(NODES_A_REACH - 1, count, NODES_A_REACH)
    downstream[foot] = np.where(joins < 0, -1, joins * NODES_A_REACH)
    length = np.where(downstream < 0, 0.0, 12.0)
    area = np.full(count, 150.0)
    area[::NODES_A_REACH] += rng.uniform(2e4, 2e5, REACHES)
    height = np.zeros(count)
    for i in range(count):
        if downstream[i] >= 0:
            area[downstream[i]] += area[i]
    for i in range(count - 1, -1, -1):
        if downstream[i] >= 0:
            height[i] = height[downstream[i]] + 0.03 * length[i]
    ones = np.ones(count, np.int32)
    nodes = Nodes(
        cell=np.arange(count), downstream=downstream, length_m=length, easting_m=np.arange(count) * 200.0,
        northing_m=np.zeros(count), elevation_m=height, upstream_area_m2=area,
        distance_to_outlet_m=np.zeros(count), order=ones,
        reach=np.repeat(np.arange(REACHES), NODES_A_REACH).astype(np.int32),
    )  # fmt: skip
    first = np.arange(0, count, NODES_A_REACH).astype(np.int32)
    reach_length = np.full(REACHES, 12.0 * NODES_A_REACH)
    reaches = Reaches(
        reach_id=np.array([f"A{k}" for k in range(REACHES)]), first_node=first,
        last_node=foot.astype(np.int32),
        downstream=joins.astype(np.int32), length_m=reach_length, drop_m=0.03 * reach_length,
        slope=np.full(REACHES, 0.03), upstream_area_m2=area[foot], order=np.ones(REACHES, np.int32),
    )  # fmt: skip
    plain = np.full(count, np.nan)
    shape = Shape(
        width_m=np.full(count, 2.0), width_from=np.full(count, REGIONAL, np.uint8), confinement=plain,
        valley_m=plain, is_open=np.zeros(count, np.bool_), slope=np.full(count, 0.03),
        curvature_per_m=plain, radius_over_width=np.full(count, np.inf), inner_side=np.zeros(count, np.int8),
        slope_break=plain, expansion=plain, below_confluence_m=np.full(count, np.inf), area_ratio=plain,
        stream_power_w_m2_per_m3_s=plain,
    )  # fmt: skip
    return Channels(nodes=nodes, reaches=reaches, channel_area_m2=5e3), shape


CHANNELS, SHAPE = ground()
SETTINGS = Settings(curve_number=88.0, snap_max_m=50.0)


def at(node: int) -> dict[str, float]:
    return {"lon": 0.0, "lat": 0.0, "easting_m": float(CHANNELS.nodes.easting_m[node]), "northing_m": 0.0}


def sample(name: str, day: str, node: int, grade: float) -> Sample:
    return Sample(id=name, time=day, grade=grade, trace=False, **at(node))


def past(records: list[object], *, day: date = DAY, chosen: Settings = SETTINGS) -> Past:
    """Replay records in the order in which they come."""
    samples = [one for one in records if isinstance(one, Sample)]
    laid = Samples(
        sample_id=np.array([one.id for one in samples], "U40"),
        easting_m=np.array([one.easting_m for one in samples]),
        northing_m=np.array([one.northing_m for one in samples]),
        accuracy_m=np.full(len(samples), 3.0),
        depth_top_m=np.full(len(samples), np.nan),
        depth_bottom_m=np.full(len(samples), np.nan),
        dry_mass_kg=np.full(len(samples), 0.5),
        grade=np.array([one.grade for one in samples], np.float64),
        trace=np.zeros(len(samples), np.bool_),
        day=np.array([one.time[:10] for one in samples], "datetime64[D]"),
        place=np.full(len(samples), ""),
    )
    return past_of(
        day=day,
        channels=CHANNELS,
        shape=SHAPE,
        settings=chosen,
        seen=observations(laid, chosen.sampling, CHANNELS.nodes),
        samples=samples,
        storms=[one for one in records if isinstance(one, Storm)],
        digs=[one for one in records if isinstance(one, Dig)],
        looks=[one for one in records if isinstance(one, Look)],
    )


RECORDS: list[object] = [
    sample("s1", "2025-10-01", 2, 0.12),
    sample("s2", "2025-10-20", 14, 0.05),
    sample("s3", "2026-01-10", 14, 0.07),
    sample("s4", "2026-01-10", 34, 0.20),
    Storm(id="r1", time="2025-10-20", rain_mm=35.0, duration_h=1.0),
    Storm(id="r2", time="2025-12-02T15:00", rain_mm=28.0, duration_h=0.5),
    Storm(id="m2", time="2025-12-03", mark_depth_m=0.4, **at(33)),
    Storm(id="r3", time="2026-02-01", rain_mm=22.0, duration_h=1.0),
    Storm(id="n3", time="2026-02-01", no_flow=True),
    Dig(id="d1", time="2025-11-05", loads=20.0, dug_litres=80.0, product_mass_kg=9.0, purity=0.9, **at(34)),
    Dig(id="d2", time="2025-12-20", loads=30.0, dug_litres=120.0, **at(34)),
    Dig(id="d3", time="2025-12-21", product_mass_kg=4.0, **at(14)),
    Dig(id="d4", time="2025-12-28", loads=20.0, dug_litres=80.0, product_mass_kg=3.0, **at(34)),
    Look(id="l1", time="2025-10-22", seen="fresh streak", **at(2)),
    Look(id="l2", time="2025-10-23", seen="unchanged", **at(6)),
]


def told(found: Past) -> tuple[np.ndarray, ...]:
    """All numbers that estimates and ranking take from a past."""
    reckoned = found.reckon(np.linspace(20.0, 60.0, REACHES))
    seen, again = found.readings, found.refound
    of_dug = () if again is None else (
        again.reach, again.moment_days, again.value, again.error_variance, again.carried, again.foretold,
        again.dug_before, again.dug_after,
    )  # fmt: skip
    return (
        seen.node, seen.value, seen.error_variance, seen.carried, found.renewed_mean, reckoned.stock_kg,
        reckoned.depletion, np.array([found.learnt.severity(0.5), found.learnt.refill_scale(0.5)]), *of_dug,
    )  # fmt: skip


def test_the_records_tell_of_a_dug_reach() -> None:
    again = past(RECORDS).refound
    assert again is not None
    assert (again.dig >= 0).any()
    assert (again.dig < 0).any()


@given(st.permutations(range(len(RECORDS))))
@settings(max_examples=12, deadline=None)
def test_records_may_come_in_any_order(order: list[int]) -> None:
    for one, other in zip(told(past(RECORDS)), told(past([RECORDS[k] for k in order])), strict=True):
        np.testing.assert_array_equal(one, other)


@pytest.mark.parametrize("gone", range(len(RECORDS)))
def test_striking_a_record_and_entering_it_again_is_the_identity(gone: int) -> None:
    without = [one for k, one in enumerate(RECORDS) if k != gone]
    assert any(
        a.shape != b.shape or not np.array_equal(a, b)
        for a, b in zip(told(past(RECORDS)), told(past(without)), strict=True)
    )
    # Entered again it has an id of its own, since the struck one stays on file.
    again = [*without, replace(RECORDS[gone], id="z-again")]  # type: ignore[type-var]
    for one, other in zip(told(past(RECORDS)), told(past(again)), strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-12)


@given(st.floats(1.0, 80.0), st.floats(1.0, 3.0), st.floats(0.3, 6.0))
@settings(max_examples=25, deadline=None)
def test_more_rain_never_reworks_less(rain_mm: float, more: float, hours: float) -> None:
    def storms(depth_mm: float) -> Past:
        return past(
            [
                Storm(id="a", time="2025-10-20", rain_mm=depth_mm, duration_h=hours),
                Storm(id="b", time="2025-10-22", rain_mm=25.0, duration_h=1.0),
                sample("s", "2025-10-01", 14, 0.1),
            ]
        )

    less, greater = storms(rain_mm), storms(rain_mm * more)
    # The second storm meets ground that is no drier.
    assert (greater.renewed_mean >= less.renewed_mean - 1e-9).all()
    assert (greater.readings.carried <= less.readings.carried + 1e-9).all()


def test_without_storms_and_digs_the_readings_are_what_they_were() -> None:
    samples = [one for one in RECORDS if isinstance(one, Sample)]
    found = past([*samples, RECORDS[-1]])
    plain = past(samples)
    assert found.readings is not None
    for name in ("node", "value", "error_variance", "carried", "day", "limit"):
        np.testing.assert_array_equal(getattr(found.readings, name), getattr(plain.readings, name))
    assert (plain.readings.carried == 1.0).all()


def test_a_day_before_a_storm_does_not_know_it() -> None:
    early = [one for one in RECORDS if one.time[:10] <= "2025-10-19"]  # type: ignore[attr-defined]
    assert past(early, day=date(2025, 10, 19)).events == ()
    assert len(past(RECORDS).events) == 3


def test_a_sample_of_the_storm_s_day_is_of_the_new_bed_unless_its_hour_says_otherwise() -> None:
    storm = Storm(id="r", time="2025-10-20T14:00", rain_mm=60.0, duration_h=1.0)
    for time, untouched in (
        ("2025-10-20", True),
        ("2025-10-20T16:00", True),
        ("2025-10-20T09:00", False),
        ("2025-10-19", False),
    ):
        found = past([storm, sample("s", time, 34, 0.1)])
        assert bool(found.readings.carried[0] == 1.0) is untouched


def test_a_flood_mark_outranks_the_rain_and_says_how_they_differ() -> None:
    found = past(RECORDS)
    assert found.floods is not None
    assert found.floods.source == ("rain", "mark", "none")
    assert any("The mark tells of" in note for note in found.floods.notes[1])
    assert (found.renewed_mean[2] == 0.0).all()
    # Word that nothing ran, a mark, two looks, and three readings of reaches read before floods.
    assert found.learnt.records == 7


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=30, deadline=None)
def test_magnetics_are_neither_made_nor_lost(seed: int) -> None:
    rng = np.random.default_rng(seed)
    draws, floods, digs = 3, int(rng.integers(0, 12)), int(rng.integers(1, 25))
    downstream = CHANNELS.reaches.downstream
    held = rng.uniform(0.0, 80.0, REACHES) * (rng.random(REACHES) < 0.9)
    renewed = rng.uniform(0.0, 1.0, (floods, draws, REACHES))
    dug = Digs(
        day=rng.integers(0, 20, digs).astype(float),
        reach=rng.integers(0, REACHES, digs),
        loads_share=np.where(rng.random(digs) < 0.7, rng.uniform(0, 0.8, digs), np.nan),
        taken_share=rng.uniform(0.0, 1.0, digs),
    )
    found = reckon(
        downstream=downstream,
        held_kg=held,
        flood_day=rng.integers(0, 20, floods).astype(float),
        renewed=lambda flood: renewed[flood],
        draws=draws,
        travels=rng.uniform(0.0, 1.0, REACHES),
        settles=rng.uniform(0.0, 1.0, REACHES),
        digs=dug,
        within_sd=float(rng.uniform(0.0, 1.0)),
    )
    went = found.stock_kg.sum(axis=1) + found.taken_kg.sum(axis=1) + found.left_kg
    came = held.sum() + found.supplied_kg.sum(axis=1)
    np.testing.assert_allclose(went, came, rtol=1e-9)
    assert (found.stock_kg >= -1e-9).all()
    assert (found.stock_kg <= held + 1e-9).all()


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=20, deadline=None)
def test_one_draw_and_weighed_digs_are_the_plain_replay(seed: int) -> None:
    rng = np.random.default_rng(seed)
    floods, digs = int(rng.integers(1, 9)), int(rng.integers(1, 12))
    downstream, held = CHANNELS.reaches.downstream, rng.uniform(5.0, 80.0, REACHES)
    renewed, travels = rng.uniform(0.0, 1.0, (floods, REACHES)), rng.uniform(0.0, 1.0, REACHES)
    settles = rng.uniform(0.0, 1.0, REACHES)
    flood_day = rng.permutation(20)[:floods].astype(float)
    share, reach = rng.uniform(0.0, 0.3, digs), rng.integers(0, REACHES, digs)
    # Digs on days of their own: on one day the plain replay has another order of sizes.
    dig_day = rng.permutation(40)[:digs] + 0.5
    found = reckon(
        downstream=downstream, held_kg=held, flood_day=flood_day, renewed=lambda k: renewed[k][None, :],
        draws=1, travels=travels, settles=settles,
        digs=Digs(day=dig_day, reach=reach, loads_share=np.full(digs, np.nan), taken_share=share),
        asks=Asks(day=np.array([50.0]), reach=np.array([3])),
    )  # fmt: skip
    events = order_events(flood_day=flood_day, dig_day=dig_day, dig_reach=reach, dig_kg=share * held[reach])
    plain = replay(
        downstream=downstream, held_kg=held, events=events, renewed_share=renewed, travels=travels,
        settles=settles,
    )  # fmt: skip
    np.testing.assert_allclose(found.stock_kg[0], plain.stock_kg, rtol=1e-9)
    assert found.asked[0, 0] == pytest.approx(plain.depletion[3])


def test_a_weighed_product_tells_the_grade_it_came_from() -> None:
    """A dig of a tenth of the loads of a reach of known grade: what is read is that grade, exactly."""
    from washgrade.dig.load import load_magnetics_kg
    from washgrade.dig.returns import taken_share

    plain = past([])
    loads = 0.1 * plain.loads_held[8]
    grade = 0.13
    each_kg = float(load_magnetics_kg(np.array(grade), SETTINGS.shovel))
    dug_kg = each_kg * plain.loads_held[8] * float(taken_share(0.1, within_sd=SETTINGS.within_sd))
    dig = Dig(
        id="d", time="2025-12-20", loads=loads, dug_litres=loads * SETTINGS.shovel_litres, purity=0.8,
        product_mass_kg=dug_kg * SETTINGS.product_recovery / 0.8, **at(34),
    )  # fmt: skip
    found = past([dig]).readings
    assert len(found) == 1
    assert 1 / (1 + np.exp(-found.value[0])) == pytest.approx(grade, rel=1e-9)


def test_after_digging_out_a_reach_a_poor_sample_is_no_poor_bed() -> None:
    dig = Dig(
        id="d", time="2025-12-20", loads=1.0, dug_litres=0.5 * 4.0 * float(past([]).loads_held[8]), **at(34)
    )
    before = past([sample("s", "2025-12-19", 34, 0.04), dig]).readings
    after = past([sample("s", "2025-12-21", 34, 0.04), dig]).readings
    assert after.value[0] > before.value[0] + 0.5
    assert after.error_variance[0] > before.error_variance[0]


def test_a_sample_below_a_dug_reach_is_of_a_bed_laid_with_poorer_sand() -> None:
    """Nobody dug reach 2, which 0 and 1 run into: a flood that came between lays it poorer, none does not."""
    dug = [
        Dig(id=f"d{k}", time="2025-11-05", loads=60.0, dug_litres=240.0, **at(node))
        for k, node in enumerate((2, 6))
    ]
    flood = Storm(id="r", time="2025-11-20", rain_mm=60.0, duration_h=1.0)
    below = sample("s", "2025-12-01", 10, 0.08)
    apart = sample("t", "2025-12-01", 14, 0.08)
    plain = past([below, apart, flood]).readings
    heeded = past([*dug, below, apart, flood]).readings
    value = {ids[0]: heeded.value[k] for k, ids in enumerate(heeded.sample_ids)}
    raw = {ids[0]: plain.value[k] for k, ids in enumerate(plain.sample_ids)}
    assert value["s"] > raw["s"] + 0.01
    assert value["t"] == raw["t"]
    dry = past([*dug, below]).readings
    assert dry.value[0] == raw["s"]


def storms(*records: Storm) -> list[tuple[tuple[str, ...], float | None]]:
    """Ids and depth of rain of each storm that the records make."""
    found = storms_of(list(records), CHANNELS, SETTINGS)
    return [(event.storm_ids, event.rain and event.rain.depth_mm) for event in found]


def test_which_records_are_one_storm() -> None:
    rain = Storm(id="a", time="2025-10-20", rain_mm=30.0, duration_h=1.0)
    # Two figures for one day are one storm, of their mean.
    assert storms(rain, Storm(id="b", time="2025-10-20", rain_mm=20.0)) == [(("a", "b"), pytest.approx(25.0))]
    # Known to begin more than six hours apart, they are two.
    early = Storm(id="c", time="2025-10-20T02:00", rain_mm=30.0, duration_h=1.0)
    late = Storm(id="d", time="2025-10-20T09:00", rain_mm=20.0, duration_h=1.0)
    assert [ids for ids, _ in storms(late, early)] == [("c",), ("d",)]
    # A mark of the day after belongs to the rain; two days after it is a storm by itself.
    for day, one in (("2025-10-21", True), ("2025-10-22", False)):
        mark = Storm(id="m", time=day, mark_depth_m=0.3, **at(33))
        assert len(storms(rain, mark)) == (1 if one else 2)
    # A gauge's course outranks depths.
    gauge = Storm(
        id="g", time="2025-10-20T14:00", rain_mm=12.0, duration_h=0.5,
        gauge='{"time_h":[0.0,0.5],"fallen_mm":[0.0,12.0]}',
    )  # fmt: skip
    assert storms(rain, gauge) == [(("a", "g"), pytest.approx(12.0))]


def test_a_mark_that_contradicts_no_flow_counts_and_a_dry_place_is_dry_above() -> None:
    mark = Storm(id="m", time="2025-10-20", mark_depth_m=0.5, **at(33))
    nothing = Storm(id="n", time="2025-10-20", no_flow=True)
    both = past([mark, nothing])
    assert both.floods is not None
    assert both.floods.source == ("mark",)
    assert any("the mark counts" in note for note in both.floods.notes[0])
    # Reaches 0, 1 and 2 lie above node 11; the others do not.
    rain = Storm(id="r", time="2025-10-20", rain_mm=45.0, duration_h=1.0)
    dry = past([rain, Storm(id="d", time="2025-10-20", no_flow=True, **at(11))])
    assert (dry.renewed_mean[0, :3] == 0.0).all()
    assert (dry.renewed_mean[0, 3:] > 0.0).all()
    far = replace(mark, id="f", easting_m=1e6)
    assert any("does not count" in note for note in past([rain, far]).floods.notes[0])  # type: ignore[union-attr]


def left_of(records: list[object], reaches: list[int]) -> np.ndarray:
    """Mean share left by the ledger as readings correct it, of a fresh bed known to hold 10 %."""
    found = past(records)
    grade = SimpleNamespace(
        reach_draws=np.full((240, REACHES), 0.1, np.float32),
        hyper=SimpleNamespace(
            quantities={"total sd": SimpleNamespace(p50=0.8), "tail-up share": SimpleNamespace(p50=0.5)}
        ),
    )
    reckoned = found.reckon(found.loads_held * 0.5)
    gone = found_again(
        SimpleNamespace(past=found, grade=grade),  # type: ignore[arg-type]
        reckoned.depletion[:, reaches],
        reaches=np.array(reaches),
        moment_days=np.inf,
    )
    mean: np.ndarray = 1.0 - gone.mean(axis=0)
    return mean


def test_what_is_read_in_a_dug_reach_corrects_what_is_left_there_and_nowhere_else() -> None:
    dug = [
        Dig(id="d", time="2025-11-01", loads=150.0, dug_litres=600.0, **at(34)),
        Dig(id="e", time="2025-11-01", loads=150.0, dug_litres=600.0, **at(14)),
    ]
    plain = left_of(list(dug), [8, 3])
    poor, as_told, rich = (
        left_of([*dug, sample("s", "2025-11-02", 34, float(0.1 * plain[0] * factor))], [8, 3])
        for factor in (0.4, 1.0, 1.8)
    )
    assert plain[0] < 0.8
    assert poor[0] < plain[0] - 0.05
    assert rich[0] > plain[0] + 0.05
    assert as_told[0] == pytest.approx(plain[0], abs=0.04)
    for one in (poor, as_told, rich):
        assert one[1] == pytest.approx(plain[1], abs=1e-6)
    # A flood that lays all anew makes it forgotten.
    flood = Storm(id="f", time="2025-11-20", rain_mm=250.0, duration_h=6.0)
    after = [left_of([*dug, sample("s", "2025-11-02", 34, grade), flood], [8])[0] for grade in (0.02, 0.15)]
    assert abs(after[1] - after[0]) < 0.3 * (rich[0] - poor[0])


def again(grades: list[float]) -> Past:
    """Reaches read over and over with hard floods between, alike in grade or not; nothing is dug."""
    records: list[object] = [
        Storm(id=f"f{month}", time=f"2025-{month:02d}-05", rain_mm=60.0, duration_h=1.0)
        for month in range(2, 12)
    ]
    for node in (2, 6, 10, 14, 18):
        records += [
            sample(f"n{node}m{month}", f"2025-{month:02d}-20", node, grades[month % len(grades)])
            for month in range(1, 12)
        ]
    return past(records)


def test_readings_of_one_reach_teach_how_much_of_its_pattern_lasts():
    before = past([]).learnt
    alike, unlike = again([0.1]).learnt, again([0.02, 0.3]).learnt
    assert before.lasting(0.5) == pytest.approx(before.lasting(0.5, prior=True))
    assert unlike.lasting_share < before.lasting_share - 0.1
    assert alike.lasting_share > before.lasting_share + 0.05
    # Ten readings after the first in each of five reaches.
    assert alike.records == unlike.records == 50


def refilled(after: float) -> Past:
    """Two reaches sampled, dug out, and sampled again after a flood."""
    records: list[object] = [Storm(id="flood", time="2025-09-01", rain_mm=25.0, duration_h=1.0)]
    for node in (2, 6):
        records += [
            sample(f"b{node}", "2025-07-01", node, 0.1),
            Dig(id=f"d{node}", time="2025-08-01", loads=300.0, dug_litres=1200.0, **at(node)),
            sample(f"c{node}", "2025-08-02", node, 0.02),
            sample(f"a{node}", "2025-09-02", node, after),
        ]
    return past(records)


def test_samples_of_dug_reaches_teach_how_fast_they_refill():
    full, empty = refilled(0.1).learnt, refilled(0.02).learnt

    def pace(learnt):
        return learnt.severity(0.5) ** 0.5 / learnt.refill_scale(0.5)

    assert pace(empty) < 0.9 < 1.0 < pace(full)
    # A dug reach says nothing of how much of a pattern lasts.
    assert full.lasting_share == pytest.approx(past([]).learnt.lasting_share, abs=0.02)


def test_all_readings_fade_by_the_share_that_they_teach() -> None:
    """What is carried is L + (1 - L) of the bed left, with the L that comes of it; the youngest whole."""
    found = past(RECORDS)
    _, told = weigh_past(found, planar=False)
    before, now = found.learnt.lasting_share, told.learnt.lasting_share
    assert abs(now - before) > 1e-4
    unmoved = (found.readings.carried - before) / (1.0 - before)
    np.testing.assert_allclose(told.readings.carried, now + (1.0 - now) * unmoved, atol=1e-9)
    young = sample("s9", "2026-02-20", 20, 0.1)
    kept = weigh_past(past([*RECORDS, young]), planar=False)[1].readings
    row = list(kept.sample_ids).index(("s9",))
    assert kept.carried[row] == 1.0
    dry = [one for one in RECORDS if not isinstance(one, Storm)]
    assert weigh_past(still := past(dry), planar=False)[1] is still
