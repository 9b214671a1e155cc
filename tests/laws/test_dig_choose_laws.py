"""Laws of what a look is worth."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from washgrade.dig.choose import learning_gain_kg


@given(st.integers(0, 2**32 - 1), st.floats(0.1, 50.0))
@settings(max_examples=40, deadline=None)
def test_gain_goes_with_the_scale_and_falls_with_the_error(seed: int, factor: float) -> None:
    rng = np.random.default_rng(seed)
    log = rng.normal(0, rng.uniform(0, 1, 8), (300, 8)) @ (np.eye(8) + rng.normal(0, 0.2, (8, 8)))
    day = np.exp(log) * rng.uniform(1, 10, 8) * np.array([1.0, 0.8])[:, None, None]
    gain = learning_gain_kg(day, log, error_log_sd=0.3, days=4)
    assert (gain >= 0).all()
    # A look that shows less moves every expectation less.
    assert (learning_gain_kg(day, log, error_log_sd=0.6, days=4) <= gain * (1 + 1e-3) + 1e-3).all()
    np.testing.assert_allclose(
        learning_gain_kg(factor * day, log, error_log_sd=0.3, days=4), factor * gain, rtol=1e-6, atol=1e-9
    )
    # Where all reach-days are dug anyway, nothing is to be learnt.
    np.testing.assert_allclose(
        learning_gain_kg(day, log, error_log_sd=0.3, days=16), 0.0, atol=1e-3 * day.mean()
    )
    some = np.array([5, 2])
    np.testing.assert_array_equal(
        learning_gain_kg(day, log, error_log_sd=0.3, days=4, tried=some), gain[some]
    )
