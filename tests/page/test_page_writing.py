"""Writing on the phone: in a real browser from a file, kept through a restart, brought home and taken in."""

from __future__ import annotations

import csv
import io
import json
import math
import random
import re
import shutil
import uuid
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from click.testing import CliRunner
from dems import write_dem
from playwright.sync_api import expect
from pyproj import Geod

from washgrade import survey
from washgrade.cli import main
from washgrade.errors import FileFaults
from washgrade.files.columns import KINDS
from washgrade.files.judging import Frame
from washgrade.files.records import make_record, read_record_file
from washgrade.files.sample import PUREST_KG_PER_LITRE
from washgrade.page.build import page_asset, render_page
from washgrade.page.entry import LAYOUT, LEFT_OUT, entry_forms

LATER = date(9000, 1, 1)
PHONE = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}


@pytest.fixture(scope="module")
def view(dendritic):
    return dendritic.sample_view()


class Phone:
    """A phone that can be switched off: the browser's folder outlives the browser."""

    def __init__(self, browser, folder, path):
        self.kind, self.folder, self.path = browser.browser_type, folder, path
        self.console, self.requests = [], []
        self.context = None

    def start(self, *, at=None, accuracy_m=6.0, allowed=True, size=PHONE, zone="Europe/Madrid"):
        if self.context:
            self.context.close()
        more = {}
        if at is not None:
            more["geolocation"] = {"latitude": at[0], "longitude": at[1], "accuracy": accuracy_m}
        self.context = self.kind.launch_persistent_context(
            self.folder,
            executable_path=shutil.which("chromium"),
            args=["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"],
            offline=True,
            accept_downloads=True,
            permissions=["geolocation"] if allowed and at is not None else [],
            timezone_id=zone,
            **size,
            **more,
        )
        page = self.context.new_page()
        page.set_default_timeout(60000)
        page.on("console", lambda message: self.console.append(message.text))
        page.on("pageerror", lambda error: self.console.append(str(error)))
        page.on("request", lambda request: self.requests.append(request.url))
        page.goto(self.path.as_uri())
        return page


@pytest.fixture
def phone(browser, tmp_path):
    started = []

    def make(view, name="page.html"):
        path = tmp_path / name
        path.write_bytes(render_page(view))
        started.append(Phone(browser, tmp_path / "profile", path))
        return started[-1]

    yield make
    for one in started:
        if one.context:
            one.context.close()


def fill(page, **texts):
    for name, text in texts.items():
        page.locator(f"#entry-{name}").fill(text)


def place_typed(page, lat, lon, title="Place"):
    page.locator(f"fieldset:has(legend:text-is('{title}')) [data-way=typed]").click()
    box = page.locator(f"[id='{title}-typed']")
    box.fill(f"{lat:.6f}, {lon:.6f}")
    box.press("Tab")


def keep(page):
    page.locator(".entry button[type=submit]").click()


def saved(page, form, tmp_path):
    section = page.locator("#entries details")
    if not section.evaluate("(e) => e.open"):
        page.locator("#kept").click()
    with page.expect_download() as told:
        page.locator(f"#save-{form}").click()
    path = tmp_path / told.value.suggested_filename
    told.value.save_as(path)
    return path


def draft(page):
    """What the browser holds of a form that is not finished, or None."""
    return page.evaluate(
        """() => new Promise((done) => {
          const asked = indexedDB.open('washgrade-entries', 1);
          asked.onsuccess = () => {
            const found = asked.result.transaction('drafts').objectStore('drafts').get('draft');
            found.onsuccess = () => { asked.result.close(); done(found.result?.raw?.fields ?? null); };
          };
        })"""
    )


def draft_becomes(page, wanted):
    for _ in range(600):
        if draft(page) == wanted:
            return
        page.wait_for_timeout(100)
    assert draft(page) == wanted


# One table for the fields.


