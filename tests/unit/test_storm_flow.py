"""Rain to bed: each compiled loop equals a plain one, each fault has its sentence."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from washgrade.errors import InputError
from washgrade.land.channels import delineate
from washgrade.land.dem import Dem
from washgrade.land.fill import fill
from washgrade.land.flow import flow_directions, upstream_cells
from washgrade.storm.basin import hack_length_m, measure_basins
from washgrade.storm.flood import (
    Ground,
    flood_of_flow,
    flood_of_marks,
    flood_of_rain,
    least_rain_mm,
    node_slopes,
)
from washgrade.storm.grains import BEDS, bed_of, sorting_window_pa
from washgrade.storm.graphical import graphical_peak_m3_s
from washgrade.storm.hydraulics import flow_in_bed, mean_velocity_m_s
from washgrade.storm.losses import REGIME_WIDTH_S12_M12, route_losses
from washgrade.storm.mark import Marks, mark_discharge, spread_marks
from washgrade.storm.peak import hydrograph_m3_s, unit_peak_m_s, unit_peak_m_s_table
from washgrade.storm.rain import Hyetograph, antecedent_rain_mm, areal_reduction, burst, gauge_series
from washgrade.storm.rework import (
    least_discharge_m3_s,
    mean_scour_m,
    refill_share,
    share_reworked,
    sorting_discharge_m3_s,
)
from washgrade.storm.runoff import curve_number, curve_number_now, excess_mm, runoff_mm


def says(sentence):
    return pytest.raises(InputError, match=f"^{re.escape(sentence)}$")


def valley(seed=3, rows=70, cols=60, cell_m=5.0):
    """A rough valley that falls to the south, with its network."""
    rng = np.random.default_rng(seed)
    south, east = np.mgrid[0:rows, 0:cols].astype(float)
    height = 0.3 * (rows - south) + 0.25 * np.abs(east - cols / 2) + rng.normal(0, 0.3, (rows, cols))
    dem = Dem(
        elevation_m=height.astype(np.float32),
        cell_m=cell_m,
        west_m=0,
        north_m=rows * cell_m,
        crs="EPSG:25830",
    )
    filled = fill(dem.elevation_m)
    ways = flow_directions(filled)
    return delineate(dem, filled, ways, upstream_cells(ways), channel_area_m2=2000)


@pytest.fixture(scope="module")
def channels():
    return valley()


@pytest.fixture(scope="module")
def ground(channels):
    return Ground(
        channels=channels,
        basins=measure_basins(channels),
        width_m=np.full(len(channels.nodes), 2.0),
        slope=node_slopes(channels),
        curve_number=85.0,
    )


# Rain


def test_a_burst_is_a_triangle():
    rain = burst(depth_mm=30, duration_h=2, steps=2000)
    intensity = np.diff(rain.fallen_mm) / np.diff(rain.time_h)
    assert intensity.max() == pytest.approx(2 * 30 / 2, rel=0.01)
    assert rain.time_h[np.argmax(intensity)] == pytest.approx(0.375 * 2, abs=0.002)
    assert (rain.depth_mm, rain.duration_h) == (30, 2)


def test_a_gauge_series_loses_its_dry_ends():
    rain = gauge_series(time_h=[0, 1, 2, 3, 4], rain_mm=[0, 2, 0, 3])
    assert rain.time_h.tolist() == [0, 1, 2, 3]
    assert rain.fallen_mm.tolist() == [0, 2, 2, 5]
    assert gauge_series(time_h=[0, 1], rain_mm=[0]).depth_mm == 0


def test_wrong_hyetographs():
    with says(
        "Invalid hyetograph of (1,) times and (1,) depths. "
        "It must have two or more times and one depth for each."
    ):
        Hyetograph(time_h=np.array([0.0]), fallen_mm=np.array([0.0]))
    with says("Invalid 'time_h'. It must begin at 0 and rise from step to step."):
        Hyetograph(time_h=np.array([0.0, 0.0]), fallen_mm=np.array([0.0, 1.0]))
    with says("Invalid 'fallen_mm'. It must begin at 0 and never fall."):
        Hyetograph(time_h=np.array([0.0, 1, 2]), fallen_mm=np.array([0.0, 2, 1]))
    with says(
        "Invalid gauge series of 2 times and 2 depths. It must have one time more than depths, the first "
        "being the start."
    ):
        gauge_series(time_h=[0, 1], rain_mm=[1, 1])
    with says("Invalid 'rain_mm' of -1.0. It must be a finite number of at least 0."):
        gauge_series(time_h=[0, 1], rain_mm=[-1])


def test_antecedent_rain_fades_and_does_not_look_ahead():
    few = {"rain_day": [1, 4, 6], "rain_mm": [10, 10, 10]}
    assert antecedent_rain_mm(**few, storm_day=6) == pytest.approx(10 * 0.85**5 + 10 * 0.85**2)
    assert antecedent_rain_mm(**few, storm_day=1) == 0
    with says("Invalid 'rain_mm' of shape (1,). It must have one depth for each of the 2 days."):
        antecedent_rain_mm(rain_day=[1, 2], rain_mm=[1], storm_day=3)


def test_areal_reduction():
    """From memory: for a day the depth-area curves level off near 0.91."""
    assert areal_reduction(area_m2=0, duration_h=1) == 1
    assert areal_reduction(area_m2=1e6, duration_h=1) > 0.995
    assert areal_reduction(area_m2=1e12, duration_h=24) == pytest.approx(0.91, abs=0.01)
    assert areal_reduction(area_m2=1e8, duration_h=0.5) < areal_reduction(area_m2=1e8, duration_h=24)


# Runoff


def test_curve_numbers_have_their_words():
    with says("Invalid 'cover' of 'lawn'. It must be one of 'desert shrub', 'herbaceous', 'oak-aspen', "
              "'pinyon-juniper', 'sagebrush'."):  # fmt: skip
        curve_number("lawn", "poor", "B")
    with says(
        "No curve number for 'sagebrush' on soil group 'A'. TR-55 has that group for 'desert shrub' alone."
    ):
        curve_number("sagebrush", "poor", "A")
    with says("Invalid 'curve_number' of 101.0. It must be a finite number above 0 and of at most 100."):
        runoff_mm(10, 101)


def test_steps_of_excess_sum_to_the_runoff():
    rain = burst(depth_mm=60, duration_h=3)
    assert excess_mm(rain, 80).sum() == pytest.approx(float(runoff_mm(60, 80)))
    assert excess_mm(rain, 80, areal_share=0.5).sum() == pytest.approx(float(runoff_mm(30, 80)))
    assert runoff_mm(10, 100) == 10
    assert runoff_mm(0, 100) == 0


def test_wetness_moves_the_curve_number_without_jumps():
    rains = np.linspace(0, 60, 601)
    for dry_counts in (False, True):
        curves = np.array([curve_number_now(80, antecedent_mm=mm, dry_counts=dry_counts) for mm in rains])
        assert (np.diff(curves) >= 0).all()
        assert np.diff(curves).max() < 0.3
    assert curve_number_now(80, antecedent_mm=0) == 80
    assert curve_number_now(80, antecedent_mm=0, dry_counts=True) == pytest.approx(63.7, abs=0.1)
    assert curve_number_now(80, antecedent_mm=100) == pytest.approx(90.3, abs=0.1)


# Peaks


def convolved_m3_s(area_m2, concentration_h, time_h, excess):
    """The plain twin: a fine convolution of the dimensionless hydrograph's straight lines."""
    ratio = np.array([*np.arange(0, 2.05, 0.1), 2.2, 2.4, 2.6, 2.8, 3.0, 3.2, 3.4, 3.6, 3.8, 4.0, 4.5, 5.0])
    flow = np.array([0, .03, .1, .19, .31, .47, .66, .82, .93, .99, 1, .99, .93, .86, .78, .68, .56, .46, .39,
                     .33, .28, .207, .147, .107, .077, .055, .04, .029, .021, .015, .011, .005, 0],
                    )  # fmt: skip
    step = 0.6 * concentration_h / 400
    response = np.interp(np.arange(0, 5, 1 / 400) + 0.5 / 400, ratio, flow)
    response /= response.sum()
    edges = np.arange(0, time_h[-1] + step, step)
    fallen = np.interp(edges, time_h, np.concatenate(([0], np.cumsum(excess))))
    return np.convolve(np.diff(fallen), response) / step / 3.6e6 * area_m2, step


