"""Carries on the walking surface."""

from __future__ import annotations

import re

import numpy as np
import pytest

from washgrade.dig.haul import HaulRule, hauls
from washgrade.dig.load_walk import speed_factor_with_load
from washgrade.errors import InputError
from washgrade.land.walkable import WalkingSurface

COLS = 80


def ground(height_m=None, closed=()):
    level = np.zeros((21, COLS), np.float32) if height_m is None else height_m.astype(np.float32)
    for row, col in closed:
        level[row, col] = np.nan
    return WalkingSurface(height_m=level, cell_m=5.0, west_m=0.0, north_m=105.0)


def at(row, col):
    return row * COLS + col


def carries(surface, cells, *, load_kg=7.0, rule=None):
    return hauls(
        surface,
        vehicle=at(10, 0),
        cells=np.array(cells),
        load_kg=np.full(len(cells), load_kg),
        load_litres=4.0,
        rule=rule,
    )


def test_level_ground_takes_the_time_of_the_straight_line_slowed_by_the_load():
    found = carries(ground(), [at(10, 60)])
    # 300 m at 3.02 km/h, Tobler's level speed off the path (5.04 km/h x 0.6).
    bare = 300.0 / (0.6 * 6000.0 * np.exp(-3.5 * 0.05)) * 60.0
    slow = [
        1 / float(speed_factor_with_load(kg, speed_m_s=300.0 / (60 * bare), body_kg=75.0))
        for kg in (6.0, 29.0)
    ]
    assert found.out_minutes[0, 0] == pytest.approx(bare * slow[0], rel=1e-6)
    assert found.back_minutes[0, 0] == pytest.approx(bare * slow[1], rel=1e-6)
    assert found.round_minutes[0, 0] == pytest.approx(bare * sum(slow) + 2.0, rel=1e-6)


@pytest.mark.parametrize(("load_kg", "loads"), [(7.0, 23 / 7), (9.5, 23 / 9.5), (2.0, 18.927 / 4)])
def test_no_carry_is_heavier_than_the_limit_or_fuller_than_the_bucket(load_kg, loads):
    assert carries(ground(), [at(10, 60)], load_kg=load_kg).loads[0, 0] == pytest.approx(loads)


def test_what_is_closed_off_cannot_be_carried_from():
    wall = [(row, 40) for row in range(21)]
    found = carries(ground(closed=wall), [at(10, 60), at(10, 20), -1])
    assert np.isinf(found.round_minutes[0, [0, 2]]).all()
    assert np.isfinite(found.round_minutes[0, 1])


def test_a_barrow_goes_only_where_it_is_gentle():
    # A step of 0.7 m to a cell of 5 m, 14 %, across the way in the upper half of the ground.
    height_m = np.zeros((21, COLS))
    height_m[:, 40:] = 0.7
    rule = HaulRule(barrow_kg=60.0)
    found = carries(ground(height_m), [at(10, 60), at(10, 20)], rule=rule)
    assert found.loads.shape == (2, 2)
    assert np.isfinite(found.round_minutes[0]).all()
    assert np.isinf(found.round_minutes[1, 0])
    assert np.isfinite(found.round_minutes[1, 1])
    assert found.loads[1, 1] == pytest.approx(60.0 / 7.0)
    steeper = carries(ground(height_m), [at(10, 60)], rule=HaulRule(barrow_kg=60.0, barrow_slope=0.2))
    assert np.isfinite(steeper.round_minutes[1, 0])


def test_a_shared_carry_is_the_shorter_of_both_orders_and_never_below_one_alone():
    found = carries(ground(), [at(10, 60), at(10, 50), at(2, 10)])
    both = found.pair_minutes(np.arange(3))[0]
    assert both == pytest.approx(both.T)
    alone = found.round_minutes[0]
    assert (both >= np.maximum(alone[:, None], alone[None, :]) - 1e-9).all()
    # By way of the nearer one, which lies on the straight line: no detour, but the leg between under load.
    assert alone[0] <= both[0, 1] < 1.1 * alone[0]
    # Aside of the way: a detour.
    assert both[1, 2] > 1.02 * alone[1] > 1.02 * alone[2]


def test_a_load_above_the_limit_is_told():
    says = (
        "Invalid 'carry_limit_kg' of 5 and 'bucket_litres' of 18.927. One shovel load is 4 L and 7.0 kg or "
        "more; it must fit into a carry."
    )
    with pytest.raises(InputError, match=f"^{re.escape(says)}$"):
        carries(ground(), [at(10, 60)], rule=HaulRule(carry_limit_kg=5.0))


def test_rest_is_taken_off_the_hours():
    assert HaulRule(rest_minutes=15.0).working_minutes(4.0) == 180.0
    with pytest.raises(
        InputError, match=r"^Invalid 'rest_minutes' of 60.0. It must be a finite number of at"
    ):
        HaulRule(rest_minutes=60.0)