@pytest.mark.parametrize("kind", KINDS)
def test_every_column_that_says_something_has_its_field(kind):
    columns = [column.name for column in KINDS[kind].columns if column.content]
    lines = [line.column for line in LAYOUT[kind]]
    assert len(lines) == len(set(lines))
    # What stands for the record as a whole is asked in every form.
    asked = set(lines) | {"id", *LEFT_OUT}
    assert [name for name in columns if name not in asked] == []
    assert [name for name in lines if name not in columns] == []
    assert set(lines) & set(LEFT_OUT) == set()


def test_limits_units_and_choices_are_those_of_the_dictionary():
    for form in entry_forms(KINDS):
        columns = {column.name: column for column in KINDS[form.kind].columns}
        for field in form.fields:
            column = columns[field.name]
            assert (field.at_least, field.at_most, field.above) == (
                column.at_least,
                column.at_most,
                column.above,
            )
            assert field.choices == column.choices
            for unit in field.units:
                assert column.names[unit.column] == unit.factor
            if field.units:
                assert {field.us, field.metric} <= {unit.column for unit in field.units}


GRID = (558_000.0, 4_100_000.0)
CHOICES = {
    "magnetic_mass_kg": (0.0, 0.05, 0.5, 2.0),
    "dry_mass_kg": (0.5, 0.9, 1.0, 2.0),
    "wet_mass_kg": (0.5, 1.0, 2.0),
    "moisture": (0.0, 0.1, 0.5, 1.0),
    "volume_litres": (0.01, 0.5, 1.0),
    "grade": (0.0, 0.05, 0.1, 0.5, 1.0),
    "below": (0.0, 0.02, 1.0),
    "depth_top_m": (0.0, 0.1, 0.2),
    "depth_bottom_m": (0.0, 0.1, 0.2),
    "trace": ("yes",),
    "no_flow": ("yes",),
    "seen": ("fresh streak", "buried", "bare", "unchanged"),
    "depth_m": (0.1,),
    "loads": (12.0,),
    "buckets": (3.0,),
    "bucket_litres": (19.0,),
    "bite_m": (0.1,),
    "product_mass_kg": (0.0, 2.0),
    "purity": (0.8,),
    "rain_mm": (0.0, 12.0),
    "duration_h": (1.0,),
    "mark_depth_m": (0.4,),
    "mark_width_m": (3.0,),
}


def some_values(kind, chance):
    """Values of a record as a form may bring them: each within its own limits, and no more than that."""
    values = {
        line.column: chance.choice(CHOICES[line.column])
        for line in LAYOUT[kind]
        if line.column in CHOICES and chance.random() < 0.3
    }
    place = chance.random()
    if place < 0.7:
        values |= {"lon": -2.34, "lat": 37.05}
    elif place < 0.85 and kind != "samples":
        values["reach"] = "A1"
    if kind == "digs" and chance.random() < 0.2:
        values |= {"end_lon": -2.341, "end_lat": 37.05}
    return values


@pytest.mark.parametrize("kind", KINDS)
def test_the_form_takes_what_the_notebook_takes_and_nothing_else(browser, kind):
    """Thousands of records made at random: the page's rules against those that judge a file."""
    chance = random.Random(20260214)  # noqa: S311 - a fixed series, no secret
    cases = [some_values(kind, chance) for _ in range(3000)]
    frame = Frame(crs="EPSG:25830", today=date(2026, 2, 14), reach_middle=lambda _: GRID)

    def taken(values):
        try:
            make_record(kind, {"time": "2026-02-01", **values}, frame)
        except FileFaults:
            return False
        return True

    wanted = [taken(values) for values in cases]
    page = browser.new_page()
    page.add_script_tag(content=page_asset("rules.js"))
    told = page.evaluate(
        "([kind, cases, purest]) => cases.map((values) => "
        "judge(kind, values, {purest_kg_m3: purest}).map(({text}) => text))",
        [
            kind,
            [{k: True if v == "yes" else v for k, v in case.items()} for case in cases],
            1000.0 * PUREST_KG_PER_LITRE,
        ],
    )
    page.close()
    apart = [
        (case, good, words)
        for case, good, words in zip(cases, wanted, told, strict=True)
        if good == bool(words)
    ]
    assert apart == []
    # Both sorts occur, or the check says little.
    assert 0.05 < np.mean(wanted) < 0.95


# Kept, changed, undone.