@pytest.mark.parametrize("concentration_h", [0.1, 0.4, 3.0])
def test_peaks_equal_a_fine_convolution(concentration_h):
    rain = burst(depth_mm=45, duration_h=1.5, steps=18)
    excess = excess_mm(rain, 82)
    slow, step = convolved_m3_s(2e6, concentration_h, rain.time_h, excess)
    fast = 2e6 * unit_peak_m_s(concentration_h=concentration_h, time_h=rain.time_h, excess_mm=excess)[0]
    assert fast == pytest.approx(slow.max(), rel=0.004)
    at = step * (1 + np.arange(0, len(slow), 37))
    course = hydrograph_m3_s(
        area_m2=2e6, concentration_h=concentration_h, time_h=rain.time_h, excess_mm=excess, at_h=at
    )
    np.testing.assert_allclose(course, slow[::37], atol=0.005 * slow.max())


def test_the_hydrograph_holds_the_runoff():
    rain = gauge_series(time_h=[0, 0.2, 0.7, 2.0], rain_mm=[9, 0, 21])
    excess = excess_mm(rain, 88)
    at = np.linspace(0, 8, 8001)
    flow = hydrograph_m3_s(area_m2=3e6, concentration_h=1.0, time_h=rain.time_h, excess_mm=excess, at_h=at)
    assert flow.sum() * 3.6 == pytest.approx(3e6 * excess.sum() / 1000, rel=1e-3)


