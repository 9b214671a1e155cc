"""Where a sample's error comes from beside few grains: litres, water, splitting; and what records tell."""

from __future__ import annotations

import re
from datetime import date

import numpy as np
import pytest

from washgrade.dig.load import Shovel, load_magnetics_kg
from washgrade.errors import InputError
from washgrade.files.judging import Frame
from washgrade.files.records import make_record
from washgrade.files.sample import sample_arrays
from washgrade.sand.gy import grade_by_volume, liberation, logit_error_variance
from washgrade.sand.layers import Samples, SamplingSettings


@pytest.mark.parametrize("grade", [0.01, 0.2, 0.7, 1.0])
def test_a_measured_volume_undoes_what_a_load_does(grade: float) -> None:
    shovel = Shovel(shovel_litres=2.5, porosity=0.38)
    magnetic_kg = float(load_magnetics_kg(np.array(grade), shovel))
    found, mass_kg = grade_by_volume(magnetic_mass_kg=magnetic_kg, volume_litres=2.5, porosity=0.38)
    assert found == pytest.approx(grade, rel=1e-9)
    assert mass_kg * found == pytest.approx(magnetic_kg)
    # A fixed bulk density for all sand is off where it is rich.
    if grade > 0.5:
        assert magnetic_kg / (2.5e-3 * 0.62 * 2650) != pytest.approx(grade, rel=0.1)


def test_a_volume_that_cannot_hold_its_magnetics() -> None:
    sentence = (
        "Invalid 'magnetic_mass_kg' of 4. It must be at most 3.11, what 1 litres of pure magnetics weigh."
    )
    with pytest.raises(InputError, match=f"^{re.escape(sentence)}$"):
        grade_by_volume(magnetic_mass_kg=4, volume_litres=1, porosity=0.4)


def test_errors_add_up_as_variances() -> None:
    grade, mass_kg = np.array([0.2, 0.2, 0.2]), np.full(3, 1.0)
    plain = SamplingSettings()
    found = logit_error_variance(
        grade,
        mass_kg,
        plain,
        moisture=np.array([np.nan, 0.1, np.nan]),
        by_volume=np.array([False, False, True]),
    )
    alone = logit_error_variance(grade, mass_kg, plain)
    assert found - alone == pytest.approx([0.0, (0.01 / 0.9 / 0.8) ** 2, (0.10 / 0.8) ** 2])


def test_liberation_is_one_at_most() -> None:
    assert liberation(free_mm=2.0, top_grain_mm=2.0) == 1.0
    assert liberation(free_mm=0.02, top_grain_mm=2.0) == pytest.approx(0.1)
    sentence = "Invalid 'free_mm' of 0. It must be a finite number above 0."
    with pytest.raises(InputError, match=f"^{re.escape(sentence)}$"):
        liberation(free_mm=0, top_grain_mm=2)


def test_a_record_tells_whether_its_dry_mass_was_worked_out() -> None:
    place = {"time": "2026-03-01", "lon": -2.4, "lat": 37.1, "magnetic_mass_g": 30}
    made, weighed, both = (
        make_record("samples", {**place, **masses}, Frame(crs="EPSG:25830", today=date(2026, 3, 2)))
        for masses in (
            {"wet_mass_g": 500, "moisture_percent": 6},
            {"dry_mass_g": 470},
            {"wet_mass_g": 500, "moisture_percent": 6, "dry_mass_g": 468},
        )
    )
    samples = Samples(**sample_arrays([made, weighed, both]))
    assert samples.dry_mass_kg == pytest.approx([0.47, 0.47, 0.468])
    np.testing.assert_allclose(samples.moisture, [0.06, np.nan, np.nan])
    assert not samples.by_volume.any()