@pytest.mark.parametrize("size", ["phone", "desk"])
def test_a_sample_survives_the_restart_and_goes_home(phone, view, tmp_path, size):
    far = {"viewport": {"width": 1280, "height": 800}} if size == "desk" else PHONE
    one = phone(view)
    mark = view.samples[0]
    page = one.start(at=(mark.lat, mark.lon), size=far)
    page.locator("#kept:text-is('0 to export')").wait_for()
    page.locator("[data-kind=samples]").click()
    page.locator("text=Best of").wait_for()
    fill(
        page,
        magnetic_mass_kg="2.5",
        dry_mass_kg="1.9",
        depth_bottom_m="4",
        place="bar below the fork",
        note='dark; "fine", 3 pans\nwet',
    )
    for name, unit in (("magnetic_mass_kg", "oz"), ("dry_mass_kg", "lb"), ("depth_bottom_m", "in")):
        page.locator(f"[data-name={name}] select").select_option(label=unit)
    keep(page)
    page.locator("#kept:text-is('1 to export')").wait_for()
    page = one.start(size=far)
    page.locator("#kept:text-is('1 to export')").wait_for()
    page.locator("#kept").click()
    row = page.locator("#entries-body li")
    assert "Magnetics: 2.5 oz; Dry mass: 1.9 lb; Bottom of the layer: 4 in" in row.inner_text()
    records = {}
    for form in ("geojson", "csv"):
        path = saved(page, form, tmp_path)
        found, faults = read_record_file(path, Frame(crs="EPSG:25830", today=LATER))
        assert faults == []
        records[form] = found[0]
        page.locator("#undo button", has_text="It is not there").click()
        page.locator("#kept:text-is('1 to export')").wait_for()
    sample = records["csv"]
    assert sample.content == records["geojson"].content
    assert uuid.UUID(sample.id).version == 4
    # An ounce is a sixteenth of a pound of 0.45359237 kg (1959 agreement); an inch 2.54 cm.
    assert sample.magnetic_mass_kg == pytest.approx(2.5 * 0.45359237 / 16, rel=1e-12)
    assert sample.dry_mass_kg == pytest.approx(1.9 * 0.45359237, rel=1e-12)
    assert sample.depth_bottom_m == pytest.approx(0.1016, rel=1e-12)
    assert (sample.lat, sample.lon) == pytest.approx((mark.lat, mark.lon), abs=1e-7)
    assert (sample.accuracy_m, sample.place) == (6.0, "bar below the fork")
    assert sample.note == 'dark; "fine", 3 pans wet'
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:00\+0[12]:00", sample.time)
    assert one.console == []
    assert {url.split(":")[0] for url in one.requests} <= {"file", "data", "blob"}


def test_what_was_brought_home_needs_no_second_trip(phone, view, tmp_path):
    one = phone(view)
    page = one.start()
    page.locator("[data-kind=looks]").click()
    place_typed(page, view.lat[3], view.lon[3])
    page.locator("#entry-seen").select_option("bare")
    keep(page)
    page.locator("#kept:text-is('1 to export')").wait_for()
    path = saved(page, "csv", tmp_path)
    page.locator("#kept:text-is('0 to export')").wait_for()
    known = next(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))["id"]
    assert "exported" in page.locator("#entries-body li").inner_text()
    assert page.locator("#entries-body button", has_text="Change").count() == 0
    # The next page that is written knows it.
    later = phone(replace(view, entering=replace(view.entering, known_ids=(known,))))
    one.context.close()
    one.context = None
    page = later.start()
    page.locator("#kept").click()
    assert "in the notebook" in page.locator("#entries-body li").inner_text()
    page.locator("#entries-clear").click()
    page.locator("#entries-body li").wait_for(state="detached")
    page.locator("#undo button", has_text="Undo").click()
    page.locator("#entries-body li").wait_for()


