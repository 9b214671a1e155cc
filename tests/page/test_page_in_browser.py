"""The page in a real browser: that it asks for nothing, shows what it should, and can be used by all."""

from __future__ import annotations

import http.server
import re
import threading
from dataclasses import replace

import numpy as np
import pytest
from playwright.sync_api import expect

from washgrade.page import build, payload
from washgrade.page.build import render_page
from washgrade.units import show_area, show_grade, show_length, show_mass

SIZES = ("desk", "phone")


@pytest.fixture(scope="module")
def view(dendritic):
    return dendritic.sample_view()


@pytest.fixture(scope="module")
def large(dendritic):
    return dendritic.large_view()


def reach_of_rank(view, rank):
    return int(np.flatnonzero(view.rank == rank)[0])


def as_number(text):
    return float(text.removesuffix(" %"))


def _first(part, count):
    return {
        name: getattr(part, name)[:count]
        for name in part.__slots__
        if isinstance(getattr(part, name), np.ndarray)
    }


def few(view, count, **changes):
    """The first reaches of a view, as a view of their own."""
    end = int(view.line_start[count])
    cut = {
        name: getattr(view, name)[:count]
        for name in view.__slots__
        if name not in {"line_lon", "line_lat", "line_start", "rank"}
        and isinstance(getattr(view, name), np.ndarray | tuple)
        and len(getattr(view, name)) == len(view.reach_id)
    }
    other, history = view.other, view.history
    return replace(
        view,
        **cut
        | {
            "other": other and replace(other, **_first(other, count) | {"rank": np.arange(1, count + 1)}),
            "history": history and replace(history, **_first(history, count)),
            "line_lon": view.line_lon[:end],
            "line_lat": view.line_lat[:end],
            "line_start": view.line_start[: count + 1],
            "rank": np.arange(1, count + 1),
        }
        | changes,
    )


# Nothing leaves the page.


@pytest.mark.parametrize("size", SIZES)
def test_it_asks_for_nothing_and_complains_of_nothing(show, view, size):
    opened = show(view, size, offline=False)
    page = opened.page
    page.locator("#table tbody button").first.click()
    page.locator("input[value=us] + span").click()
    page.locator("#find").fill("bend")
    page.mouse.move(400, 300)
    page.wait_for_timeout(600)
    assert [url for url in opened.requests if not url.startswith("data:")] == [page.url]
    assert opened.console == []


class _Host(http.server.BaseHTTPRequestHandler):
    """Serves the page, and an empty one without policy; counts whatever else is asked for."""

    pages: dict[str, bytes]
    hits: list[str]

    def do_GET(self):
        body = self.pages.get(self.path)
        if body is None:
            self.hits.append(self.path)
        self.send_response(404 if body is None else 200)
        self.send_header("Content-Type", "text/html")
        self.send_header("Content-Length", str(len(body or b"")))
        self.end_headers()
        self.wfile.write(body or b"")

    def log_message(self, *words):
        pass


TRIES = """() => Promise.allSettled([
  fetch('/fetched'),
  new Promise((done, fail) => {
    const image = new Image();
    image.onload = image.onerror = fail;
    image.src = '/image';
  }),
  new Promise((done, fail) => {
    const script = document.createElement('script');
    script.onload = script.onerror = fail;
    script.src = '/script';
    document.body.append(script);
  }),
])"""


def test_its_policy_forbids_every_request(show, view):
    pages = {"/page": render_page(view), "/bare": b"<!DOCTYPE html><title>bare</title>"}
    host = type("Host", (_Host,), {"pages": pages, "hits": []})
    # A thread for each connection: a browser opens some that it never uses.
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), host)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        opened = show(view, offline=False)
        page = opened.page
        page.goto(f"http://127.0.0.1:{server.server_port}/page")
        page.evaluate(
            "() => { window.broken = [];"
            " addEventListener('securitypolicyviolation', (e) => broken.push(e.effectiveDirective)); }"
        )
        page.evaluate(TRIES)
        opened.until(lambda: len(page.evaluate("broken")) >= 3)
        assert host.hits == []
        assert sorted(page.evaluate("broken")) == ["connect-src", "img-src", "script-src-elem"]
        # Script within the page that is not ours does not run either.
        page.evaluate(
            "() => { const s = document.createElement('script'); s.textContent = 'window.ran = 1';"
            " document.body.append(s); }"
        )
        assert page.evaluate("window.ran") is None
        # The same attempts from a page without policy do arrive, so the check above can fail.
        page.goto(f"http://127.0.0.1:{server.server_port}/bare")
        page.evaluate(TRIES)
        opened.until(lambda: {"/fetched", "/image", "/script"} <= set(host.hits))
    finally:
        server.shutdown()
        server.server_close()


