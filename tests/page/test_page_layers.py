"""What the page shows beside the grade: themes, days, the past, the way to a stop, sun, picture, axe."""

from __future__ import annotations

import io
import re
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.image import imread
from playwright.sync_api import expect
from pyproj import Geod

from washgrade.page.build import page_asset
from washgrade.page.themes import COLOURS, THEMES
from washgrade.page.view import SourceArea
from washgrade.page.words import SUPPORT_WORDS
from washgrade.units import show_mass

MARKUP = "<img src=x onerror=alert(1)>"


@pytest.fixture(scope="module")
def view(dendritic):
    return dendritic.sample_view()


def theme(key):
    return next(one for one in THEMES if one.key == key)


def values_of(view, key):
    return {
        "yield": view.kg_per_load_mean,
        "doubt": view.grade_p90 / view.grade_p10,
        "fresh": view.fresh_share,
        "left": view.left_share,
        "change": view.grade_mean / view.other.grade_mean,
    }[key]


@pytest.mark.parametrize("key", ["yield", "doubt", "fresh", "left", "change"])
def test_each_theme_paints_its_classes(show, view, key):
    opened = show(view)
    page = opened.page
    page.locator("#legend [name=samples]").uncheck()
    page.locator("#theme").select_option(key)
    chosen = theme(key)
    values = values_of(view, key)
    level = np.where(
        np.isnan(values), len(chosen.limits) + 1, np.searchsorted(chosen.limits, values, "right")
    )
    there = {([*chosen.colours, "unknown"][n]) for n in np.unique(level)}
    painted = {name for name in (*chosen.colours, "unknown") if opened.pixels(COLOURS[name]) > 60}
    assert painted == there
    assert len(there) >= 2
    assert chosen.head in page.locator("#legend-body h3").first.inner_text()


def test_limits_of_a_load_are_told_in_the_units_chosen(show, view):
    page = show(view).page
    page.locator("#theme").select_option("yield")
    words = page.locator("#legend-body ul").first
    assert words.inner_text().split("\n")[0] == "under 0.13"
    page.locator("input[value=us] + span").click()
    # 0.125 kg and 1 kg in pounds of 0.45359237 kg.
    assert words.inner_text().split("\n") == [
        "under 0.28",
        "0.28 to 0.55",
        "0.55 to 1.1",
        "1.1 to 2.2",
        "over 2.2",
    ]


def test_what_a_page_lacks_is_not_offered(show, view):
    bare = replace(
        view, fresh_share=None, left_share=None, other=None, history=None, storm=None, day_plan=None
    )
    opened = show(bare)
    page = opened.page
    assert page.locator("#theme option").all_inner_texts() == ["Grade", "Yield of a load", "Doubt"]
    assert page.locator("input[name=as-of]").count() == 0
    assert not page.locator("#day").is_visible()
    page.locator("#table tbody button").first.click()
    assert "Its past" not in page.locator("#card").inner_text()
    assert opened.console == []


def test_the_other_day_is_shown_and_taken_back(show, view):
    opened = show(view)
    page = opened.page
    before = opened.cells(2)
    page.locator("input[name=as-of][value=other]").check()
    assert page.locator("#headline time").inner_text() == view.other.day
    order = np.argsort(view.other.rank)[:30]
    assert [re.match(r"\w+", name).group() for name in opened.cells(2)] == [view.reach_id[n] for n in order]
    grades = [float(text.removesuffix(" %")) for text in opened.cells(5)]
    assert grades == pytest.approx(100 * view.other.grade_mean[order], abs=0.0505)
    page.locator("#table tbody button").first.click()
    assert f"On {view.day}" in page.locator("#card").inner_text()
    page.keyboard.press("Escape")
    page.locator("input[name=as-of][value=own]").check()
    assert page.locator("#headline time").inner_text() == view.day
    assert opened.cells(2) == before


def test_the_storm_stands_in_the_heading_in_both_units(show, view):
    page = show(view).page
    assert "after the storm of 2026-01-30 (30 mm of rain)" in page.locator("#headline").inner_text()
    page.locator("input[value=us] + span").click()
    assert "(1.2 in of rain)" in page.locator("#headline").inner_text()


