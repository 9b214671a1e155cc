"""What holds for every sheet: names do not overlap, text fits, pages of a map show all that they must."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from washgrade.sheet.ink import BOLD, PLAIN, fit, printable, text_width_pt, wrap
from washgrade.sheet.labels import Wanted, place_labels
from washgrade.sheet.scale import SCALES, Box, bar_length, fitting_scale, grid_step_m, tile_windows

TEXTS = st.text(max_size=120)
PLACES = st.tuples(st.floats(0, 5000), st.floats(0, 5000))


@settings(deadline=None)
@given(TEXTS, st.floats(20, 300), st.sampled_from([PLAIN, BOLD]))
def test_text_fits_and_nothing_of_it_is_lost(text, width_pt, font):
    lines = wrap(text, font, 7.0, width_pt)
    assert all(text_width_pt(line, font, 7.0) <= width_pt for line in lines)
    assert "".join(lines).replace(" ", "") == printable(text).replace(" ", "")
    assert text_width_pt(fit(text, font, 7.0, width_pt), font, 7.0) <= width_pt
    assert printable(printable(text)) == printable(text)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.floats(0, 300), st.floats(0, 300), st.floats(2, 80), st.floats(2, 15), st.integers(1, 7)
        ),
        max_size=25,
    ),
    st.lists(st.tuples(st.floats(0, 300), st.floats(0, 300)), max_size=30),
)
def test_no_two_names_overlap(names, lines):
    wanted = [
        Wanted(left_pt=left, bottom_pt=bottom, width_pt=width, height_pt=height, gaps=gaps)
        for left, bottom, width, height, gaps in names
    ]
    taken = [(100.0, 100.0, 130.0, 120.0)]
    placed = place_labels(
        wanted, inside=(0, 0, 300, 300), taken=taken, lines=np.reshape(np.array(lines, float), (-1, 2))
    )
    areas = [*taken] + [
        (spot.left_pt, spot.bottom_pt, spot.left_pt + name.width_pt, spot.bottom_pt + name.height_pt)
        for name, spot in zip(wanted, placed, strict=True)
        if spot is not None
    ]
    for place, one in enumerate(areas):
        assert min(one) >= 0
        assert max(one) <= 300
        for other in areas[:place]:
            apart = one[0] >= other[2] or other[0] >= one[2] or one[1] >= other[3] or other[1] >= one[3]
            assert apart


@settings(max_examples=60, deadline=None)
@given(st.lists(PLACES, min_size=1, max_size=12), st.sampled_from(SCALES[2:6]))
def test_every_place_is_on_a_page_and_every_page_has_a_line(places, scale):
    line = np.array(places, float)
    box = Box.around([line])
    pages = tile_windows(box, [line], scale=scale, width_mm=180, height_mm=230)
    for east_m, north_m in places:
        assert any(
            page.west_m - 1e-6 <= east_m <= page.east_m + 1e-6
            and page.south_m - 1e-6 <= north_m <= page.north_m + 1e-6
            for page in pages
        )
    ends = [line] if len(line) == 1 else [line[k : k + 2] for k in range(len(line) - 1)]
    for page in pages:
        assert np.isclose(page.width_m, 0.180 * scale)
        assert np.isclose(page.height_m, 0.230 * scale)
        assert any(page.touches(piece) for piece in ends)
    assert len(set(pages)) == len(pages)


@settings(deadline=None)
@given(st.floats(1, 60_000), st.floats(1, 60_000))
def test_the_scale_is_the_largest_that_fits(width_m, height_m):
    box = Box(west_m=500.0, south_m=0.0, east_m=500.0 + width_m, north_m=height_m)
    scale = fitting_scale(box, width_mm=180, height_mm=230)
    assert width_m <= 0.180 * scale * (1 + 1e-12)
    assert height_m <= 0.230 * scale * (1 + 1e-12)
    smaller = SCALES[: SCALES.index(scale)]
    assert all(width_m > 0.18 * one * (1 - 1e-12) or height_m > 0.23 * one * (1 - 1e-12) for one in smaller)


@settings(deadline=None)
@given(st.integers(100, 1_000_000), st.sampled_from([1.0, 0.3048]))
def test_grid_and_bars_are_round_and_fit_the_paper(scale, unit_m):
    step_mm = grid_step_m(scale) * 1000 / scale
    assert 24.999 <= step_mm <= 62.6
    bar = bar_length(scale, longest_mm=50, unit_m=unit_m)
    assert 19.9 <= bar * unit_m * 1000 / scale <= 50.001
    for number in (grid_step_m(scale), bar):
        assert f"{number:e}"[0] in "125"
        assert float(f"{number:.0e}") == number