EVIL = (
    "</script><script>alert(1)</script>",
    "<img src=x onerror=alert(2)>",
    "\"'><svg onload=alert(3)>",
    "{{ 7 * 7 }}${alert(4)}`",
    "\u2028alert(5)\u2029",
    "<!--<script>",
    "javascript:alert(6)",
)


@pytest.mark.parametrize("script", [True, False])
def test_text_never_becomes_markup(show, view, script):
    count = len(EVIL)
    first = view.samples[0]
    evil = few(
        view,
        count,
        title=EVIL[0],
        datum=EVIL[1],
        crs=EVIL[2],
        made_with=EVIL[3],
        reach_id=EVIL,
        notes=tuple((text, EVIL[0]) for text in EVIL),
        traps=tuple((text,) for text in EVIL),
        why=replace(
            view.why,
            parts=EVIL[:2],
            sample_ids=EVIL[2:4],
            **{n: getattr(view.why, n)[:count] for n in ("added", "place", "weight")},
        ),
        holes=(replace(view.holes[0], name=EVIL[0], told=((EVIL[1],), (EVIL[2],))),),
        next_spots=(replace(view.next_spots[0], reach=EVIL[0]),),
        walk=replace(
            view.walk,
            stops=tuple(replace(stop, reach=EVIL[n]) for n, stop in enumerate(view.walk.stops)),
            sentences=EVIL[:2],
        ),
        belief=replace(view.belief, sentences=EVIL[:2], numbers=(EVIL[:3],), effects=(EVIL[:2],)),
        marks=tuple(replace(mark, name=EVIL[n], why=EVIL[n]) for n, mark in enumerate(view.marks)),
        samples=tuple(replace(first, sample_id=t, day=t, place=t, note=t) for t in EVIL),
        access=tuple((lon, lat, EVIL[n]) for n, (lon, lat, _) in enumerate(view.access)),
        settings=tuple((text, text) for text in EVIL),
        cautions=EVIL,
    )
    opened = show(evil, script=script)
    page = opened.page
    if script:
        for n in range(count):
            page.locator("#table tbody tr button").nth(n).click()
            opened.until(lambda n=n: EVIL[n].strip("\u2028\u2029") in page.locator("#card").text_content())
        page.keyboard.press("Escape")
        page.locator("#samples summary").click()
        page.locator("#samples-body tbody button").first.click()
        assert EVIL[0] in page.locator(".leaflet-popup-content").text_content()
        page.locator("#about summary").click()
        assert page.title().startswith(EVIL[0])
        assert page.locator("body > script").count() == 2
    assert page.locator("h1").text_content() == EVIL[0]
    assert page.locator("[onerror], [onload], [src=x]").count() == 0
    assert opened.dialogs == []
    assert opened.console == []


# What it shows.


def test_it_says_what_it_is(show, view):
    page = show(view).page
    assert page.locator("html").get_attribute("lang") == "en"
    assert page.locator("h1").inner_text() == view.title
    assert "Invented place" in page.locator("header.masthead").inner_text()
    assert view.day in page.locator("header.masthead time").inner_text()
    about = page.locator("#about").text_content()
    for text in (view.crs, view.datum, view.made_with, "18 samples", "2025-09-03", "2025-11-20"):
        assert text in about
    cautions = page.locator("#cautions").text_content()
    for word in ("flood", "banks", "water", "dust", "Lifting", "pacemakers", "owner", "Claims", "cultural"):
        assert word in cautions
    legend = page.locator("#legend").inner_text()
    for text in (
        "under 2",
        "2 to 5",
        "5 to 10",
        "10 to 20",
        "over 20",
        "up to 3 times",
        "up to 8 times",
        "more",
    ):
        assert text in legend
    assert page.locator(".north").is_visible()


@pytest.mark.parametrize(
    ("grade", "colour"), [(0.019, 0), (0.02, 1), (0.0501, 2), (0.11, 3), (0.199, 3), (0.21, 4)]
)
def test_each_class_has_its_colour(show, view, grade, colour):
    one = few(
        view,
        5,
        grade_mean=np.full(5, grade),
        grade_p10=np.full(5, grade / 1.2),
        grade_p90=np.full(5, grade * 1.2),
        depleted=np.zeros(5, dtype=bool),
        closed=np.zeros(5, dtype=bool),
        samples=(),
    )
    opened = show(one)
    found = [opened.pixels(opened.colour(f"grade-{n}")) for n in range(5)]
    assert [n for n in range(5) if found[n] > 100] == [colour]


