"""What a view of the page refuses."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from washgrade.errors import InputError
from washgrade.page.view import PageView


def small_view(**changes):
    two = np.array([0.10, 0.05])
    shape = {
        "title": "T",
        "day": "2026-02-14",
        "crs": "EPSG:25830",
        "datum": "ETRS89",
        "made_with": "washgrade",
        "reach_id": ("A1", "A2"),
        "line_lon": np.array([-2.0, -2.001, -2.001, -2.002]),
        "line_lat": np.array([37.0, 37.0, 37.0, 37.0]),
        "line_start": np.array([0, 2, 4]),
        "rank": np.array([1, 2]),
        "depleted": np.array([False, False]),
        "closed": np.array([False, False]),
        "support": ("sampled", "prior"),
        "notes": ((), ("A note.",)),
        "cutoff_grade": 0.05,
        "top": 1,
    }
    columns = ("grade_mean", "grade_p10", "grade_p50", "grade_p90", "kg_per_load_mean", "kg_per_load_p10")
    columns += ("kg_per_load_p50", "kg_per_load_p90", "chance_top", "chance_above_cutoff", "stock_kg")
    columns += ("loads_left", "length_m", "slope", "upstream_area_m2", "width_m", "easting_m", "northing_m")
    return PageView(**(shape | dict.fromkeys((*columns, "lon", "lat"), two) | changes))


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"units": "feet"}, "Invalid 'units' of 'feet'. It must be one of 'us', 'metric'."),
        ({"top": 0}, "Invalid 'top' of 0. It must be a whole number of at least 1."),
        ({"reach_id": ()}, "Invalid 'reach_id' of length 0. A page must have at least one reach."),
        (
            {"slope": np.array([0.1])},
            "Invalid 'slope' of length 1. It must have one value for each of 2 reaches.",
        ),
        (
            {"grade_p90": np.array([0.1, np.nan])},
            "Invalid 'grade_p90' of nan in reach A2. It must be a finite number.",
        ),
        (
            {"support": ("sampled", "hoped")},
            "Invalid 'support' of 'hoped'. It must be one of 'prior', 'inferred', 'near', 'sampled'.",
        ),
        (
            {"line_start": np.array([0, 1, 4])},
            "Invalid 'line_start' of length 3 over 4 points. It must begin with 0, end with the number"
            " of points, and give each of 2 reaches two points or more.",
        ),
        ({"rank": np.array([1, 1])}, "Invalid 'rank'. It must hold each number from 1 to 2 once."),
    ],
)
def test_what_cannot_be_right_is_refused(changes, sentence):
    with pytest.raises(InputError, match=f"^{re.escape(sentence)}$"):
        small_view(**changes)


def test_stock_loads_and_width_may_be_unknown():
    unknown = np.array([np.nan, 1.0])
    view = replace(small_view(), stock_kg=unknown, loads_left=unknown, width_m=unknown)
    assert np.isnan(view.stock_kg[0])