def test_the_table_of_peaks_equals_the_peaks():
    rain = burst(depth_mm=45, duration_h=1.5)
    excess = excess_mm(rain, 82)
    hours = np.exp(np.random.default_rng(1).uniform(np.log(0.1), np.log(4), 400))
    few = {"concentration_h": hours, "time_h": rain.time_h, "excess_mm": excess}
    np.testing.assert_allclose(unit_peak_m_s_table(**few), unit_peak_m_s(**few), rtol=0.005)
    assert not unit_peak_m_s_table(**few | {"excess_mm": np.zeros(24)}).any()
    with says("Invalid 'time_h'. It must rise, and have one time more than 'excess_mm' has depths."):
        unit_peak_m_s(concentration_h=1.0, time_h=np.array([0.0, 1.0]), excess_mm=np.array([1.0, 1.0]))


# Catchments and losses


def test_longest_paths_equal_a_plain_search(channels):
    basins = measure_basins(channels)
    nodes = channels.nodes
    heads = np.setdiff1d(np.arange(len(nodes)), nodes.downstream)
    longest = np.zeros(len(nodes))
    for head in heads:
        way = float(hack_length_m(nodes.upstream_area_m2[[head]])[0])
        node = head
        while node >= 0:
            longest[node] = max(longest[node], way)
            way += nodes.length_m[node]
            node = nodes.downstream[node]
    np.testing.assert_allclose(basins.path_m, longest)
    assert (nodes.downstream[basins.outlet] == -1).all()
    assert (basins.path_slope > 0).all()
    mouths = nodes.downstream < 0
    assert basins.site_m2 == pytest.approx(nodes.upstream_area_m2[mouths].sum())