def test_doubt_opens_the_line(show, view):
    inked = []
    for times in (2.0, 5.0, 20.0):
        one = few(
            view,
            6,
            grade_mean=np.full(6, 0.15),
            grade_p10=np.full(6, 0.02),
            grade_p90=np.full(6, 0.02 * times),
            depleted=np.zeros(6, dtype=bool),
            closed=np.zeros(6, dtype=bool),
            samples=(),
        )
        opened = show(one)
        inked.append(opened.pixels(opened.colour("grade-3")))
    solid, dashed, dotted = inked
    assert solid > 1.3 * dashed > 1.3 * dotted > 0


def test_relief_lies_under_the_lines(show, view):
    page = show(view).page
    corners = page.evaluate(
        """([west, south, east, north]) => {
          const box = document.getElementById('relief').getBoundingClientRect();
          const map = map_washgrade.getContainer().getBoundingClientRect();
          const nw = map_washgrade.latLngToContainerPoint([north, west]);
          const se = map_washgrade.latLngToContainerPoint([south, east]);
          return [box.left - map.left - nw.x, box.top - map.top - nw.y,
            box.right - map.left - se.x, box.bottom - map.top - se.y];
        }""",
        list(view.relief_bounds),
    )
    assert np.abs(corners).max() <= 1.0
    assert page.locator("#relief").evaluate("(image) => image.complete && image.naturalWidth > 0")


def test_table_shows_the_ranking(show, view):
    opened = show(view)
    order = np.argsort(view.rank)
    assert opened.page.locator("#found").inner_text() == f"{len(order)} reaches"
    first = order[:30]
    names = [name.removeprefix("× ").replace("worked out", "").strip() for name in opened.cells(2)]
    assert names == [view.reach_id[n] for n in first]
    # Half a last digit, and the rounding of what the page stores.
    load = [float(text) for text in opened.cells(3)]
    assert load == pytest.approx(view.kg_per_load_mean[first], rel=0, abs=0.0051)
    grade = [float(text.removesuffix(" %")) for text in opened.cells(5)]
    assert grade == pytest.approx(100 * view.grade_mean[first], rel=0, abs=0.0505)


def test_units_switch_changes_table_card_and_scale(show, view):
    opened = show(view)
    page = opened.page
    best = reach_of_rank(view, 1)
    page.locator("#table tbody button").first.click()
    assert "m" in page.locator(".leaflet-control-scale-line").inner_text()
    page.locator("input[value=us] + span").click()
    assert page.locator("#table thead th").nth(2).inner_text() == "lb per load"
    pounds = view.kg_per_load_mean[best] / 0.45359237
    assert float(opened.cells(3)[0]) == pytest.approx(pounds, rel=0, abs=0.0055)
    assert page.locator(".leaflet-control-scale-line").inner_text().split()[1] in {"ft", "mi"}
    assert show_length(float(view.length_m[best]), "us") in page.locator("#card").inner_text()
    page.locator("input[value=metric] + span").click()
    assert show_length(float(view.length_m[best]), "metric") in page.locator("#card").inner_text()


@pytest.mark.parametrize("units", ["us", "metric"])
def test_its_numbers_read_like_the_command_lines(show, view, units):
    length = np.array([0.3, 0.9, 30.5, 49.9, 99.9, 101.0, 994.0, 999.0, 1609.3, 12345.0])
    area = np.array([1.0, 20.0, 4047.0, 9_600.0, 40_469.0, 1e5, 960_000.0, 2.59e6, 3e7, 1.25e9])
    grade = np.array([0.0, 0.00002, 0.0004, 0.00123, 0.0099, 0.05, 0.1234, 0.5, 0.9995, 1.0])
    stock = np.array([0.1, 0.4, 0.5, 0.9, 1.0, 3.3, 45.4, 99.9, 100.0, 4321.0])
    some = few(
        view, 10, units=units, length_m=length, upstream_area_m2=area, grade_mean=grade, stock_kg=stock
    )
    page = show(some).page
    for n in range(10):
        page.locator("#table tbody button").nth(n).click()
        text = page.locator("#card").inner_text()
        assert f"\n{show_length(length[n], units)} long" in text
        least = "at least " if some.least_area[n] else ""
        assert f"; {least}{show_area(area[n], units)} of ground" in text
        assert f"Grade\n{show_grade(grade[n], units)}" in text
        assert f"Still there\n{show_mass(stock[n], units)}" in text