def test_a_reach_tells_its_past_and_its_layers(show, view):
    page = show(view).page
    page.locator("#find").fill(view.reach_id[0].lower() + " ")
    page.locator("#table tbody tr[data-reach='0'] button").click()
    card = page.locator("#card")
    words = card.inner_text()
    assert "2025-12-20: dig, 40 loads dug" in words
    assert "2026-01-30: storm, 30 mm of rain" in words
    assert "Left of what it held: 60 %" in words
    chart = card.locator("svg[aria-label^='Grade as thought']")
    spots = [
        tuple(map(float, spot.split(",")))
        for spot in chart.locator("polyline").get_attribute("points").split()
    ]
    days = np.array(view.history.days, dtype="datetime64[D]").astype(int)
    across = np.array([x for x, _ in spots])
    # Days lie as far apart as they are, and the height is the square root of the grade.
    assert (across - across[0]) / np.ptp(across) == pytest.approx((days - days[0]) / np.ptp(days), abs=1e-6)
    floor = float(chart.locator("line").last.get_attribute("y1"))
    heights = floor - np.array([y for _, y in spots])
    roots = np.sqrt(np.round(view.history.grade_mean[0], 3))
    assert heights / heights[-1] == pytest.approx(roots / roots[-1], rel=1e-3)
    hole = view.holes[0]
    lon, lat = np.full(len(view.line_lon), hole.lon), np.full(len(view.line_lon), hole.lat)
    point = int(np.argmin(Geod(ellps="WGS84").inv(lon, lat, view.line_lon, view.line_lat)[2]))
    reach = int(np.searchsorted(view.line_start, point, side="right")) - 1
    page.keyboard.press("Escape")
    page.locator("#find").fill("")
    for _ in range(3):
        if page.locator(f"#table tr[data-reach='{reach}']").count():
            break
        page.locator("#later").click()
    page.locator(f"#table tr[data-reach='{reach}'] button").click()
    assert f"Layers in {hole.name}, {hole.day}" in card.inner_text()


def ring(west, south, east, north):
    lon, lat = np.array([west, east, east, west, west]), np.array([south, south, north, north, south])
    return lon, lat


def test_known_sources_are_drawn_told_and_can_be_hidden(show, view):
    west, south, east, north = view.relief_bounds
    wide, tall = east - west, north - south

    def part(a, b, c, d):
        return ring(west + a * wide, south + b * tall, west + c * wide, south + d * tall)

    areas = (
        # With a hole, within which is nothing known.
        SourceArea(name=MARKUP, grade=0.12, rings=(part(0.3, 0.3, 0.7, 0.7), part(0.45, 0.45, 0.55, 0.55))),
        SourceArea(name="", grade=0.01, rings=(part(0.1, 0.1, 0.2, 0.2),)),
    )
    opened = show(replace(view, sources=areas))
    page = opened.page
    for name in ("reaches", "samples", "badges", "walk", "day", "access", "bounds"):
        page.locator(f"#legend [name={name}]").uncheck()
    # 12 % is of the fourth class, 1 % of the first.
    assert opened.pixels(opened.colour("grade-3")) > 200
    assert opened.pixels(opened.colour("grade-0")) > 30
    assert opened.pixels(opened.colour("grade-4")) == 0
    popup = page.locator(".leaflet-popup-content")
    for across, up, words in (
        (0.35, 0.5, f"{MARKUP}\nRock whose sand holds 12 %, as you told it."),
        (0.15, 0.15, "Known source\nRock whose sand holds 1 %, as you told it."),
    ):
        opened.click_on_map(south + up * tall, west + across * wide)
        expect(popup).to_have_text(words.replace("\n", ""))
        page.locator(".leaflet-popup-close-button").click()
        expect(popup).to_have_count(0)
        opened.rest()
    for across, up in ((0.5, 0.5), (0.25, 0.5)):
        opened.click_on_map(south + up * tall, west + across * wide)
        assert popup.count() == 0
    page.locator("#legend [name=sources]").uncheck()
    assert opened.pixels(opened.colour("grade-3")) == 0
    opened.click_on_map(south + 0.5 * tall, west + 0.35 * wide)
    assert popup.count() == 0
    assert opened.dialogs == []
    # Reading pixels is the test's own doing, and Chromium remarks on it.
    assert [text for text in opened.console if "willReadFrequently" not in text] == []


def test_a_wash_within_a_source_is_still_found(show, view):
    west, south, east, north = view.relief_bounds
    opened = show(
        replace(view, sources=(SourceArea(name="all", grade=0.1, rings=(ring(west, south, east, north),)),))
    )
    opened.page.locator("#legend [name=samples]").uncheck()
    reach = int(np.flatnonzero(view.rank == 150)[0])
    opened.click_on_map(view.lat[reach], view.lon[reach])
    expect(opened.page.locator("#card h2")).to_contain_text(f"Reach {view.reach_id[reach]} 150th of")