def test_losses_equal_a_plain_loop(channels):
    nodes = channels.nodes
    rng = np.random.default_rng(2)
    width, hours = rng.uniform(0.5, 4, len(nodes)), rng.uniform(0.3, 2, len(nodes))
    made = nodes.upstream_area_m2 * 0.002
    passing, lost = route_losses(
        downstream=nodes.downstream, length_m=nodes.length_m, width_m=width, duration_h=hours, made_m3=made,
        conductivity_mm_h=60.0,
    )  # fmt: skip
    slow = np.zeros(len(nodes))
    for i in range(len(nodes)):
        above = np.flatnonzero(nodes.downstream == i)
        slow[i] = made[i] - made[above].sum() + (slow[above] - lost[above]).sum()
        wet = min(width[i], REGIME_WIDTH_S12_M12 * (slow[i] / (3600 * hours[i])) ** 0.5)
        assert lost[i] == pytest.approx(min(0.06 * hours[i] * wet * nodes.length_m[i], slow[i]), abs=1e-9)
    np.testing.assert_allclose(passing, slow, atol=1e-9)
    # Made at the mouths is what passes there and what was lost above.
    mouths = nodes.downstream < 0
    assert passing[mouths].sum() + lost[~mouths].sum() == pytest.approx(made[mouths].sum())


def test_losses_want_one_value_a_node():
    few = {"downstream": np.array([1, -1], np.int32), "duration_h": 1.0, "made_m3": np.ones(2)}
    with says("Invalid 'width_m' of shape (3,). It must be one value, or one for each of the 2 nodes."):
        route_losses(**few, length_m=np.ones(2), width_m=np.ones(3), conductivity_mm_h=1.0)
    with says("Invalid 'length_m' of shape (1,). It must have one value for each of the 2 nodes."):
        route_losses(**few, length_m=np.ones(1), width_m=1.0, conductivity_mm_h=1.0)


# Hydraulics and rework


@pytest.mark.parametrize("name", list(BEDS))
def test_depths_equal_a_root_search(name):
    bed = bed_of(name)
    rng = np.random.default_rng(4)
    discharge = 10 ** rng.uniform(-4, 3, 60)
    width, slope = 10 ** rng.uniform(-0.5, 2, 60), 10 ** rng.uniform(-3.5, -0.5, 60)
    flow = flow_in_bed(discharge_m3_s=discharge, width_m=width, slope=slope, bed=bed)
    for i in range(60):
        bottom = min(width[i], REGIME_WIDTH_S12_M12 * discharge[i] ** 0.5)

        def carries(depth, bottom=bottom, i=i, *, critical=False):
            area = (bottom + 1.5 * depth) * depth
            if critical:
                return area * (9.81 * area / (bottom + 3 * depth)) ** 0.5 - discharge[i]
            radius = area / (bottom + 2 * depth * (1 + 1.5**2) ** 0.5)
            return area * mean_velocity_m_s(radius_m=radius, slope=slope[i], bed=bed)[0] - discharge[i]

        normal = brentq(carries, 1e-7, 100, xtol=1e-12, rtol=1e-12)
        critical = brentq(
            lambda depth, go=carries: go(depth, critical=True), 1e-7, 100, xtol=1e-12, rtol=1e-12
        )
        assert flow.depth_m[i] == pytest.approx(max(normal, critical), rel=1e-8)
        assert flow.held_critical[i] == (critical > normal)


def test_shares_of_exponential_scour():
    """Against a Monte Carlo of exponential depths about the mean, on the wetted part of the bed."""
    depth = np.random.default_rng(8).exponential(0.06, 200_000)
    found = share_reworked(scour_m=0.06, depth_m=[0.0, 0.03, 0.1], wetted_share=0.7)
    plain = [0.7 * np.mean(depth > limit) for limit in (0.0, 0.03, 0.1)]
    np.testing.assert_allclose(found, plain, atol=0.003)
    assert not share_reworked(scour_m=0.0, depth_m=[0.0, 0.1]).any()
    # The share of a bite's bed turned over is near the share renewed with S0 = 1.
    mean = np.mean([share_reworked(scour_m=0.05, depth_m=at) for at in np.linspace(0, 0.1, 1001)])
    assert refill_share(scour_m=0.05, bite_m=0.1) == pytest.approx(mean, abs=0.05)