# Using it.


def test_sorting_turns_the_order(show, view):
    opened = show(view)
    page = opened.page
    grade = page.locator("#table thead button", has_text="Grade")
    grade.click()
    assert page.locator("#table thead th[aria-sort]").count() == 1
    assert page.locator("#table thead th[aria-sort=descending]").inner_text().strip() == "Grade"
    assert opened.cells(5) == sorted(opened.cells(5), key=as_number, reverse=True)
    most = max(100 * view.grade_mean)
    assert as_number(opened.cells(5)[0]) == pytest.approx(most, rel=0, abs=0.0505)
    grade.click()
    assert page.locator("#table thead th[aria-sort=ascending]").inner_text().strip() == "Grade"
    assert opened.cells(5) == sorted(opened.cells(5), key=as_number)
    least = min(100 * view.grade_mean)
    assert as_number(opened.cells(5)[0]) == pytest.approx(least, rel=0, abs=0.0505)


def test_unknown_values_stay_last_either_way(show, view):
    loads = np.array([5.0, np.nan, 7.0, np.nan, 6.0])
    opened = show(few(view, 5, loads_left=loads))
    button = opened.page.locator("#table thead button", has_text="Loads")
    button.click()
    assert opened.cells(7) == ["7", "6", "5", "–", "–"]
    button.click()
    assert opened.cells(7) == ["5", "6", "7", "–", "–"]


def test_finding(show, view):
    opened = show(view)
    page = opened.page
    page.locator("#find").fill("SAMPLED confluence")
    wanted = [
        n
        for n in np.argsort(view.rank)
        if view.support[n] == "sampled" and "Just below a confluence." in view.notes[n]
    ]
    assert len(opened.cells(1)) == len(wanted) > 0
    assert opened.cells(1) == [str(view.rank[n]) for n in wanted]
    page.locator("#find").fill("no such thing")
    assert opened.cells(1) == []
    assert "Clear the box" in page.locator("#found").inner_text()
    page.locator("#find").fill("")
    page.locator("#hide-depleted").check()
    left = len(view.reach_id) - int(view.depleted.sum())
    assert page.locator("#found").inner_text() == f"{left} of {len(view.reach_id)} reaches"


def test_a_row_leads_to_the_map(show, view):
    opened = show(view)
    page = opened.page
    blue = opened.colour("chosen")
    page.locator("#legend [name=badges]").uncheck()
    assert opened.pixels(blue) == 0
    page.locator("#table tbody tr").nth(4).locator("td").nth(2).click()
    opened.rest()
    best = reach_of_rank(view, 5)
    opened.until(lambda: opened.pixels(blue) > 50)
    assert page.locator("#card h2").inner_text().startswith(f"Reach {view.reach_id[best]} 5th of")
    assert page.locator("#table tr[aria-current]").count() == 1
    inside = page.evaluate(
        "([lat, lon]) => map_washgrade.getBounds().contains([lat, lon])",
        [view.lat[best], view.lon[best]],
    )
    assert inside
    assert page.evaluate("map_washgrade.getZoom()") == pytest.approx(17, abs=1.5)


def test_the_map_leads_to_its_row(show, view):
    opened = show(view)
    page = opened.page
    page.locator("#legend [name=samples]").uncheck()
    # Far down the table, so that its row is not there yet.
    far = reach_of_rank(view, 150)
    opened.click_on_map(view.lat[far], view.lon[far])
    assert page.locator("#card h2").inner_text().startswith(f"Reach {view.reach_id[far]} 150th of")
    assert page.locator("#table tr[aria-current] td").first.inner_text() == "150"
    for text in view.notes[far]:
        assert text in page.locator("#card").inner_text()


