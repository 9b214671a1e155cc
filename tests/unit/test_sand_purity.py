"""Purity: one doubt for the whole site, which changes no order."""

from __future__ import annotations

import re

import numpy as np
import pytest

from washgrade.errors import InputError
from washgrade.files.settings import Settings
from washgrade.sand.purity import Purity, magnetite_kg, purity_draws, purity_from_iron


def test_draws_have_the_mean_and_the_spread() -> None:
    drawn = purity_draws(
        Purity(magnetite_share=0.8, magnetite_share_sd=0.1), 100_000, np.random.default_rng(1)
    )
    assert drawn.mean() == pytest.approx(0.8, abs=0.002)
    assert drawn.std() == pytest.approx(0.1, abs=0.002)
    assert np.all((drawn > 0) & (drawn < 1))
    sure = purity_draws(Purity(magnetite_share_sd=0.0), 3, np.random.default_rng(1))
    assert sure.tolist() == [0.85] * 3


def test_it_scales_every_reach_alike() -> None:
    rng = np.random.default_rng(2)
    loads_kg = rng.lognormal(-1.0, 0.3, (20_000, 5))
    pure_kg = magnetite_kg(loads_kg, Purity(), rng)
    assert np.all(np.argsort(pure_kg, axis=1) == np.argsort(loads_kg, axis=1))
    # Variance of a product of independent factors.
    mean, variance = loads_kg[:, 0].mean(), loads_kg[:, 0].var()
    wanted = mean**2 * 0.07**2 + 0.85**2 * variance + variance * 0.07**2
    assert pure_kg[:, 0].var() == pytest.approx(wanted, rel=0.03)
    # The doubt does not average away over reaches, as noise of each one would.
    alike_kg = magnetite_kg(np.ones((4000, 100)), Purity(), rng)
    assert alike_kg.mean(axis=1).std() == pytest.approx(0.07, rel=0.05)
    noise = purity_draws(Purity(), 4000 * 100, rng).reshape(4000, 100)
    assert noise.mean(axis=1).std() < 0.01


def test_iron_tells_it() -> None:
    assert purity_from_iron(0.57) == pytest.approx(0.788, abs=5e-4)
    sentence = "Invalid 'iron_share' of 0.75. It must be at most 0.7236, what pure magnetite holds."
    with pytest.raises(InputError, match=f"^{re.escape(sentence)}$"):
        purity_from_iron(0.75)


def test_settings_carry_it() -> None:
    assert Settings().purity == Purity()
    assert Settings(magnetite_share=0.9).purity == Purity(magnetite_share=0.9)


@pytest.mark.parametrize(
    ("numbers", "sentence"),
    [
        (
            {"magnetite_share": 1.0},
            "Invalid 'magnetite_share' of 1.0. It must be a finite number above 0 and below 1.",
        ),
        (
            {"magnetite_share": 0.9, "magnetite_share_sd": 0.31},
            "Invalid 'magnetite_share_sd' of 0.31. It must be below 0.3, what a share with a mean of 0.9 can "
            "have.",
        ),
    ],
)
def test_faults_are_said(numbers: dict[str, float], sentence: str) -> None:
    with pytest.raises(InputError, match=f"^{re.escape(sentence)}$"):
        Purity(**numbers)