def test_magnetite_stands_beside_the_magnetics_where_the_purity_is_known(show, view):
    purity = 0.8
    told = replace(
        view,
        magnetite_kg_mean=purity * view.kg_per_load_mean,
        magnetite_kg_p10=purity * view.kg_per_load_p10,
        magnetite_kg_p90=purity * view.kg_per_load_p90,
    )
    opened = show(told)
    page = opened.page
    best = int(np.argmin(view.rank))
    page.locator("#table tbody button").first.click()
    card = page.locator("#card")
    mean, low, high = (
        purity * float(column[best])
        for column in (view.kg_per_load_mean, view.kg_per_load_p10, view.kg_per_load_p90)
    )
    for units, one in (("metric", 1.0), ("us", 0.45359237)):
        page.locator(f"input[value={units}] + span").click()
        words = re.search(
            r"Magnetite in it\n+([\d.]+) (kg|lb) 8 in 10: ([\d.]+) to ([\d.]+) ", card.inner_text()
        )
        found = [float(words.group(n)) for n in (1, 3, 4)]
        assert words.group(2) == {"metric": "kg", "us": "lb"}[units]
        assert found == pytest.approx([kg / one for kg in (mean, low, high)], rel=0, abs=0.0551)
    # What the estimate rests on, in the words of the Python side.
    assert SUPPORT_WORDS[view.support[best]] in card.inner_text()
    assert opened.console == []
    bare = show(view)
    bare.page.locator("#table tbody button").first.click()
    expect(bare.page.locator("#card")).not_to_contain_text("Magnetite in it")


def test_the_day_is_listed_and_drawn(show, view):
    opened = show(view)
    page = opened.page
    page.locator("#legend [name=walk]").uncheck()
    page.locator("#day summary").click()
    row = page.locator("#day-body tbody tr").nth(1)
    product = show_mass(view.day_plan.stops[1].product_kg, "metric")
    assert row.inner_text().split("\t")[:6] == [
        "2",
        view.day_plan.stops[1].reach,
        "71 min",
        "40",
        "3",
        product,
    ]
    assert "9.1 kg of product." in page.locator("#day-body").inner_text()
    brown = opened.colour("day")
    assert opened.pixels(brown) > 100
    page.locator("#legend [name=day]").uncheck()
    assert opened.pixels(brown) == 0
    page.locator("input[value=us] + span").click()
    assert "20 lb of product." in page.locator("#day-body").inner_text()


@pytest.mark.parametrize("size", ["phone", "desk"])
def test_the_way_to_the_next_stop(show, view, size):
    opened = show(view, size)
    page = opened.page
    page.context.grant_permissions(["geolocation"])
    stops = view.walk.stops
    lat, lon = stops[0].lat - 0.002, stops[0].lon - 0.002
    page.context.set_geolocation({"latitude": lat, "longitude": lon, "accuracy": 7.0})
    page.locator("#locate").click()
    guide = page.locator("#guide")
    guide.locator("text=°").wait_for()
    # The geodesic on the ellipsoid, by PROJ (Karney 2013).
    bearing, _, far_m = Geod(ellps="WGS84").inv(lon, lat, stops[0].lon, stops[0].lat)
    told = re.search(r"([\d.]+) m (\w+) \((\d+)°\)", guide.inner_text())
    assert float(told.group(1)) == pytest.approx(far_m, rel=0.006)
    assert int(told.group(3)) == pytest.approx(bearing % 360, abs=1)
    # Eighths of the compass, each around its middle.
    assert told.group(2) == ["N", "NE", "E"][round(bearing / 45)]
    assert f"Stop 1, {stops[0].reach}" in guide.inner_text()
    assert opened.pixels(opened.colour("here")) > 50
    page.context.set_geolocation(
        {"latitude": stops[0].lat + 0.00002, "longitude": stops[0].lon, "accuracy": 5.0}
    )
    expect(guide).to_contain_text("here")
    guide.locator("button", has_text="Next").click()
    assert f"Stop 2, {stops[1].reach}" in guide.inner_text()
    guide.locator("button", has_text="Day").click()
    assert f"Stop 1, {view.day_plan.stops[0].reach}" in guide.inner_text()
    page.locator("#locate").click()
    assert not guide.is_visible()
    # Reading pixels twice is the test's own doing, and Chromium remarks on it.
    assert [text for text in opened.console if "willReadFrequently" not in text] == []
    assert opened.pixels(opened.colour("here")) == 0