def test_after_dragging_and_zooming_the_map_still_finds_reaches(show, view):
    opened = show(view)
    page = opened.page
    page.locator("#legend [name=samples]").uncheck()
    page.mouse.move(520, 560)
    page.mouse.down()
    page.mouse.move(560, 500, steps=5)
    page.mouse.up()
    opened.rest()
    page.locator(".leaflet-control-zoom-in").click()
    opened.rest()
    target = min(
        range(len(view.reach_id)),
        key=lambda n: np.hypot(
            *page.evaluate(
                "([lat, lon]) => { const p = map_washgrade.latLngToContainerPoint([lat, lon]);"
                " return [p.x - 450, p.y - 350]; }",
                [view.lat[n], view.lon[n]],
            )
        ),
    )
    opened.click_on_map(view.lat[target], view.lon[target])
    assert page.locator("#card h2").inner_text().startswith(f"Reach {view.reach_id[target]} ")


def test_the_list_of_samples_shows_layers_in_the_units_chosen(show, view):
    page = show(view).page
    page.locator("#samples summary").click()
    layers = page.locator("#samples-body tbody td:nth-child(3)")
    assert layers.first.inner_text() == "0 cm to 10 cm"
    page.locator("label", has_text="US").click()
    assert layers.first.inner_text() == "0 in to 3.9 in"


def test_a_reach_shows_the_ground_across_it(show, view):
    page = show(view).page
    reach = reach_of_rank(view, 1)
    page.locator("#table tbody tr button").first.click()
    card = page.locator("#card")
    words = card.inner_text()
    # The section drawn in the test's own view: 4 m up on the left, 2 m on the right, 20 m to each side.
    picture = card.locator("svg[aria-label^=Across]")
    told = picture.text_content()
    for text in ("left, +4 m", "right, +2 m", "20 m to the left", "20 m to the right"):
        assert text in told
    assert "rises 4 m within 20 m" in picture.get_attribute("aria-label")
    # Its line: 33 points, the left end higher than the right one, the bed lowest.
    line = [
        tuple(map(float, spot.split(",")))
        for spot in picture.locator("polyline").get_attribute("points").split()
    ]
    assert len(line) == 33
    assert line[0][1] < line[-1][1] < line[16][1]
    rise_px = (line[16][1] - line[0][1], line[16][1] - line[-1][1])
    assert rise_px[0] == pytest.approx(2 * rise_px[1], rel=0.01)
    assert ("measured on the DEM" in words) == bool(view.width_measured[reach])
    assert ("at least" in words) == bool(view.least_area[reach])
    assert ("Where heavy sand may lie" in words) == bool(view.traps[reach])
    page.locator("label:has(input[value=us])").click()
    assert "65.6 ft to the left" in picture.text_content()


def test_what_was_done_to_the_ground_is_listed_and_shown(show, view):
    opened = show(view)
    page = opened.page
    page.locator("#mends summary").click()
    rows = page.locator("#mends-body tbody tr")
    assert [rows.nth(n).locator("td").nth(0).inner_text() for n in range(2)] == ["C1", "H1"]
    assert rows.nth(0).inner_text().split("\t")[1:4] == ["cut open", "14 m", "2.5 m"]
    assert "the way out is too long" in rows.nth(1).inner_text()
    box = page.locator(".legend input[name=marks]")
    assert not box.is_checked()

    def blue():
        return page.evaluate(
            """() => { const c = document.querySelector('canvas.sheet');
            const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data; let n = 0;
            for (let i = 0; i < d.length; i += 4) {
              if (d[i] === 59 && d[i + 1] === 74 && d[i + 2] === 155) n += 1;
            }
            return n; }"""
        )

    assert blue() == 0
    rows.nth(0).locator("button").click()
    assert box.is_checked()
    opened.until(lambda: blue() > 20)


def test_reasons_layers_and_belief_are_shown(show, view):
    page = show(view).page
    page.locator("#table tbody tr button").first.click()
    words = page.locator("#card").inner_text()
    # A sample that the page holds has its distance; the earth is near enough a sphere of 6,371 km.
    reach, mark = reach_of_rank(view, 1), view.samples[0]
    north = np.radians(mark.lat - view.lat[reach])
    east = np.radians(mark.lon - view.lon[reach]) * np.cos(np.radians(mark.lat))
    away = show_length(6_371_000.0 * float(np.hypot(north, east)), "metric")
    assert f"Samples that weigh most: elsewher (62 %), sample-0 (5 %, {away} away)." in words
    # What adds less than three in a hundred is not said.
    assert "The ground adds or takes: slope break +10 %." in words
    page.keyboard.press("Escape")
    page.locator("#holes summary").click()
    hole = page.locator("#holes-body")
    assert "A buried streak 5 cm down." in hole.inner_text()
    bars = hole.locator("rect")
    wide = [float(bars.nth(n).get_attribute("width")) for n in range(2)]
    # Bars go by the square root of the grade.
    assert wide[1] / wide[0] == pytest.approx((0.3 / 0.02) ** 0.5, rel=0.01)
    page.locator("label:has(input[value=us])").click()
    assert "A buried streak 2 in down." in hole.inner_text()
    page.locator("#belief summary").click()
    belief = page.locator("#belief-body")
    for text in ("1 of 2 readings lies where it should.", "0.3 (0.2 to 0.4)", "1.1 (0.9 to 1.3)"):
        assert text in belief.inner_text()
    dots = belief.locator("circle")
    fills = [dots.nth(n).get_attribute("fill") for n in range(2)]
    assert fills[0] != fills[1]
    assert belief.locator("svg path").count() == 1
    page.locator("#next summary").click()
    assert "12 %" in page.locator("#next-body").inner_text()
    box = page.locator(".legend input[name=next]")
    assert not box.is_checked()
    page.locator("#next-body button").first.click()
    assert box.is_checked()