def test_changing_deleting_and_undoing(phone, view):
    page = phone(view).start()
    page.locator("[data-kind=digs]").click()
    page.locator("[data-way=reach]").first.click()
    page.locator("#Place-reach").fill(view.reach_id[5].lower())
    fill(page, loads="40", bite_m="10")
    keep(page)
    row = page.locator("#entries-body li")
    page.locator("#kept").click()
    assert f"reach {view.reach_id[5]}; Shovel loads: 40; Depth dug: 10 cm" in row.inner_text()
    first = row.get_attribute("data-id")
    row.locator("button", has_text="Change").click()
    assert page.locator("#entry-loads").input_value() == "40"
    fill(page, loads="44")
    keep(page)
    page.locator("#entries-body li:has-text('Shovel loads: 44')").wait_for()
    assert row.get_attribute("data-id") == first
    page.locator("#undo button", has_text="Undo").click()
    page.locator("#entries-body li:has-text('Shovel loads: 40')").wait_for()
    row.locator("button", has_text="Delete").click()
    row.wait_for(state="detached")
    page.locator("#undo button", has_text="Undo").click()
    page.locator("#entries-body li:has-text('Shovel loads: 40')").wait_for()
    assert row.get_attribute("data-id") == first


def test_what_is_half_written_comes_back(phone, view):
    one = phone(view)
    page = one.start()
    page.locator("[data-kind=storms]").click()
    fill(page, rain_mm="31", note="from the neighbour")
    # It is on the disk some moments after it was typed.
    note = {"text": "from the neighbour", "unit": None}
    draft_becomes(page, {"rain_mm": {"text": "31", "unit": "rain_mm"}, "note": note})
    page = one.start()
    page.locator("form.entry").wait_for()
    assert page.locator("#entry-rain_mm").input_value() == "31"
    assert page.locator("#entry-note").input_value() == "from the neighbour"
    keep(page)
    page.locator("#kept:text-is('1 to export')").wait_for()
    draft_becomes(page, None)
    page = one.start()
    page.locator("#kept:text-is('1 to export')").wait_for()
    assert not page.locator("form.entry").is_visible()


def test_without_a_store_the_page_says_that_nothing_is_kept(show, view):
    opened = show(view, "phone")
    page = opened.page
    page.add_init_script("IDBFactory.prototype.open = () => { throw new DOMException('no'); };")
    page.reload()
    page.locator("#kept:text-is('0, not kept!')").wait_for()
    page.locator("[data-kind=looks]").click()
    place_typed(page, view.lat[3], view.lon[3])
    page.locator("#entry-seen").select_option("unchanged")
    keep(page)
    page.locator("#kept:text-is('1, not kept!')").wait_for()
    page.locator("#kept").click()
    assert "export before you close" in page.locator("#entries-note").inner_text()
    assert opened.console == []


# Where one stands.


def test_the_best_of_several_fixes_is_taken(phone, view):
    one = phone(view)
    mark = view.samples[2]
    page = one.start(at=(mark.lat + 0.001, mark.lon), accuracy_m=48.0)
    page.locator("[data-kind=looks]").click()
    page.locator("text=Best of 1 fix").wait_for()
    for count, (lat, accuracy_m) in enumerate(((mark.lat, 7.0), (mark.lat + 0.002, 30.0)), start=2):
        one.context.set_geolocation({"latitude": lat, "longitude": mark.lon, "accuracy": accuracy_m})
        expect(page.locator(".where")).to_contain_text(re.compile(f"Best of [{count}-9] fixes"))
    told = page.locator(".where .told").inner_text()
    assert told == f"{mark.lat:.6f}, {mark.lon:.6f} ± 7 m"


