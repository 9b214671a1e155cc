"""The whole job in a browser that reaches nothing but the desk, from an empty folder to a printed walk."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect

from washgrade import survey

EAST_M, NORTH_M = 500_225.0, 4_019_700.0
MARKUP = "<img src=x onerror=alert(1)><script>alert(2)</script>"


def fits(page):
    """Nothing makes the page scroll sideways, and every input has a name."""
    wide, shown = page.evaluate("[document.documentElement.scrollWidth, window.innerWidth]")
    assert wide <= shown + 1, page.url
    nameless = page.evaluate(
        """() => [...document.querySelectorAll('input:not([type=hidden]), select, textarea')]
          .filter((field) => !field.labels.length && !field.getAttribute('aria-label'))
          .map((field) => field.name)"""
    )
    assert nameless == [], page.url


@pytest.mark.parametrize("size", ["desk", "phone"])
def test_from_an_empty_folder_to_a_printed_walk(open_desk, tmp_path, valley, size):
    site = tmp_path / "mysite"
    seen = open_desk(site, size)
    page = seen.page
    fits(page)

    # The ground: a refused form first, then the upload, with progress.
    page.get_by_role("link", name="Choose the height model").click()
    page.wait_for_url("**/ground")
    fits(page)
    page.get_by_label("DEM files").set_input_files(valley)
    page.locator("summary", has_text="More choices").click()
    page.get_by_label("Ground that feeds the head of a channel", exact=True).fill("lots")
    page.get_by_role("button", name="Build the ground").click()
    expect(page.locator(".field.wrong")).to_contain_text("Invalid size of 'lots'.")
    page.get_by_label("Ground that feeds the head of a channel", exact=True).fill("4000")
    # The upload was kept, so that it need not be sent again.
    page.get_by_label("valley.tif").check()
    page.get_by_role("button", name="Build the ground").click()
    page.wait_for_url(re.compile("/jobs/|/ground/report"))
    seen.settle("/ground/report")
    expect(page.locator("main")).to_contain_text("reaches of up to")
    fits(page)

    # One sample by form: what is wrong is said beside the field, and what was typed stays.
    page.get_by_role("link", name="Enter a sample").click()
    page.wait_for_url("**/notebook/new/samples")
    fits(page)
    page.get_by_label("Dry mass", exact=True).fill("two")
    page.get_by_label("Dry mass, unit").select_option("lb")
    page.get_by_label("Magnetics", exact=True).fill("2.5")
    page.get_by_label("Magnetics, unit").select_option("oz")
    page.get_by_label("Note").fill(MARKUP)
    page.get_by_role("button", name="Enter the sample").click()
    wrong = page.locator(".field.wrong")
    expect(wrong.filter(has_text="Dry mass")).to_contain_text("Invalid dry mass (lb) of 'two'.")
    expect(wrong.filter(has_text="Latitude")).to_contain_text("There is no place.")
    # The script of the page may run after the form is there to be read.
    expect(page.locator("#faults")).to_be_focused()
    assert survey.notebook(site) == []
    page.get_by_label("Dry mass", exact=True).fill("1.9")
    page.locator("summary", has_text="On the site's grid instead").click()
    page.get_by_label("Easting m").fill(str(EAST_M))
    page.get_by_label("Northing m").fill(str(NORTH_M))
    page.get_by_role("button", name="Enter the sample").click()
    expect(page.locator(".said.done")).to_contain_text("Entered")
    (kept,) = survey.records(site, "samples")
    assert kept.note == MARKUP
    assert kept.dry_mass_kg == pytest.approx(1.9 * 0.45359237)

    # A file with one fault: told by row, mended, taken in.
    rows = [f"2026-02-0{day},{EAST_M},{NORTH_M - 20 * day},1,{60 * day},{MARKUP}" for day in range(1, 6)]
    head = "time,easting_m,northing_m,dry_mass_kg,magnetic_mass_g,place"
    path = tmp_path / "field.csv"
    path.write_text("\n".join([head, *rows[:-1], rows[-1].replace("2026-02-05", "5 February")]))
    page.goto(f"{seen.base}/notebook/files")
    page.get_by_label("Files of records").set_input_files(path)
    page.get_by_role("button", name="Look them over").click()
    expect(page.locator(".faults")).to_contain_text("row 6")
    expect(page.locator(".faults")).to_contain_text("5 February")
    fits(page)
    assert len(survey.records(site, "samples")) == 1
    path.write_text("\n".join([head, *rows]))
    page.get_by_role("link", name="Send it again").click()
    expect(page.locator(".faults")).to_have_count(0)
    page.get_by_label("Files of records").set_input_files(path)
    page.get_by_role("button", name="Look them over").click()
    page.get_by_role("button", name="Take in 5 records").click()
    expect(page.locator(".said.done")).to_contain_text("field.csv: 5 samples added.")
    fits(page)

    # A storm, a dig and a look have their forms.
    for kind in ("storms", "digs", "looks"):
        page.goto(f"{seen.base}/notebook/new/{kind}")
        fits(page)
    page.get_by_label("What was seen").select_option("fresh streak")
    page.locator("summary", has_text="On the site's grid instead").click()
    page.get_by_label("Easting m").fill(str(EAST_M))
    page.get_by_label("Northing m").fill(str(NORTH_M))
    page.get_by_role("button", name="Enter the look").click()
    expect(page.locator(".said.done")).to_contain_text("Entered")
    assert len(survey.records(site, "looks")) == 1

    # Ranking, in both systems of units.
    page.get_by_role("link", name="Ranking").first.click()
    seen.settle("/rank")
    fits(page)
    first = page.locator("#ranking tbody tr").first
    assert re.search(r"\d k?g", first.inner_text())
    page.get_by_role("button", name="US").click()
    expect(page.get_by_role("button", name="US")).to_have_attribute("aria-pressed", "true")
    seen.settle("/rank")
    expect(page.locator("#ranking tbody tr").first).to_contain_text(re.compile(r"\d (lb|oz)"))
    page.locator("#ranking tbody a").first.click()
    seen.settle("/reach/*")
    expect(page.locator("main")).to_contain_text("What it rests on")
    fits(page)

    # The map, in the desk.
    page.get_by_role("link", name="Map", exact=True).first.click()
    seen.settle("/map")
    frame = page.frame_locator("iframe.map")
    frame.locator("#table tbody tr").first.wait_for()
    fits(page)

    # The walk, on paper.
    spot = survey.next_samples(survey.estimate(site))[0]
    page.goto(f"{seen.base}/walk")
    fits(page)
    page.get_by_label("Hours, stops included").fill("1")
    page.locator("[name=point]").fill(f"{spot.lon}, {spot.lat}")
    page.get_by_role("button", name="Plan the walk").click()
    seen.settle("/walk?*")
    page.locator("#stops tbody tr").first.wait_for()
    stops = page.locator("#stops tbody tr").count()
    assert stops >= 1
    fits(page)
    with page.expect_download() as waiting:
        page.get_by_role("link", name="For a GPS or phone").click()
    assert waiting.value.path().read_text(encoding="utf-8").count("<wpt") == stops
    page.emulate_media(media="print")
    expect(page.locator("nav")).to_be_hidden()
    expect(page.get_by_role("button", name="Plan again")).to_be_hidden()
    expect(page.locator("#stops")).to_be_visible()
    expect(page.get_by_text("A dry wash can fill within minutes", exact=False).first).to_be_visible()
    pdf = page.pdf(format="A4")
    assert pdf.startswith(b"%PDF-")
    assert len(re.findall(rb"/Type\s*/Page[^s]", pdf)) <= 2
    page.emulate_media(media="screen")

    # The day, and both on the map and on one sheet of paper each.
    page.goto(f"{seen.base}/day")
    page.get_by_label("Hours at the wash").fill("4")
    page.locator("[name=point]").fill(f"{spot.lon}, {spot.lat}")
    page.get_by_role("button", name="Plan the day").click()
    seen.settle("/day?*")
    page.locator("#dug tbody tr").first.wait_for()
    dug = page.locator("#dug tbody tr").count()
    fits(page)
    page.get_by_role("link", name="On the map").click()
    seen.settle("/map")
    frame.locator("#walk summary").click()
    expect(frame.locator("#walk-body tbody tr")).to_have_count(stops)
    frame.locator("#day summary").click()
    expect(frame.locator("#day-body tbody tr")).to_have_count(dug)
    expect(page.locator(".map-bar")).to_contain_text(
        "With the sampling walk and the digging day planned last."
    )
    fits(page)
    page.get_by_role("link", name="Leave them out").click()
    seen.settle("/map?plans=none")
    frame.locator("#table tbody tr").first.wait_for()
    expect(frame.locator("#walk")).to_be_hidden()
    for plan in ("walk", "day"):
        page.goto(f"{seen.base}/{plan}?hours={4 if plan == 'day' else 1}&point={spot.lon},{spot.lat}")
        seen.settle(f"/{plan}?*")
        with page.expect_download(timeout=240_000) as waiting:
            page.get_by_role("link", name="Field sheet (PDF)").click()
        assert waiting.value.path().read_bytes().startswith(b"%PDF-")

    # Struck, with a reason.
    page.goto(f"{seen.base}/notebook")
    fits(page)
    expect(page.locator("main")).to_contain_text("<script>alert(2)</script>")
    page.get_by_role("link", name="Strike").first.click()
    page.get_by_label("Why").fill("only a trial")
    page.get_by_role("button", name="Strike it", exact=True).click()
    expect(page.locator(".said.done")).to_contain_text("only a trial")
    fits(page)
    # Struck by mistake after all.
    page.get_by_role("button", name="Undo").click()
    expect(page.locator(".said.done")).to_contain_text("counts again")
    fits(page)
    seen.assert_quiet()


def test_an_open_page_shows_a_record_that_arrives(open_desk, site):
    seen = open_desk(site)
    seen.page.goto(f"{seen.base}/notebook")
    expect(seen.page.locator("main")).to_contain_text("It is empty.")
    survey.enter(
        site, "looks", {"easting_m": EAST_M, "northing_m": NORTH_M, "seen": "bare", "note": "from outside"}
    )
    seen.page.get_by_text("from outside").wait_for()
    seen.assert_quiet()


def test_without_script_the_work_goes_on_by_itself(open_desk, tmp_path, valley):
    seen = open_desk(tmp_path / "new", script=False, more=("--files", str(valley.parent)))
    page = seen.page
    page.goto(f"{seen.base}/ground")
    page.get_by_label("valley.tif").check()
    page.get_by_role("button", name="Build the ground").click()
    page.wait_for_url("**/ground/report", timeout=240_000)
    expect(page.locator("main")).to_contain_text("reaches of up to")
    seen.assert_quiet()


HELD = """
# The work is held where it begins, or on a quick machine it might be over before the button is pressed.
import os, signal, threading
from washgrade.desk.jobs import Jobs