def test_a_walk_is_drawn_and_listed(show, view):
    opened = show(view)
    page = opened.page
    page.locator("#walk summary").click()
    rows = page.locator("#walk-body tbody tr")
    assert rows.count() == 2
    assert rows.nth(1).inner_text().split("\t")[:5] == [
        "2",
        f"{view.walk.stops[1].reach} (two samples)",
        "7 min",
        "30 min",
        "5 %",
    ]
    assert "A plan, no promise." in page.locator("#walk-body").inner_text()
    box = page.locator(".legend input[name=walk]")
    assert box.is_checked()

    def drawn():
        return page.evaluate(
            """() => { const c = document.querySelector('canvas.sheet');
            const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data; let n = 0;
            for (let i = 0; i < d.length; i += 4) {
              if (d[i] === 11 && d[i + 1] === 95 && d[i + 2] === 120) n += 1;
            }
            return n; }"""
        )

    assert drawn() > 200
    box.uncheck()
    opened.until(lambda: drawn() == 0)


def test_a_page_without_sections_or_marks_says_nothing_of_them(show, view):
    bare = replace(
        view,
        holes=(),
        next_spots=(),
        walk=None,
        why=None,
        belief=None,
        traps=(),
        width_measured=None,
        least_area=None,
        section_half_m=None,
        section_m=None,
        marks=(),
        history=None,
        day_plan=None,
    )
    opened = show(bare)
    opened.page.locator("#table tbody tr button").first.click()
    assert opened.page.locator("#card svg").count() == 1
    for part in ("mends", "holes", "next", "walk", "belief"):
        assert not opened.page.locator(f"#{part}").is_visible()
    assert opened.page.locator(".legend input[name=marks]").count() == 0
    assert opened.console == []


def test_a_sample_tells_its_story(show, view):
    opened = show(view)
    mark = view.samples[4]
    opened.click_on_map(mark.lat, mark.lon)
    text = opened.page.locator(".leaflet-popup-content").inner_text()
    assert text.split("\n") == [
        "Sample at flag 5",
        "Grade: trace",
        "Layer: 0 cm to 10 cm",
        "Taken on 2025-10-07",
    ]


def test_layers_can_be_hidden(show, view):
    opened = show(view)
    page = opened.page
    green = opened.colour("bound")
    assert opened.pixels(green) > 0
    page.locator("#legend [name=bounds]").uncheck()
    page.locator("#legend [name=access]").uncheck()
    page.locator("#legend [name=walk]").uncheck()
    page.locator("#legend [name=day]").uncheck()
    assert opened.pixels(green) == 0
    page.locator("#legend [name=reaches]").uncheck()
    page.locator("#legend [name=samples]").uncheck()
    page.locator("#legend [name=badges]").uncheck()
    assert opened.page.evaluate(
        "() => { const s = document.querySelector('canvas.sheet');"
        " return s.getContext('2d').getImageData(0, 0, s.width, s.height).data.every((v) => v === 0); }"
    )
    page.locator("#legend [name=relief]").uncheck()
    assert page.locator("#relief").evaluate("(image) => getComputedStyle(image).opacity") == "0"