def test_scour_goes_with_the_root_of_the_flow_and_the_wetted_share():
    bed = bed_of("sand")
    few = {"width_m": np.full(2, 2.0), "slope": np.full(2, 0.02), "side_slope": 0.0}
    # Far above the threshold, in a bed long full: q is the discharge by the width.
    flow = flow_in_bed(discharge_m3_s=[20.0, 80.0], bed=bed, **few)
    low, high = mean_scour_m(flow, bed)
    assert high / low == pytest.approx(2.0, rel=0.05)
    assert high == pytest.approx(0.1 * (80 / 2) ** 0.5, rel=0.05)
    # Below the threshold of motion nothing moves.
    still = flow_in_bed(discharge_m3_s=[0.001], width_m=50.0, slope=1e-4, bed=bed_of("cobble"))
    assert still.grain_stress_pa[0] > 0
    assert mean_scour_m(still, bed_of("cobble"))[0] == 0
    half, whole = refill_share(scour_m=0.05, bite_m=0.1, wetted_share=[0.5, 1.0])
    assert half == pytest.approx(whole / 2)


def test_no_water_does_nothing(ground):
    dry = flood_of_flow(ground, 0.0)
    assert not dry.scour_m.any()
    assert not dry.flow.depth_m.any()
    assert not refill_share(scour_m=dry.scour_m, bite_m=0.1, wetted_share=dry.flow.wetted_share).any()
    drizzle = flood_of_rain(ground, burst(depth_mm=5, duration_h=1))
    assert drizzle.runoff_mm == 0
    assert not drizzle.scour_m.any()


def test_a_storm_runs_through(ground):
    storm = flood_of_rain(ground, burst(depth_mm=40, duration_h=1))
    nodes = ground.channels.nodes
    assert storm.source == "rain"
    assert storm.runoff_mm > 5
    assert (storm.flow.discharge_m3_s > 0).any()
    # Less than if no bed drank and all ran off at the hardest of the rain.
    most = nodes.upstream_area_m2 * 80 / 3.6e6
    assert (storm.flow.discharge_m3_s <= most).all()
    harder = flood_of_rain(ground, burst(depth_mm=40, duration_h=1), severity_factor=2)
    np.testing.assert_allclose(harder.flow.discharge_m3_s, 2 * storm.flow.discharge_m3_s)


def test_the_bed_may_be_asked_at_a_few_nodes_only(ground):
    few = np.array([40, 3, 17])
    rain = burst(depth_mm=40, duration_h=1)
    whole, part = flood_of_rain(ground, rain), flood_of_rain(ground, rain, only=few)
    np.testing.assert_array_equal(part.flow.discharge_m3_s, whole.flow.discharge_m3_s[few])
    np.testing.assert_array_equal(part.scour_m, whole.scour_m[few])
    np.testing.assert_array_equal(part.lost_m3, whole.lost_m3[few])
    assert len(flood_of_flow(ground, 1.0, only=few).scour_m) == 3
    marks = Marks(node=np.array([3]), depth_m=np.array([0.5]), width_m=np.array([np.nan]))
    with says("Invalid 'of_rain'. It must be reckoned at every node."):
        flood_of_marks(ground, marks, of_rain=part)


