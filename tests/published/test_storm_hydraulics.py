"""Flow in channels against worked examples.

Sources: Ponce, Fundamentals of open-channel hydraulics, examination key (rectangle: b 6 m, y 1.6 m, S .0025,
n .015: R 1.043, V 3.428, Q 32.91); Chow (1959), Open-channel hydraulics, examples 4-2 and 6-2 (from memory)
and a textbook rectangle (600 cfs in 10 ft: critical depth 4.82 ft, critical slope .0132 at n .025); Snyder
and others (2013) wide channel (Q 100, w 20, S .01, n .05: h 1.733 m); US Federal Highway Administration HDS-6
(2001): shear velocity .0941 m/s at R 4.3 m and S .00021; Strickler (1923): n .032 for 100 mm, .021 for 8 mm;
Limerinos (1970), USGS WSP 1898-B; Grant (1997): Froude number about 1. Tolerance: rounding of the printed
values.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from washgrade.storm.grains import BEDS, Bed
from washgrade.storm.hydraulics import (
    critical_depth_m,
    discharge_of_depth_m3_s,
    flow_in_bed,
    mean_velocity_m_s,
    normal_depth_m,
)

FT = 0.3048
SMOOTH = Bed(median_mm=1, coarse_mm=2, roughness_factor=0.015, resistance="manning")


def test_manning_in_a_rectangle():
    radius = 6 * 1.6 / (6 + 2 * 1.6)
    assert radius == pytest.approx(1.043, rel=0.001)
    assert mean_velocity_m_s(radius_m=radius, slope=0.0025, bed=SMOOTH)[0] == pytest.approx(3.428, rel=0.002)
    found = discharge_of_depth_m3_s(
        depth_m=1.6, width_m=6, slope=0.0025, bed=SMOOTH, side_slope=0, most_froude=99.0
    )
    assert found[0] == pytest.approx(32.91, rel=0.002)
    # Depth for radius, as in a wide channel, fails.
    assert mean_velocity_m_s(radius_m=1.6, slope=0.0025, bed=SMOOTH)[0] != pytest.approx(3.428, rel=0.1)


def test_normal_depth_inverts_it():
    depth = normal_depth_m(discharge_m3_s=32.91, width_m=6, slope=0.0025, roughness_factor=0.015)
    assert depth == pytest.approx(1.6, rel=0.002)


def test_chow_trapezoid():
    """From memory: 400 cfs, b 20 ft, z 2, S .0016, n .025: normal 3.36 ft, critical 2.15 ft."""
    flow = 400 * FT**3
    normal = normal_depth_m(
        discharge_m3_s=flow, width_m=20 * FT, slope=0.0016, roughness_factor=0.025, side_slope=2
    )
    critical = critical_depth_m(discharge_m3_s=flow, width_m=20 * FT, side_slope=2)
    assert normal / FT == pytest.approx(3.36, rel=0.005)
    assert critical / FT == pytest.approx(2.15, rel=0.005)
    assert critical_depth_m(discharge_m3_s=flow, width_m=20 * FT) / FT != pytest.approx(2.15, rel=0.05)


def test_critical_rectangle():
    depth = critical_depth_m(discharge_m3_s=600 * FT**3, width_m=10 * FT)
    assert depth / FT == pytest.approx(4.82, rel=0.002)
    # At the critical slope uniform flow is critical.
    normal = normal_depth_m(discharge_m3_s=600 * FT**3, width_m=10 * FT, slope=0.0132, roughness_factor=0.025)
    assert normal == pytest.approx(depth, rel=0.005)
    steeper = normal_depth_m(discharge_m3_s=600 * FT**3, width_m=10 * FT, slope=0.02, roughness_factor=0.025)
    assert steeper != pytest.approx(depth, rel=0.05)


def test_wide_channel():
    # h = (n q / S^.5)^.6 holds for a width far above the depth: 2000 m3/s in 400 m is the same q.
    depth = normal_depth_m(discharge_m3_s=2000.0, width_m=400.0, slope=0.01, roughness_factor=0.05)
    assert depth == pytest.approx(1.733, rel=0.01)
    narrow = normal_depth_m(discharge_m3_s=100.0, width_m=20.0, slope=0.01, roughness_factor=0.05)
    assert narrow != pytest.approx(1.733, rel=0.05)


def test_stress_is_radius_times_slope():
    # HDS-6: V* .0941 m/s at R 4.3 m and S .00021, so 8.86 Pa.
    deep = Bed(median_mm=0.5, coarse_mm=1.1, roughness_factor=0.03, resistance="manning")
    width = 20.0
    depth = 4.3 * width / (width - 2 * 4.3)
    discharge = discharge_of_depth_m3_s(depth_m=depth, width_m=width, slope=0.00021, bed=deep, side_slope=0)
    flow = flow_in_bed(discharge_m3_s=discharge, width_m=width, slope=0.00021, bed=deep, side_slope=0)
    assert flow.wetted_share[0] == 1.0
    assert flow.stress_pa[0] == pytest.approx(8.86, rel=0.002)
    assert math.sqrt(flow.stress_pa[0] / 1000) == pytest.approx(0.0941, rel=0.002)
    assert flow.stress_pa[0] != pytest.approx(1000 * 9.81 * depth * 0.00021, rel=0.1)


@pytest.mark.parametrize(("size_mm", "printed"), [(100, 0.032), (8, 0.021)])
def test_grain_roughness_is_stricklers(size_mm, printed):
    """In a channel no rougher than its grains these take the whole stress; in a rougher one, less."""
    roughness = (size_mm / 1000) ** (1 / 6) / 21.1
    assert roughness == pytest.approx(printed, abs=0.0005)
    for factor in (1.0, 2.0):
        bed = Bed(
            median_mm=size_mm,
            coarse_mm=2 * size_mm,
            roughness_factor=factor * roughness,
            resistance="manning",
        )
        flow = flow_in_bed(discharge_m3_s=[30.0], width_m=10, slope=0.001, bed=bed)
        assert not flow.held_critical[0]
        share = flow.grain_stress_pa[0] / flow.stress_pa[0]
        assert share == pytest.approx(1 / factor**2, rel=1e-9)


@pytest.mark.parametrize(("radius_m", "coarse_mm", "printed"), [(1.0, 100, 0.036), (2.5, 70, 0.031)])
def test_coarse_laws_agree_with_limerinos_where_the_water_is_deep(radius_m, coarse_mm, printed):
    """Limerinos n .036 and .031 (printed): the two laws for shallow flow come within 15 % of it when deep."""
    bed = Bed(median_mm=coarse_mm / 2.2, coarse_mm=coarse_mm, roughness_factor=printed, resistance="manning")
    limerinos = mean_velocity_m_s(radius_m=radius_m, slope=0.01, bed=bed)[0]
    for law in ("variable power", "relative depth"):
        found = mean_velocity_m_s(radius_m=radius_m, slope=0.01, bed=bed, resistance=law)[0]
        assert found == pytest.approx(limerinos, rel=0.15)
    # In shallow water a constant n is far too fast.
    shallow = [
        mean_velocity_m_s(radius_m=coarse_mm / 1000, slope=0.01, bed=bed, resistance=law)[0]
        for law in ("manning", "variable power")
    ]
    assert shallow[0] > 1.3 * shallow[1]


def test_variable_power_law():
    """Ferguson (2007): U/u* tends to 6.5 (R/D84)^(1/6) in deep and to 2.5 R/D84 in shallow water."""
    bed = BEDS["cobble"]
    for share, limit, other in (
        (1e5, 6.5 * 1e5 ** (1 / 6), 2.5 * 1e5),
        (1e-4, 2.5e-4, 6.5 * 1e-4 ** (1 / 6)),
    ):
        radius = share * bed.coarse_mm / 1000
        found = mean_velocity_m_s(radius_m=radius, slope=0.02, bed=bed, resistance="variable power")[0]
        assert found / math.sqrt(9.81 * radius * 0.02) == pytest.approx(limit, rel=1e-4)
        assert found / math.sqrt(9.81 * radius * 0.02) != pytest.approx(other, rel=0.1)


def test_relative_depth_law():
    """Rickenmann and Recking (2011): at R = 1.283 D84 U/u* = 4.416 x 1.283^1.904 / 2^1.083."""
    bed = BEDS["cobble"]
    radius = 1.283 * bed.coarse_mm / 1000
    found = mean_velocity_m_s(radius_m=radius, slope=0.02, bed=bed, resistance="relative depth")[0]
    shear = math.sqrt(9.81 * radius * 0.02)
    assert found / shear == pytest.approx(4.416 * 1.283**1.904 / 2**1.083, rel=1e-9)
    assert found / shear != pytest.approx(4.416 * 1.283**1.904, rel=0.1)


def test_a_moving_bed_holds_the_flow_near_critical():
    """Grant (1997): Froude numbers of steep sand-bed floods are 0.7 to 1.3; unbounded Manning passes them."""
    slope = np.array([0.015, 0.02, 0.05, 0.1])
    held = flow_in_bed(discharge_m3_s=np.full(4, 5.0), width_m=4.0, slope=slope, bed=BEDS["sand"])
    free = flow_in_bed(
        discharge_m3_s=np.full(4, 5.0), width_m=4.0, slope=slope, bed=BEDS["sand"], most_froude=99.0
    )

    def froude(flow):
        area = flow.discharge_m3_s / flow.velocity_m_s
        return flow.velocity_m_s / np.sqrt(9.81 * area / flow.width_m)

    assert ((froude(held) >= 0.7) & (froude(held) <= 1.3)).all()
    assert (froude(free) > 1.3).all()