def test_all_of_it_by_keyboard(show, view):
    opened = show(view)
    page = opened.page
    page.keyboard.press("Tab")
    assert page.locator(":focus").inner_text() == "Skip the map, go to the ranking"
    page.keyboard.press("Enter")
    expect(page.locator("#ranking")).to_be_focused()
    for _ in range(4):
        page.keyboard.press("Tab")
    assert page.locator(":focus").inner_text() == "Reach"
    assert page.locator(":focus").evaluate("(e) => getComputedStyle(e).outlineStyle") == "solid"
    page.keyboard.press("Enter")
    assert page.locator("#table th[aria-sort=ascending]").inner_text().strip() == "Reach"
    for _ in range(6):
        page.keyboard.press("Tab")
    name = page.locator(":focus").inner_text()
    page.keyboard.press("Enter")
    assert page.locator("#card h2").inner_text().startswith(f"Reach {name} ")
    page.keyboard.press("Escape")
    assert page.locator("#card").is_hidden()
    assert page.locator(":focus").inner_text() == name


# Sizes, paper, no script.


@pytest.mark.parametrize("units", ["us", "metric"])
def test_phone_has_no_sideways_scroll_and_room_for_fingers(show, view, units):
    # A name as long as the longest that a site's page has.
    long = (("Width of the bed where the DEM shows no banks", "by the ground that drains to it"),)
    opened = show(replace(view, units=units, settings=long), "phone")
    page = opened.page
    page.locator("#table tbody button").first.click()
    page.locator("#samples summary").click()
    page.locator("#mends summary").click()
    page.locator("#about summary").click()
    # Nowhere is a word cut into several lines.
    cut = page.evaluate(
        """() => [...document.querySelectorAll('.fold dd, .fold td, .fold table button')]
          .filter((e) => e.offsetParent && !e.querySelector('button'))
          .filter((e) => {
            const range = document.createRange();
            range.selectNodeContents(e);
            const lines = new Set([...range.getClientRects()].map(({top}) => Math.round(top))).size;
            return lines > e.textContent.trim().split(/[\\s;:()-]+/).length;
          }).map((e) => e.outerHTML)"""
    )
    assert cut == []
    assert page.evaluate(
        "() => [...document.querySelectorAll('#about dd')].every((e) => e.offsetWidth > 150)"
    )
    page.locator("#legend summary").click()
    assert page.evaluate(
        "() => [document.documentElement, document.querySelector('.ledger')]"
        ".every((e) => e.scrollWidth <= e.clientWidth)"
    )
    small = page.evaluate(
        """() => [...document.querySelectorAll('button, summary, label, input[type=search], .leaflet-bar a')]
          .filter((e) => e.offsetParent && !e.matches('label[for], .unseen'))
          .map((e) => [e.outerHTML.slice(0, 90), e.getBoundingClientRect()])
          .filter(([, box]) => box.height < 43.5 || box.width < 30)
          .map(([html, box]) => `${html} ${box.width} x ${box.height}`)"""
    )
    assert small == []


def test_a_finger_picks_a_reach(show, view):
    opened = show(view, "phone")
    page = opened.page
    best = reach_of_rank(view, 20)
    x, y = page.evaluate(
        "([lat, lon]) => { map_washgrade.setView([lat, lon], 18, {animate: false});"
        " const r = map_washgrade.getContainer().getBoundingClientRect();"
        " return [r.x + r.width / 2, r.y + r.height / 2]; }",
        [view.lat[best], view.lon[best]],
    )
    page.touchscreen.tap(x, y)
    expect(page.locator("#card h2")).to_contain_text(f"Reach {view.reach_id[best]} 20th of")
    assert page.locator(".leaflet-popup-content").count() == 0


def test_paper_carries_map_table_and_legend(show, view):
    opened = show(view)
    page = opened.page
    purple = opened.colour("grade-3")
    page.emulate_media(media="print")
    # What the page opens when it hears of the printing.
    expect(page.locator("#cautions")).to_have_attribute("open", "")
    opened.until(lambda: opened.pixels(purple) > 200)
    assert page.locator("#legend-body").is_visible()
    assert page.locator("#table tbody tr").count() == 30
    assert page.locator("#table tbody tr").first.is_visible()
    assert not page.locator("#find").is_visible()
    # The whole table is in the flow of the page, not behind a scroll bar.
    assert page.locator(".ledger").evaluate("(e) => e.scrollHeight <= e.clientHeight + 1")
    page.emulate_media(media="screen")
    expect(page.locator("#find")).to_be_visible()
    assert page.pdf(format="A4")[:5] == b"%PDF-"