def test_the_least_rain_does_what_is_wanted(ground):
    rain_mm = least_rain_mm(ground, wanted_share=0.3, duration_h=1.0, bite_m=0.1)
    some = np.flatnonzero(np.isfinite(rain_mm))[::20]
    assert len(some) > 3
    for node in some:
        # Interpolated between depths 17 % apart.
        for factor, enough in ((1.09, True), (0.92, False)):
            flood = flood_of_rain(ground, burst(depth_mm=factor * rain_mm[node], duration_h=1.0))
            share = refill_share(scour_m=flood.scour_m, bite_m=0.1, wetted_share=flood.flow.wetted_share)
            assert (share[node] >= 0.3) == enough
    assert not least_rain_mm(ground, wanted_share=0.0, duration_h=1.0, bite_m=0.1).any()


# Type II day of the US soil service: hours and share fallen (from memory).
TYPE_II_H = [0, 2, 4, 6, 8, 9, 9.5, 10, 10.5, 11, 11.5, 11.75, 12, 12.5, 13, 13.5, 14, 16, 20, 24]
TYPE_II = [
    0, 0.022, 0.048, 0.08, 0.12, 0.147, 0.163, 0.181, 0.204, 0.235,
    0.283, 0.357, 0.663, 0.735, 0.772, 0.799, 0.82, 0.88, 0.952, 1,
]  # fmt: skip


def test_both_ways_to_a_peak_agree(ground):
    """A day of type II rain on catchments of 0.1 to 2 hours: within 20 %; a steady rain is far from it."""
    few = {"rain_mm": 100.0, "curve_number": 85.0, "area_m2": 1.0, "rain_type": "II"}
    hours = np.array([0.1, 0.2, 0.5, 1.0, 2.0])
    graphical = graphical_peak_m3_s(concentration_h=hours, **few)
    for share, agrees in ((np.array(TYPE_II), True), (np.array(TYPE_II_H) / 24, False)):
        rain = Hyetograph(time_h=np.array(TYPE_II_H, float), fallen_mm=100.0 * share)
        unit = unit_peak_m_s(concentration_h=hours, time_h=rain.time_h, excess_mm=excess_mm(rain, 85))
        assert (np.abs(unit / graphical - 1) < 0.2).all() == agrees
    day = Hyetograph(time_h=np.array(TYPE_II_H, float), fallen_mm=100.0 * np.array(TYPE_II))
    both = [
        flood_of_rain(replace(ground, peak=peak, conductivity_mm_h=0.0), day).flow.discharge_m3_s
        for peak in ("unit hydrograph", "graphical")
    ]
    np.testing.assert_allclose(both[1], both[0], rtol=0.25)
    with says("Invalid 'peak' of 'rational'. It must be one of 'unit hydrograph', 'graphical'."):
        replace(ground, peak="rational")


def test_the_least_flood_does_what_is_wanted_and_no_more():
    few = {"width_m": np.array([2.0, 5.0, 20.0]), "slope": np.array([0.03, 0.01, 0.02])}
    bed = bed_of("gravelly sand")
    least = least_discharge_m3_s(wanted_share=np.array([0.2, 0.5, 0.4]), bed=bed, bite_m=0.1, **few)
    for factor, enough in ((1.0001, True), (0.9999, False)):
        flow = flow_in_bed(discharge_m3_s=factor * least, bed=bed, **few)
        share = refill_share(scour_m=mean_scour_m(flow, bed), bite_m=0.1, wetted_share=flow.wetted_share)
        assert ((share >= [0.2, 0.5, 0.4]) == enough).all()
    never = least_discharge_m3_s(
        wanted_share=[1.0], width_m=1.0, slope=0.01, bed=bed, bite_m=10.0, most_m3_s=1.0
    )
    assert np.isinf(never).all()


def test_the_sorting_flows_bracket_the_window():
    few = {"width_m": np.array([30.0]), "slope": np.array([0.01]), "bed": bed_of("gravel")}
    low, high = sorting_discharge_m3_s(**few)
    assert low < high
    stress = flow_in_bed(discharge_m3_s=np.sqrt(low * high), **few).grain_stress_pa
    light, heavy = sorting_window_pa(few["bed"])
    assert light < stress[0] < heavy


