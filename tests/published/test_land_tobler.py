"""Tobler's hiking function against printed speeds.

Tobler, W. (1993), Three presentations on geographical analysis and modeling, Technical Report 93-1, National
Center for Geographic Information and Analysis: 6 exp(-3.5 |S + 0.05|) km/h, 0.6 of it off the path. PRINTED
are checked values of it, with three decimals: half a unit of the last place is allowed. TABLE is from the
table of sample values of an encyclopedia's page on the function, an arithmetic check: angles in degrees, km/h
and s/m with two decimals each.
"""

import numpy as np
import pytest

from washgrade.land.travel import walking_times_s
from washgrade.land.walkable import Walking, WalkingSurface, walking_speed_m_s

PRINTED = [(0.0, 5.037), (-0.05, 6.0), (0.1, 3.549), (-0.1, 5.037)]
TABLE = [
    (-60, 0.02, 216.23),
    (-30, 0.95, 3.80),
    (-20, 2.00, 1.80),
    (-10, 3.86, 0.93),
    (-2.8624, 6.00, 0.60),
    (0, 5.04, 0.71),
    (5, 3.71, 0.97),
    (10, 2.72, 1.32),
    (20, 1.41, 2.56),
    (30, 0.67, 5.39),
    (50, 0.08, 46.31),
]
ON_PATH = Walking(off_path_factor=1.0, too_steep_slope=2.0)


@pytest.mark.parametrize(("slope", "speed_km_h"), PRINTED)
def test_checked_speeds(slope, speed_km_h):
    assert 3.6 * float(walking_speed_m_s(np.float64(slope), ON_PATH)) == pytest.approx(speed_km_h, abs=5e-4)
    off_path = 3.6 * float(walking_speed_m_s(np.float64(slope)))
    assert off_path == pytest.approx(0.6 * speed_km_h, abs=3e-4)


@pytest.mark.parametrize(("angle_deg", "speed_km_h", "pace_s_m"), TABLE)
def test_table(angle_deg, speed_km_h, pace_s_m):
    speed_m_s = float(walking_speed_m_s(np.tan(np.radians(angle_deg)), ON_PATH))
    assert 3.6 * speed_m_s == pytest.approx(speed_km_h, abs=5e-3)
    assert 1 / speed_m_s == pytest.approx(pace_s_m, abs=5e-3)


@pytest.mark.parametrize(("slope", "speed_km_h"), PRINTED)
@pytest.mark.parametrize("off_path_factor", [1.0, 0.6])
def test_a_walk_takes_the_printed_time(slope, speed_km_h, off_path_factor):
    # 1000 m due east. Heights are rounded to float32 (4e-6 m in 100 m), which does not show in these digits.
    height_m = np.linspace(100, 100 + 1000 * slope, 101, dtype=np.float32)[None, :]
    surface = WalkingSurface(
        height_m=height_m,
        cell_m=10.0,
        west_m=0.0,
        north_m=10.0,
        walking=Walking(off_path_factor=off_path_factor),
    )
    took_s = float(walking_times_s(surface, np.array([0]), np.array([100]))[0, 0])
    assert 3600 / took_s == pytest.approx(off_path_factor * speed_km_h, abs=5e-4)


def test_twins_with_the_usual_slips_would_miss_it():
    def printed(speed_km_h):
        return all(speed_km_h(slope) == pytest.approx(known, abs=5e-4) for slope, known in PRINTED)

    assert printed(lambda slope: 6 * np.exp(-3.5 * abs(slope + 0.05)))
    # The shift taken out of the bars, or downhill taken for uphill.
    assert not printed(lambda slope: 6 * np.exp(-3.5 * (abs(slope) + 0.05)))
    assert not printed(lambda slope: 6 * np.exp(-3.5 * abs(slope - 0.05)))
    # The factor on the time: 0.6 of the time would be quicker off the path than on it.
    on, off = (float(walking_speed_m_s(np.float64(0), walking)) for walking in (ON_PATH, Walking()))
    assert off == pytest.approx(0.6 * on, rel=1e-12)
    assert off != pytest.approx(on / 0.6, rel=1e-3)
