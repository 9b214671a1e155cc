"""What the dig says when something cannot be right."""

import re
from dataclasses import replace

import numpy as np
import pytest

from washgrade.dig.load import Shovel
from washgrade.dig.rank import chance_top, rank_reaches
from washgrade.dig.returns import Bed
from washgrade.dig.stock import StreakRule, reach_stock
from washgrade.errors import InputError


def sentence(text):
    return "^" + re.escape(text) + "$"


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (
            lambda: Shovel(shovel_litres=0.0),
            "Invalid 'shovel_litres' of 0.0. It must be a finite number above 0.",
        ),
        (
            lambda: Shovel(porosity=1.0),
            "Invalid 'porosity' of 1.0. It must be a finite number of at least 0 and below 1.",
        ),
        (
            lambda: StreakRule(streak_share=1.5),
            "Invalid 'streak_share' of 1.5. It must be a finite number above 0 and of at most 1.",
        ),
        (
            lambda: chance_top(np.zeros((2, 2)), 0),
            "Invalid 'top' of 0. It must be a whole number of at least 1.",
        ),
        (
            lambda: chance_top(np.zeros((0, 2)), 1),
            "Invalid 'draws' of 0 rows. There must be at least one draw.",
        ),
    ],
)
def test_a_bad_value_gets_its_sentence(make, says):
    with pytest.raises(InputError, match=sentence(says)):
        make()


def stock(**changes):
    arguments = {
        "length_m": np.array([10.0, 20.0]),
        "bed_width_m": np.array([3.0, 2.0]),
        "grade_draws": np.full((3, 2), 0.1),
        "shovel": Shovel(),
        "streak": StreakRule(),
        "cutoff_grade": 0.05,
    }
    return reach_stock(**(arguments | changes))


def test_draws_of_another_ground_are_refused():
    says = "Invalid 'grade_draws' of shape (3, 5). It must be draws by 2 reaches."
    with pytest.raises(InputError, match=sentence(says)):
        stock(grade_draws=np.zeros((3, 5)))


@pytest.mark.parametrize("name", ["loads", "full", "left"])
def test_a_bed_that_is_no_share_is_refused(name):
    says = f"Invalid '{name}' of 'bed'. It must hold shares from 0 to 1, ways by reaches."
    for wrong in ([[-0.1, 0.0]], [[1.1, 0.0]], [[0.0, 0.0, 0.0]], [0.0, 0.0], [[np.nan, 0.0]]):
        with pytest.raises(InputError, match=sentence(says)):
            stock(bed=replace(Bed.dug(np.zeros((1, 2))), **{name: np.array(wrong)}))


def test_a_bed_without_width_is_refused():
    says = "Invalid 'bed_width_m'. It must hold one number above 0 for each reach."
    with pytest.raises(InputError, match=sentence(says)):
        stock(bed_width_m=np.array([3.0, np.nan]))


def test_below_the_cutoff_nothing_counts():
    assert stock(cutoff_grade=0.2).worth_kg().sum() == 0
    assert stock(cutoff_grade=0.05).worth_kg().min() > 0


def test_not_a_number_ranks_behind():
    assert rank_reaches(np.array([np.nan, 0.1, 0.2])).tolist() == [3, 2, 1]