def test_moving_to_the_wash_is_offered_and_can_be_put_back(phone, view):
    page = phone(view).start()
    page.locator("[data-kind=samples]").click()
    lat, lon = float(view.lat[40]) + 0.00012, float(view.lon[40]) + 0.00003
    place_typed(page, lat, lon)
    # By brute force on the ellipsoid, every line cut into steps of a tenth of its pieces.
    geod = Geod(ellps="WGS84")
    part = np.linspace(0, 1, 11)
    best = (math.inf, "")
    for reach, name in enumerate(view.reach_id):
        at = slice(view.line_start[reach], view.line_start[reach + 1])
        lons, lats = view.line_lon[at], view.line_lat[at]
        lons = np.concatenate([lons[:-1, None] + part * np.diff(lons)[:, None]]).ravel()
        lats = np.concatenate([lats[:-1, None] + part * np.diff(lats)[:, None]]).ravel()
        _, _, away_m = geod.inv(np.full_like(lons, lon), np.full_like(lats, lat), lons, lats)
        best = min(best, (float(away_m.min()), name))
    button = page.locator(".move")
    words = re.fullmatch(r"Move ([\d.]+) m to reach (\w+)", button.inner_text())
    assert words.group(2) == best[1]
    assert float(words.group(1)) == pytest.approx(best[0], abs=0.4)
    before = page.locator(".where .told").first.inner_text()
    button.click()
    moved = page.locator(".where .told").first.inner_text()
    assert moved != before
    found = [float(text) for text in moved.split(", ")]
    _, _, away_m = geod.inv(lon, lat, found[1], found[0])
    assert away_m == pytest.approx(best[0], abs=0.4)
    page.locator("button", has_text="Put it back").click()
    assert page.locator(".where .told").first.inner_text() == before


def test_far_from_any_wash_is_said(phone, view):
    page = phone(view).start()
    page.locator("[data-kind=samples]").click()
    place_typed(page, 38.0, -2.34)
    expect(page.locator(".offer").first).to_contain_text("beyond 30 m the estimate does not count it")
    fill(page, magnetic_mass_kg="20", dry_mass_kg="1")
    keep(page)
    expect(page.locator(".where > .fault").first).to_contain_text("off the map")


def test_a_refused_position_leaves_the_cross_and_typing(phone, view):
    one = phone(view)
    page = one.start(allowed=False)
    page.evaluate(
        "() => { navigator.geolocation.watchPosition = (ok, fail) => { fail({code: 1}); return 1; }; }"
    )
    page.locator("[data-kind=looks]").click()
    page.locator("[data-way=here]").click()
    assert "refused" in page.locator(".refused").inner_text()
    page.locator("[data-way=cross]").click()
    expect(page.locator("#cross")).to_be_visible()
    lat, lon = view.lat[10], view.lon[10]
    page.evaluate("([lat, lon]) => map_washgrade.setView([lat, lon], 17, {animate: false})", [lat, lon])
    # A map pixel at zoom 17 is about a metre.
    told = [float(text) for text in page.locator(".where .told").inner_text().split(", ")]
    assert told == pytest.approx([lat, lon], abs=2e-5)
    page.locator("button", has_text="Take this place").click()
    assert not page.locator("#cross").is_visible()
    page.evaluate("() => map_washgrade.panBy([200, 0], {animate: false})")
    assert [float(t) for t in page.locator(".where .told").inner_text().split(", ")] == told


@pytest.mark.parametrize(
    ("text", "lat", "lon"),
    [
        ("36.32577, -3.00805", 36.32577, -3.00805),
        ("36.32577 -3.00805", 36.32577, -3.00805),
        ("36° 19.5462' N, 3° 0.483' W", 36.32577, -3.00805),
        ("N 36 19 32.772 W 3 0 28.98", 36.32577, -3.00805),
        ("3.00805 W, 36.32577 N", 36.32577, -3.00805),
        ("-33.5; 70.25", -33.5, 70.25),
        ("36.32577", None, None),
        ("somewhere", None, None),
        ("95, 3", None, None),
        ("36 75 0 N, 3 0 0 W", None, None),
    ],
)
def test_coordinates_are_read_as_people_write_them(browser, text, lat, lon):
    page = browser.new_page()
    page.add_script_tag(content=page_asset("place.js"))
    found = page.evaluate("(text) => read_coordinates(text)", text)
    page.close()
    assert found == (
        None if lat is None else {"lat": pytest.approx(lat, abs=1e-9), "lon": pytest.approx(lon, abs=1e-9)}
    )


