"""Clean-up against printed worked examples and the facts of the trade.

Two-product formula, magnetic pass and closed circuits: Wills, B. A., Finch, J. A. (2016), Wills' Mineral
Processing Technology, 8th edition, chapter 3 (form of the formula; the numbers are their evaluation). Drying:
mass balance with the pan coefficient of FAO Irrigation and Drainage Paper 56, chapter 4. Facts of the trade:
common practice, no source, met within 20 %.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from washgrade.dig.cleanup import (
    CleanupRule,
    MagnetPass,
    clean_up,
    drying_days,
    pass_from_weighings,
    two_product,
)
from washgrade.errors import InputError

ONE_PASS = MagnetPass(magnetics_share=0.95, rest_share=0.05)
PLAIN = CleanupRule(moisture=0.0, oversize_share=0.0, passes=(ONE_PASS,))


def test_two_product_formula():
    mass_yield, recovery = two_product(1.0, 10.0, 0.2)
    assert (float(mass_yield), float(recovery)) == pytest.approx((0.08163, 0.8163), rel=5e-4)
    # Ratio of concentration and enrichment ratio of the same example.
    assert (1 / float(mass_yield), 10.0 / 1.0) == pytest.approx((12.25, 10.0), rel=5e-4)
    # A twin on purpose wrong: tailings and feed changed over.
    with pytest.raises(InputError):
        two_product(0.2, 10.0, 1.0)


def test_one_magnetic_pass():
    # 100 kg at 20 %, 95 % of the magnetics and 5 % of the rest taken: 23.0 kg at 82.6 %.
    found = clean_up(wet_kg=100.0, grade=0.2, rule=PLAIN)
    assert (float(found.product.dry_kg), float(found.purity)) == pytest.approx((23.0, 0.8261), rel=1e-3)
    wrong = clean_up(wet_kg=100.0, grade=0.2, rule=replace(PLAIN, passes=(ONE_PASS, ONE_PASS)))
    assert float(wrong.product.dry_kg) != pytest.approx(23.0, rel=1e-3)


def test_middlings_sent_round_again():
    # 70 % to the concentrate, 10 % to the tailings and 20 % round again: recovered are 0.7 / 0.8, and what
    # enters is 1 / (1 - 0.2) of the new feed.
    rougher = MagnetPass(magnetics_share=0.9, rest_share=0.0)
    cleaner = MagnetPass(magnetics_share=0.7 / 0.9, rest_share=0.0)
    found = clean_up(wet_kg=1.0, grade=1.0, rule=replace(PLAIN, passes=(rougher, cleaner)))
    assert float(found.recovery) == pytest.approx(0.875, rel=1e-9)
    assert float(found.middlings.magnetics_kg) == pytest.approx(0.25, rel=1e-9)
    open_circuit = 0.9 * 0.7 / 0.9
    assert float(found.recovery) != pytest.approx(open_circuit, rel=1e-3)


def test_wet_sand_dries_at_the_rate_of_the_pan():
    # 2 cm of sand of 1600 kg/m3 as dug with 6 % water, pan 8 mm a day, coefficient 0.7: 0.343 days.
    rule = CleanupRule(floor_m2=1.0, evaporation_mm_day=8.0, pan_factor=0.7)
    dry_kg = 0.02 * 1600 * (1 - 0.06)
    assert float(drying_days(dry_kg=dry_kg, moisture=0.06, rule=rule)) == pytest.approx(0.343, rel=0.01)
    # The pan's own rate would be too quick.
    bare = replace(rule, pan_factor=1.0)
    assert float(drying_days(dry_kg=dry_kg, moisture=0.06, rule=bare)) < 0.3


# Facts of the trade: common practice, no source.


def test_a_bucket_takes_eight_minutes_on_a_large_station_and_thirty_on_a_small_one():
    """Common practice, no source; met by the defaults within 20 %."""
    bucket_kg = 18.93 * 1.75
    for minutes in (8.0, 30.0):
        rule = replace(PLAIN, magnet_minutes=minutes, passes=CleanupRule().passes)
        found = clean_up(wet_kg=bucket_kg, grade=0.2, rule=rule)
        # The second pass and what goes round again come on top of the bucket itself.
        assert minutes <= 60 * float(found.magnet_hours) <= 1.4 * minutes
        one = replace(rule, passes=rule.passes[:1])
        assert 60 * float(clean_up(wet_kg=bucket_kg, grade=0.2, rule=one).magnet_hours) == pytest.approx(
            minutes, rel=0.2
        )


def test_the_feed_is_fully_dry():
    """Common practice, no source: no magnet is passed before all water is gone."""
    rule = CleanupRule()
    found = clean_up(wet_kg=100.0, grade=0.2)
    assert rule.moisture > 0.0
    assert float(found.water_kg) == pytest.approx(100.0 * rule.moisture, rel=1e-12)
    assert float(found.feed.dry_kg) == pytest.approx(100.0 - float(found.water_kg), rel=1e-12)
    # What a wet heap lacks in sand it lacks in product.
    wetter = clean_up(wet_kg=100.0, grade=0.2, rule=replace(rule, moisture=2.0 * rule.moisture))
    dry_share = (1.0 - 2.0 * rule.moisture) / (1.0 - rule.moisture)
    assert float(wetter.product.dry_kg) == pytest.approx(dry_share * float(found.product.dry_kg), rel=1e-9)
    assert float(wetter.drying_days) > 1.8 * dry_share * float(found.drying_days)


def test_a_rerun_of_the_tailings_gives_next_to_nothing():
    """Common practice, no source; met by the defaults within 20 %."""
    found = clean_up(wet_kg=1000.0, grade=0.2)
    again = clean_up(wet_kg=found.tailings.dry_kg, grade=found.tailings.grade, rule=PLAIN)
    assert float(again.product.magnetics_kg) < 0.015 * float(found.product.magnetics_kg)


def test_two_passes_give_more_than_ninety_percent_and_middlings_of_thirty():
    """Common practice, no source; met by the defaults within 20 %."""
    found = clean_up(wet_kg=1000.0, grade=0.2)
    assert float(found.purity) > 0.90
    assert float(found.middlings.grade) == pytest.approx(0.30, rel=0.2)
    one = clean_up(wet_kg=1000.0, grade=0.2, rule=CleanupRule(passes=CleanupRule().passes[:1]))
    assert float(one.purity) < 0.90


def test_a_us_gallon_of_product_weighs_twenty_pounds():
    """Common practice, no source; met by the defaults within 20 %."""
    assert 3.785411784e-3 * CleanupRule().product_bulk_kg_m3 / 0.45359237 == pytest.approx(20.0, rel=0.02)


def test_two_seventeen_gallon_containers_take_about_a_day_and_a_half():
    """Common practice, no source; met by the defaults within 20 %."""
    found = clean_up(wet_kg=1000.0, grade=0.2)
    hours = 2 * float(found.work_hours / found.containers)
    assert hours == pytest.approx(1.5 * 8.0, rel=0.2)


# What must hold whatever the numbers.

shares = st.floats(0.0, 1.0)


@st.composite
def passes(draw):
    taken = draw(st.floats(0.05, 1.0))
    return MagnetPass(magnetics_share=taken, rest_share=draw(st.floats(0.0, 0.999)) * taken * 0.999)


@given(
    st.floats(0.0, 1e5),
    shares,
    st.floats(0.0, 0.9),
    st.floats(0.0, 0.95),
    shares,
    st.lists(passes(), min_size=1, max_size=4),
)
@settings(deadline=None)
def test_every_kilogram_is_accounted_for(wet_kg, grade, moisture, oversize, oversize_grade, chain):
    rule = CleanupRule(
        moisture=moisture, oversize_share=oversize, oversize_grade=oversize_grade, passes=tuple(chain)
    )
    found = clean_up(wet_kg=wet_kg, grade=grade, rule=rule)
    out = (found.oversize, found.product, found.tailings)
    for kind in ("magnetics_kg", "rest_kg"):
        total = sum(float(getattr(stream, kind)) for stream in out)
        assert total == pytest.approx(float(getattr(found.feed, kind)), rel=1e-9, abs=1e-9)
        assert min(float(getattr(stream, kind)) for stream in out) >= -1e-9
    assert float(found.feed.dry_kg + found.water_kg) == pytest.approx(wet_kg, rel=1e-9, abs=1e-12)
    assert float(found.purity) >= grade - 1e-9 or float(found.oversize.grade) > grade or wet_kg * grade == 0


@given(passes(), st.floats(0.01, 0.9))
def test_weighings_give_the_pass_back(one, grade):
    found = clean_up(wet_kg=50.0, grade=grade, rule=replace(PLAIN, passes=(one,)))
    if float(found.tailings.dry_kg) < 1e-6:
        return
    fitted = pass_from_weighings(
        feed_grade=grade,
        concentrate_grade=float(found.purity),
        tailings_grade=float(found.tailings.grade),
    )
    assert fitted.magnetics_share == pytest.approx(one.magnetics_share, rel=1e-6)
    assert fitted.rest_share == pytest.approx(one.rest_share, rel=1e-6, abs=1e-9)


def test_draws_go_through_at_once():
    grade = np.array([[0.1, 0.2], [0.3, 0.0]])
    found = clean_up(wet_kg=100.0, grade=grade)
    assert found.product.dry_kg.shape == (2, 2)
    for place in np.ndindex(2, 2):
        one = clean_up(wet_kg=100.0, grade=grade[place])
        assert found.product.dry_kg[place] == pytest.approx(float(one.product.dry_kg), rel=1e-12)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (
            lambda: MagnetPass(magnetics_share=0.3, rest_share=0.4),
            "Invalid 'rest_share' of 0.4. It must be below 'magnetics_share', which is 0.3: "
            "a magnet takes more of the magnetics.",
        ),
        (
            lambda: CleanupRule(passes=()),
            "Invalid 'passes' of none. There must be at least one pass over the magnets.",
        ),
        (
            lambda: clean_up(wet_kg=-1.0, grade=0.1),
            "Invalid 'wet_kg'. It must hold finite numbers of at least 0.",
        ),
        (lambda: clean_up(wet_kg=1.0, grade=1.1), "Invalid 'grade'. It must hold numbers between 0 and 1."),
        (
            lambda: two_product(0.5, 0.4, 0.1),
            "Invalid grades of feed 0.5, concentrate 0.4 and tailings 0.1. The feed must lie between "
            "tailings and concentrate, and above 0.",
        ),
    ],
)
def test_a_bad_value_gets_its_sentence(make, says):
    with pytest.raises(InputError, match=f"^{re.escape(says)}$"):
        make()