# Marks


@pytest.mark.parametrize("name", ["sand", "cobble"])
def test_a_mark_gives_back_the_flow_that_left_it(name):
    bed = bed_of(name)
    width, slope = np.array([3.0, 8.0, 40.0]), np.array([0.02, 0.01, 0.03])
    true = np.array([4.0, 12.0, 2.0])
    flow = flow_in_bed(discharge_m3_s=true, width_m=width, slope=slope, bed=bed)
    nothing = np.full(3, np.nan)
    for depth, seen, sd in (
        (flow.depth_m, nothing, 0.3),
        (nothing, flow.width_m, 0.6),
        (flow.depth_m, flow.width_m, 0.3),
    ):
        marks = Marks(node=np.arange(3), depth_m=depth, width_m=seen)
        found, log_sd = mark_discharge(marks, width_m=width, slope=slope, bed=bed)
        np.testing.assert_allclose(found, true, rtol=1e-6)
        assert (log_sd >= sd).all()


def test_marks_outrank_the_rain_and_say_by_how_much(ground):
    node = int(np.argmax(ground.basins.area_m2))
    rain = flood_of_rain(ground, burst(depth_mm=40, duration_h=1))
    marks = Marks(node=np.array([node]), depth_m=np.array([0.6]), width_m=np.array([np.nan]))
    seen = flood_of_marks(ground, marks, of_rain=rain)
    assert seen.source == "mark"
    at_mark = seen.flow.discharge_m3_s[node]
    assert seen.mark_ratio[0] == pytest.approx(at_mark / rain.flow.discharge_m3_s[node], rel=1e-9)
    assert seen.notes[0].endswith("; the mark counts.")
    assert flood_of_marks(ground, marks, of_rain=flood_of_flow(ground, 0)).mark_ratio[0] == np.inf
    assert np.isnan(flood_of_marks(ground, marks).mark_ratio[0])


def test_marks_are_weighed_and_doubt_grows_away_from_them():
    area = np.array([1e5, 1e6, 1e7])
    flow, sd = spread_marks(node=np.array([1, 1]), discharge_m3_s=[1.0, 4.0], log_sd=[0.3, 0.3], area_m2=area)
    np.testing.assert_allclose(flow, 2.0 * (area / 1e6) ** 0.6)
    assert sd[0] > sd[1]
    assert sd[2] > sd[1]
    leaning, _ = spread_marks(
        node=np.array([1, 1]), discharge_m3_s=[1.0, 4.0], log_sd=[0.1, 2.0], area_m2=area
    )
    assert leaning[1] < 1.1


def test_wrong_marks():
    nan = np.array([np.nan])
    with says("Invalid mark without depth and width. It must have one or both."):
        Marks(node=np.array([0]), depth_m=nan, width_m=nan)
    with says(
        "Invalid marks of 2 nodes, 1 depths and 1 widths. There must be one or more, and as many of each; "
        "NaN where not measured."
    ):
        Marks(node=np.array([0, 1]), depth_m=np.array([1.0]), width_m=nan)
    marks = Marks(node=np.array([7]), depth_m=np.array([1.0]), width_m=nan)
    with says("Invalid 'node' of a mark. It must be between 0 and 1."):
        mark_discharge(marks, width_m=np.ones(2), slope=np.ones(2), bed=bed_of("sand"))


def test_a_lone_outlet_reach_takes_the_slope_above():
    ground = np.array([[9, 9, 9, 9], [9, 4, 3, 2], [9, 9, 9, 9]], np.float32)
    dem = Dem(elevation_m=ground, cell_m=5, west_m=0, north_m=15, crs="EPSG:25830")
    ways = flow_directions(ground)
    lone = delineate(dem, ground, ways, upstream_cells(ways), channel_area_m2=150)
    np.testing.assert_allclose(node_slopes(lone), 0.2)