ready = Jobs._ready

def held(self):
    connection = ready(self)
    if threading.current_thread() is not threading.main_thread():
        os.kill(self._process.pid, signal.SIGSTOP)
    return connection

Jobs._ready = held
"""


def test_cancel_is_a_button(open_desk, tmp_path, valley):
    folder = tmp_path / "new"
    seen = open_desk(folder, more=("--files", str(valley.parent)), first=HELD)
    page = seen.page
    page.goto(f"{seen.base}/ground")
    page.get_by_label("valley.tif").check()
    page.get_by_role("button", name="Build the ground").click()
    expect(page.locator("progress")).to_be_visible()
    page.get_by_role("button", name="Cancel").click()
    expect(page.locator(".said.done")).to_contain_text("Cancelled. The site is as it was before.")
    assert not folder.exists()
    seen.assert_quiet()


def test_the_keyboard_reaches_everything(open_desk, site):
    seen = open_desk(site)
    page = seen.page
    page.goto(f"{seen.base}/notebook/new/looks")
    page.keyboard.press("Tab")
    expect(page.locator(".skip")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.locator("#content")).to_be_focused()
    reached = []
    for _ in range(40):
        page.keyboard.press("Tab")
        reached.append(page.evaluate("document.activeElement.name || document.activeElement.textContent"))
    for name in ("time", "reach", "lat", "lon", "seen", "depth_m", "note"):
        assert name in reached
    assert any("Enter the look" in name for name in reached)


PAGES = (
    "/", "/ground", "/ground/report", "/notebook?struck=yes", "/notebook/new/samples", "/notebook/new/storms",
    "/notebook/new/digs", "/notebook/new/looks", "/notebook/files", "/rank", "/where", "/storms", "/walk",
    "/day", "/take-along", "/settings", "/check", "/walk?hours=long&pairs=1.5", "/nothing",
)  # fmt: skip


@pytest.mark.parametrize("size", ["desk", "phone"])
def test_axe_finds_nothing_serious(open_desk, site, size):
    """axe-core (MPL-2.0, for tests only): rules of WCAG 2.0 to 2.2, levels A and AA, and good practice."""
    from axe_playwright_python.sync_playwright import Axe

    for day in (1, 2, 3):
        entered = survey.enter(site, "samples", {
            "time": f"2026-02-0{day}", "easting_m": EAST_M, "northing_m": NORTH_M - 20 * day,
            "dry_mass_kg": 1, "magnetic_mass_g": 60 * day,
        })  # fmt: skip
    survey.strike(site, entered.record.id, why="a trial")
    seen = open_desk(site, size)
    page = seen.page
    kept = survey.records(site, "samples")[0].id
    reach = str(survey.rank(survey.estimate(site)).as_json(top=1)["reaches"][0]["reach"])
    # What differs between the sizes is the frame around the pages and the tables.
    paths = (*PAGES, f"/reach/{reach}", f"/notebook/strike/{kept}", f"/notebook/strike/{entered.record.id}")
    passed = 0
    for path in paths if size == "phone" else ("/", "/notebook?struck=yes", "/rank", "/settings"):
        page.goto(seen.base + path)
        seen.settle(path)
        # What is folded must be good as well.
        page.evaluate("() => document.querySelectorAll('details').forEach((one) => { one.open = true; })")
        found = Axe().run(page).response
        passed += len(found["passes"])
        grave = [
            f"{path}: {one['id']} ({one['impact']}): {node['html'][:120]} {node['failureSummary'][:200]}"
            for one in found["violations"]
            if one["impact"] in {"serious", "critical"}
            for node in one["nodes"]
        ]
        assert grave == []
        fits(page)
    assert passed > 60