def test_distance_and_bearing_are_those_of_the_ellipsoid(browser):
    page = browser.new_page()
    page.add_script_tag(content=page_asset("place.js"))
    chance = random.Random(5)  # noqa: S311 - a fixed series, no secret
    for _ in range(30):
        lat, lon = chance.uniform(-60, 60), chance.uniform(-170, 170)
        to_lat, to_lon = lat + chance.uniform(-0.05, 0.05), lon + chance.uniform(-0.05, 0.05)
        found = page.evaluate("([a, b]) => way_to(a, b)", [[lat, lon], [to_lat, to_lon]])
        # The geodesic on the ellipsoid, by PROJ (Karney 2013); a sphere is off by up to 0.56 %.
        bearing, _, far_m = Geod(ellps="WGS84").inv(lon, lat, to_lon, to_lat)
        assert found["far_m"] == pytest.approx(far_m, rel=0.006)
        assert abs((found["bearing_deg"] - bearing + 180) % 360 - 180) < 0.4
    page.close()


# Faults beside their fields.


def test_faults_stand_beside_their_fields_in_the_units_chosen(phone, view):
    page = phone(view).start()
    page.locator("[data-kind=samples]").click()
    fill(page, magnetic_mass_kg="1,5", dry_mass_kg="-2", day="2999-01-01")
    page.locator("[data-name=dry_mass_kg] select").select_option(label="lb")
    keep(page)

    def beside(name):
        return page.locator(f"#entry-{name}-fault").inner_text()

    page.locator(".summary").wait_for()
    assert beside("magnetic_mass_kg") == "Write 1.5: with a point, not a comma."
    # 1000 kg, the dictionary's limit, in pounds of 0.45359237 kg.
    assert beside("dry_mass_kg") == "This must be above 0 lb and 2,204.6226 lb at most."
    assert beside("day") == "This day is still to come."
    assert "needs its place" in page.locator(".where > .fault").first.inner_text()
    assert page.locator("#entry-dry_mass_kg").get_attribute("aria-invalid") == "true"
    assert "entry-dry_mass_kg-fault" in page.locator("#entry-dry_mass_kg").get_attribute("aria-describedby")
    assert page.locator(".summary").inner_text() == "Not kept yet: 4 things to mend."
    assert page.locator("#kept").inner_text() == "0 to export"
    fill(page, magnetic_mass_kg="15", dry_mass_kg="2.5", day="2026-02-01")
    place_typed(page, view.lat[0], view.lon[0])
    keep(page)
    page.locator("#kept:text-is('1 to export')").wait_for()


EVIL = (
    "</script><script>alert(1)</script>",
    "<img src=x onerror=alert(2)>",
    "\"'><svg onload=alert(3)>",
    '=HYPERLINK("x"), "two"',
    "javascript:alert(6)",
    "a\u2028b; c\td",
)


def test_what_is_written_never_becomes_markup_and_goes_home_as_it_was(phone, view, tmp_path):
    one = phone(view)
    page = one.start()
    dialogs = []
    page.on("dialog", lambda dialog: (dialogs.append(dialog.message), dialog.dismiss()))
    for n, text in enumerate(EVIL):
        page.locator("[data-kind=looks]").click()
        place_typed(page, view.lat[n], view.lon[n])
        page.locator("#entry-seen").select_option("bare")
        fill(page, place=text, note=text[::-1])
        keep(page)
        page.locator(f"#kept:text-is('{n + 1} to export')").wait_for()
    page.locator("#kept").click()
    assert page.locator("[onerror], [onload], [src=x]").count() == 0
    assert page.locator("body > script").count() == 2
    for form in ("geojson", "csv"):
        records, faults = read_record_file(saved(page, form, tmp_path), Frame(crs="EPSG:25830", today=LATER))
        assert faults == []
        # Runs of blanks and ends of lines are one blank, on the page as in the notebook.
        wanted = {(" ".join(text.split()), " ".join(text[::-1].split())) for text in EVIL}
        assert {(record.place, record.note) for record in records} == wanted
        page.locator("#undo button", has_text="It is not there").click()
        page.locator(f"#kept:text-is('{len(EVIL)} to export')").wait_for()
    assert dialogs == []
    assert one.console == []


# Home.


