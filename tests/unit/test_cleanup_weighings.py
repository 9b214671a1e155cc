"""Own weighings of passes over the magnets.

The truth is known beforehand: batches are put over a pass whose shares are given, by the balance that
tests/published/test_dig_cleanup.py holds to printed examples.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from washgrade.dig.cleanup import CleanupRule, MagnetPass, clean_up
from washgrade.dig.weighings import Weighing, fit_pass
from washgrade.errors import FileFaults, InputError
from washgrade.files.weighings import read_weighings

ONE = MagnetPass(magnetics_share=0.93, rest_share=0.07)
PLAIN = CleanupRule(moisture=0.0, oversize_share=0.0, passes=(ONE,))


def batch(kg, grade, one=ONE):
    found = clean_up(wet_kg=kg, grade=grade, rule=replace(PLAIN, passes=(one,)))
    return {
        "feed_kg": kg,
        "concentrate_kg": float(found.product.dry_kg),
        "tailings_kg": float(found.tailings.dry_kg),
        "feed_grade": grade,
        "concentrate_grade": float(found.product.grade),
        "tailings_grade": float(found.tailings.grade),
    }


ENOUGH = [
    ("concentrate_kg", "tailings_kg", "concentrate_grade", "tailings_grade"),
    ("feed_kg", "concentrate_kg", "feed_grade", "concentrate_grade"),
    ("feed_kg", "tailings_kg", "feed_grade", "tailings_grade"),
    ("feed_grade", "concentrate_grade", "tailings_grade"),
    tuple(batch(1.0, 0.5)),
]


@pytest.mark.parametrize("known", ENOUGH)
def test_whatever_was_weighed_gives_the_pass_back(known):
    found = fit_pass([Weighing(**{name: batch(20.0, 0.3)[name] for name in known})])
    assert found.magnet_pass.magnetics_share == pytest.approx(0.93, rel=1e-9)
    assert found.magnet_pass.rest_share == pytest.approx(0.07, rel=1e-9)


@given(
    st.floats(0.05, 0.99),
    st.floats(0.0, 0.95),
    st.lists(st.tuples(st.floats(0.5, 100), st.floats(0.02, 0.9)), min_size=1, max_size=5),
)
def test_batches_of_any_grade_pool_to_the_one_pass(taken, dragged, batches):
    one = MagnetPass(magnetics_share=taken, rest_share=dragged * taken)
    found = fit_pass([Weighing(**batch(kg, grade, one)) for kg, grade in batches])
    assert found.magnet_pass.magnetics_share == pytest.approx(taken, rel=1e-9)
    assert found.magnet_pass.rest_share == pytest.approx(one.rest_share, rel=1e-9, abs=1e-12)
    assert found.yield_share_by_grades == pytest.approx(found.yield_share, rel=1e-6)
    assert found.lost_share == pytest.approx(0.0, abs=1e-9)


def test_big_batches_count_more():
    small, big = MagnetPass(magnetics_share=0.5, rest_share=0.1), ONE
    found = fit_pass([Weighing(**batch(1.0, 0.3, small)), Weighing(**batch(99.0, 0.3, big))])
    assert found.magnet_pass.magnetics_share == pytest.approx(0.01 * 0.5 + 0.99 * 0.93)


def test_masses_and_grades_that_disagree_and_sand_that_was_lost_are_seen():
    wrong = batch(20.0, 0.3) | {"concentrate_grade": 0.6}
    found = fit_pass([Weighing(**wrong)])
    assert abs(found.yield_share_by_grades - found.yield_share) > 0.1 * found.yield_share
    lost = batch(20.0, 0.3) | {"tailings_kg": batch(20.0, 0.3)["tailings_kg"] - 2.0}
    assert fit_pass([Weighing(**lost)]).lost_share == pytest.approx(0.1)


@pytest.mark.parametrize(
    ("values", "says"),
    [
        (
            {"feed_kg": 3.0, "concentrate_kg": 1.0, "feed_grade": 0.2},
            "Invalid weighing of 2 masses and 1 grades. It must have all three grades, or two of them and "
            "two masses.",
        ),
        (
            {"feed_kg": 1.0, "concentrate_kg": 2.0, "feed_grade": 0.2, "concentrate_grade": 0.4},
            "Invalid masses of a weighing. The concentrate must weigh less than the feed.",
        ),
        ({"feed_kg": 0.0}, "Invalid 'feed_kg' of 0.0. It must be a finite number above 0."),
    ],
)
def test_too_little_or_nonsense_is_told(values, says):
    with pytest.raises(InputError, match=f"^{re.escape(says)}$"):
        Weighing(**values)


def test_a_balance_that_cannot_be_is_told():
    one = Weighing(feed_kg=10.0, concentrate_kg=1.0, feed_grade=0.5, tailings_grade=0.1)
    says = (
        "Invalid weighing: by its balance the concentrate would be 410.0 % and the tailings 10.0 % magnetic."
    )
    with pytest.raises(InputError, match=f"^{re.escape(says)}"):
        fit_pass([one])
    # A brush, no magnet.
    with pytest.raises(InputError, match=r"^Invalid 'rest_share' of 0\.5\. It must"):
        fit_pass([Weighing(feed_grade=0.5, concentrate_kg=5.0, tailings_kg=5.0, concentrate_grade=0.5)])


def test_a_file_is_read_in_any_unit(tmp_path):
    path = tmp_path / "mine.csv"
    one = batch(20.0, 0.3)
    path.write_text(
        "pass,concentrate_lb,tailings_lb,concentrate_grade_percent,tailings_grade,note\n"
        f"First,{one['concentrate_kg'] / 0.45359237},{one['tailings_kg'] / 0.45359237},"
        f"{100 * one['concentrate_grade']},{one['tailings_grade']},new magnet\n"
        f",{one['concentrate_kg']},{one['tailings_kg']},{100 * one['concentrate_grade']},"
        f"{one['tailings_grade']},\n"
        "later,1,1,90,0.1,\n"
    )
    found = read_weighings(path)
    assert [len(found["first"]), len(found["later"])] == [2, 1]
    assert found["first"][0].concentrate_kg == pytest.approx(one["concentrate_kg"])
    assert fit_pass(found["first"]).magnet_pass.magnetics_share == pytest.approx(0.93)


def test_every_fault_of_a_file_is_told_at_once(tmp_path):
    path = tmp_path / "mine.csv"
    path.write_text(
        "pass,feed_kgs,concentrate_kg,tailings_kg,concentrate_grade,tailings_grade\n"
        "third,1,1,1,0.9,0.1\nfirst,1,heavy,1,0.9,0.1\nfirst,1,1,1,9,0.1\n"
    )
    with pytest.raises(FileFaults) as told:
        read_weighings(path)
    assert told.value.faults == (
        "mine.csv: Unknown column 'feed_kgs'. Did you mean 'feed_kg'?",
        "mine.csv, row 2: Invalid 'pass' of 'third'. It must be one of 'first', 'later'.",
        "mine.csv, row 3: Invalid 'concentrate_kg' of 'heavy'. It must be a finite number.",
        "mine.csv, row 4: Invalid 'concentrate_grade' of 9.0. It must be a finite number of at least 0 and "
        "of at most 1.",
    )


def test_fitted_passes_change_the_balance():
    grade = np.array(0.3)
    plain = clean_up(wet_kg=100.0, grade=grade)
    fitted = fit_pass([Weighing(**batch(20.0, 0.3))]).magnet_pass
    own = clean_up(
        wet_kg=100.0, grade=grade, rule=replace(CleanupRule(), passes=(fitted, CleanupRule().passes[1]))
    )
    assert float(own.recovery) < float(plain.recovery)