def test_without_script_there_is_a_plain_table(show, view):
    page = show(view, script=False).page
    assert page.locator(".plain tbody tr").count() == 40
    best = reach_of_rank(view, 1)
    row = page.locator(".plain tbody tr").first
    assert row.locator("th").inner_text() == view.reach_id[best]
    assert show_mass(float(view.kg_per_load_mean[best]), "metric") in row.inner_text()
    assert page.locator(".plain table").is_visible()
    assert not page.locator("#table").is_visible()
    assert page.locator("#cautions").is_visible()


def test_little_is_enough(show, view):
    bare = few(
        view,
        1,
        samples=(),
        relief_png=b"",
        property_rings=(),
        no_go_rings=(),
        access=(),
        stock_kg=np.array([np.nan]),
        loads_left=np.array([np.nan]),
        width_m=np.array([np.nan]),
        notes=((),),
    )
    opened = show(bare)
    page = opened.page
    page.locator("#table tbody button").click()
    page.locator("#samples summary").click()
    assert "No sample yet" in page.locator("#samples-body").inner_text()
    assert "NaN" not in page.locator("body").inner_text()
    assert opened.console == []


def test_five_thousand_reaches_are_drawn_sorted_and_searched(show, large):
    assert len(large.reach_id) >= 5000
    opened = show(large)
    page = opened.page
    page.locator("#table tbody tr").first.wait_for()
    assert page.evaluate("performance.getEntriesByName('washgrade-first-draw').length") == 1
    page.locator("#table thead button", has_text="Grade").click()
    page.locator("#find").fill("a1")
    wanted = sum("a1" in name.lower() for name in large.reach_id)
    expect(page.locator("#found")).to_contain_text(f"of {len(large.reach_id):,} reaches")
    told = int(page.locator("#found").inner_text().split()[0].replace(",", ""))
    # A name is found, and so may be a word of a note.
    assert wanted <= told < len(large.reach_id)
    assert opened.console == []


def test_a_large_page_is_packed_once_more_and_reads_the_same(show, view, monkeypatch):
    def told(opened):
        page = opened.page
        page.locator("#table tbody tr").first.wait_for()
        page.locator("#table tbody button").first.click()
        return opened.cells(2), opened.cells(3), page.locator("#card").inner_text()

    plain = told(show(view))
    monkeypatch.setattr(build, "MOST_PLAIN", 1000)
    opened = show(view)
    assert opened.page.locator("#payload").get_attribute("type") == "application/zlib"
    assert told(opened) == plain
    assert opened.console == []
    # A browser that cannot unpack says so.
    opened.page.add_init_script("delete window.DecompressionStream")
    opened.page.reload()
    opened.page.locator("text=too large for this browser").wait_for()
    assert opened.console == []


def test_a_large_page_tells_its_numbers_as_finely_as_it_shows_them(show, view, monkeypatch):
    monkeypatch.setattr(payload, "MOST_FINE", 10)
    opened = show(view)
    first = np.argsort(view.rank)[:30]
    # Half a last digit, and half a step of what such a page stores.
    load = [float(text) for text in opened.cells(3)]
    assert load == pytest.approx(view.kg_per_load_mean[first], rel=0, abs=0.0056)
    grade = [as_number(text) for text in opened.cells(5)]
    assert grade == pytest.approx(100 * view.grade_mean[first], rel=0, abs=0.0551)
    opened.page.locator("#table tbody button").first.click()
    words = opened.page.locator("#card").inner_text()
    told = re.search(r"Middle: ([\d.-]+), ([\d.-]+)", words)
    middle = [view.lat[first[0]], view.lon[first[0]]]
    assert [float(text) for text in told.groups()] == pytest.approx(middle, abs=1e-5)
    assert "undefined" not in words
    assert "NaN" not in words
    assert opened.console == []


def test_paper_gets_the_relief_too(show, view):
    """Chromium prints the sheet as opaque: the relief must be painted into it, and leave it afterwards."""
    opened = show(view)
    page = opened.page
    covered = """() => {
        const sheet = document.querySelector('canvas.sheet');
        const dots = sheet.getContext('2d').getImageData(0, 0, sheet.width, sheet.height).data;
        let full = 0;
        for (let n = 3; n < dots.length; n += 4) full += dots[n] > 0;
        return full / (dots.length / 4);
    }"""
    on_screen = page.evaluate(covered)
    assert on_screen > 0
    page.emulate_media(media="print")
    opened.until(lambda: page.evaluate(covered) > 2 * on_screen)
    page.emulate_media(media="screen")
    opened.until(lambda: page.evaluate(covered) == pytest.approx(on_screen, rel=0.2))
