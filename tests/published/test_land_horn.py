"""Horn's slope against a printed worked example.

Horn, B. K. P. (1981), Hill shading and the reflectance map, Proc. IEEE 69(1), 14-47: the weights. The
numbers of the first test are the worked example on the slope page of a GIS vendor's manual (Esri): cells of
5 m, dz/dx 0.05, dz/dy -3.8, slope 75.25766 degrees (printed with five decimals, so the tolerance is 1e-5
degrees; the heights are exact in float32, the slopes are rounded to it).
"""

import math

import numpy as np
import pytest

from washgrade.land.dem import Dem, hillshade, horn_gradient

PRINTED = np.array([[50, 45, 50], [30, 30, 30], [8, 10, 10]], np.float32)


def test_worked_example():
    east, south = horn_gradient(PRINTED, 5.0)
    assert float(east[1, 1]) == pytest.approx(0.05, rel=1e-6)
    assert float(south[1, 1]) == pytest.approx(-3.8, rel=1e-6)
    slope_deg = math.degrees(math.atan(math.hypot(float(east[1, 1]), float(south[1, 1]))))
    assert slope_deg == pytest.approx(75.25766, abs=1e-5)


def test_a_twin_with_equal_weights_would_miss_it():
    unweighted = float((PRINTED[2] - PRINTED[0]).sum()) / (6 * 5.0)
    assert unweighted != pytest.approx(-3.8, rel=1e-3)


def test_plane_is_recovered_exactly():
    # z = 2 east + 3 north, rows running south: an identity, exact in small whole numbers.
    east, south = horn_gradient(np.array([[2, 4, 6], [-1, 1, 3], [-4, -2, 0]], np.float32), 1.0)
    np.testing.assert_array_equal(east, np.full((3, 3), 2, np.float32))
    np.testing.assert_array_equal(south, np.full((3, 3), -3, np.float32))


def test_relief_of_the_worked_example_is_the_cosine_to_the_light():
    # Lambert's law by hand for the centre cell, which faces south; in east, north, up: normal
    # (-0.05, -3.8, 1), light from the north-west at 45 degrees (-0.5, 0.5, 0.7071), from the south-west
    # (-0.5, -0.5, 0.7071).
    dem = Dem(elevation_m=PRINTED, cell_m=5.0, west_m=0, north_m=0, crs="EPSG:25830")
    cosine = (0.05 * 0.5 - 3.8 * 0.5 + math.sqrt(0.5)) / math.sqrt(0.05**2 + 3.8**2 + 1)
    assert cosine < 0
    assert hillshade(dem)[1, 1] == 0.0
    cosine = (0.05 * 0.5 + 3.8 * 0.5 + math.sqrt(0.5)) / math.sqrt(0.05**2 + 3.8**2 + 1)
    assert float(hillshade(dem, azimuth_deg=225.0)[1, 1]) == pytest.approx(cosine, rel=1e-5)