@pytest.fixture(scope="module")
def ground(tmp_path_factory):
    """A valley that falls to the south, with its washes found."""
    folder = tmp_path_factory.mktemp("ground")
    row, col = np.mgrid[0:120, 0:90]
    heights = 300.0 - 0.2 * row + 0.4 * np.abs(col - 45) + 0.6 * np.sin(col / 7.0 + row / 11.0)
    write_dem(folder / "dem.tif", heights, west_m=499_000, north_m=4_020_000)
    survey.build_ground(folder / "site", [folder / "dem.tif"], units="us")
    return folder / "site"


def test_from_the_ground_to_the_phone_and_back_into_the_notebook(phone, ground, tmp_path):
    site = shutil.copytree(ground, tmp_path / "site")
    found = survey.page_view(survey.rank(survey.estimate(site)))
    one = phone(found)
    # In the zone of this machine: a day that begins earlier on the phone is still to come at home.
    page = one.start(at=(float(found.lat[0]), float(found.lon[0])), accuracy_m=5.0, zone=None)
    page.locator("[data-kind=samples]").click()
    page.locator("text=Best of").wait_for()
    # The site is in US units, and so the form begins.
    fill(page, magnetic_mass_kg="2.5", dry_mass_kg="1.9")
    keep(page)
    page.locator("#kept:text-is('1 to export')").wait_for()
    page.locator("[data-kind=digs]").click()
    place_typed(page, found.lat[1], found.lon[1])
    fill(page, buckets="3", bite_m="4")
    page.locator(".more-fields summary").click()
    place_typed(page, found.lat[2], found.lon[2], title="Other end of a stretch")
    keep(page)
    page.locator("#kept:text-is('2 to export')").wait_for()
    page.locator("[data-kind=storms]").click()
    fill(page, rain_mm="1.2", duration_h="40")
    page.locator("[data-name=duration_h] select").select_option(label="min")
    keep(page)
    page.locator("#kept:text-is('3 to export')").wait_for()
    page.locator("[data-kind=looks]").click()
    page.locator("[data-way=reach]").first.click()
    page.locator("#Place-reach").fill(found.reach_id[0])
    page.locator("#entry-seen").select_option("buried")
    fill(page, depth_m="3")
    keep(page)
    page.locator("#kept:text-is('4 to export')").wait_for()
    path = saved(page, "geojson", tmp_path)

    def add(file):
        return CliRunner().invoke(main, ["add", str(site), str(file), "--json"])

    first = json.loads(add(path).stdout)[0]
    assert (first["added"], first["faults"]) == (4, [])
    again = json.loads(add(path).stdout)[0]
    assert (again["added"], again["already"]) == (0, 4)
    kinds = {record.kind: record for record in survey.notebook(site)}
    assert kinds["samples"].accuracy_m == 5.0
    assert kinds["digs"].end_lat == pytest.approx(found.lat[2], abs=1e-6)
    assert kinds["storms"].rain_mm == pytest.approx(30.48)
    assert kinds["storms"].duration_h == pytest.approx(2 / 3)
    assert (kinds["looks"].reach, kinds["looks"].depth_m) == (found.reach_id[0], pytest.approx(0.0762))
    # The same id with something else is listed and never overwritten.
    changed = json.loads(path.read_text(encoding="utf-8"))
    feature = next(one for one in changed["features"] if one["properties"]["kind"] == "sample")
    feature["properties"]["magnetic_mass_oz"] = 9.0
    other = tmp_path / "changed.geojson"
    other.write_text(json.dumps(changed), encoding="utf-8")
    done = add(other)
    assert done.exit_code == 2
    assert "says something else" in done.stderr
    told = {record.kind: record for record in survey.notebook(site)}
    assert told["samples"] == kinds["samples"]
    # The next page knows what has come home, and may show any other day beside.
    day = kinds["digs"].day - timedelta(days=2)
    later = survey.page_view(survey.rank(survey.estimate(site)), beside=day)
    assert len(later.entering.known_ids) == 4
    assert later.other.day == day.isoformat()
    # On that day nothing was known of the sample: nearer to the first page than to the one of today.
    off = np.abs(later.other.grade_mean[0] - found.grade_mean[0])
    assert off < np.abs(later.grade_mean[0] - found.grade_mean[0])