def test_full_sun_is_black_on_white(show, view):
    opened = show(view)
    page = opened.page
    before = opened.pixels(opened.colour("grade-3"))
    page.locator("#sun").click()
    found = page.evaluate(
        """() => ['.ledger', '.legend', '.card', '#table tbody td'].map((q) => document.querySelector(q))
          .map((e) => [getComputedStyle(e).color, getComputedStyle(document.body).backgroundColor])"""
    )
    assert {tuple(pair) for pair in found} == {("rgb(0, 0, 0)", "rgb(255, 255, 255)")}
    assert not page.locator("#relief").is_visible()
    # Bolder lines.
    assert opened.pixels(opened.colour("grade-3")) > 1.2 * before
    page.locator("#sun").click()
    expect(page.locator("#relief")).to_be_visible()


def test_the_view_is_saved_as_a_picture(show, view, tmp_path):
    opened = show(view)
    page = opened.page
    page.locator("#theme").select_option("left")
    with page.expect_download() as told:
        page.locator("#save-picture").click()
    assert told.value.suggested_filename == f"map-{view.day}-left.png"
    told.value.save_as(tmp_path / "map.png")
    picture = np.rint(imread(io.BytesIO((tmp_path / "map.png").read_bytes()), format="png") * 255)[..., :3]
    wide = page.evaluate("map_washgrade.getSize().x")
    assert picture.shape[1] == 2 * wide
    for name in theme("left").colours:
        tint = [int(COLOURS[name][n : n + 2], 16) for n in (1, 3, 5)]
        assert np.all(picture == tint, axis=2).sum() > 100
    assert opened.console == []


def test_without_script_there_is_a_picture(show, view):
    page = show(view, script=False).page
    picture = page.locator(".still svg").first
    assert picture.is_visible()
    relief = page.locator("#relief")
    assert relief.is_visible()
    assert picture.bounding_box() == pytest.approx(relief.bounding_box(), abs=1.5)
    # Half of the pixels over the rich washes have their colour.
    shot = np.rint(imread(io.BytesIO(page.locator(".still .drawn").screenshot()), format="png") * 255)[
        ..., :3
    ]
    for n in range(5):
        tint = [int(COLOURS[f"grade-{n}"][k : k + 2], 16) for k in (1, 3, 5)]
        assert np.all(shot == tint, axis=2).sum() > 30
    # Where the lines lie: the middle of the best reach, against the bounds of the relief.
    west, south, east, north = view.relief_bounds
    box = relief.bounding_box()
    best = int(np.argmin(view.rank))
    point = (int(view.line_start[best]) + int(view.line_start[best + 1])) // 2

    def mercator(lat):
        return np.arcsinh(np.tan(np.radians(lat)))

    x = (view.line_lon[point] - west) / (east - west) * box["width"]
    y = (
        (mercator(north) - mercator(view.line_lat[point]))
        / (mercator(north) - mercator(south))
        * box["height"]
    )
    badge = page.locator(".still circle").first.bounding_box()
    centre = (badge["x"] - box["x"] + badge["width"] / 2, badge["y"] - box["y"] + badge["height"] / 2)
    assert centre == pytest.approx((x, y), abs=1.5)


# What a machine can tell of accessibility; the keyboard has its own test.


@pytest.mark.parametrize("size", ["phone", "desk"])
@pytest.mark.parametrize("sun", [False, True])
def test_axe_finds_nothing_serious(show, view, size, sun):
    """axe-core (MPL-2.0, for tests only): rules of WCAG 2.0 to 2.2, levels A and AA, and good practice."""
    from axe_playwright_python.sync_playwright import Axe

    page = show(view, size).page
    page.locator("#table tbody button").first.click()
    if size == "phone":
        page.locator("#legend summary").click()
    for fold in page.locator("details.fold:not([open]) > summary").all():
        if fold.is_visible():
            fold.click()
    if sun:
        page.locator("#sun").click()
    page.locator("[data-kind=digs]").click()
    page.locator(".more-fields summary").click()
    page.locator(".entry button[type=submit]").click()
    page.locator(".summary").wait_for()
    found = Axe().run(page).response
    grave = [
        f"{one['id']} ({one['impact']}): {node['html'][:120]} {node['failureSummary'][:200]}"
        for one in found["violations"]
        if one["impact"] in {"serious", "critical"}
        for node in one["nodes"]
    ]
    assert grave == []
    assert len(found["passes"]) > 20


def test_axe_would_find_something(browser):
    from axe_playwright_python.sync_playwright import Axe

    page = browser.new_page()
    page.set_content("<html><body><input><img src='data:,'></body></html>")
    found = {one["id"] for one in Axe().run(page).response["violations"]}
    page.close()
    assert {"label", "image-alt"} <= found


def test_the_same_colours_stand_in_no_other_place(dendritic):
    for name in ("page.css", "paint.js", "theme.js", "legend.js", "sheet.js", "panel.js", "past.js"):
        text = page_asset(name)
        assert [colour for colour in COLOURS.values() if colour in text] == [], name
