"""The whole job in a browser that reaches nothing but the desk, from an empty folder to a printed walk."""

from __future__ import annotations

import re

import pytest

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
    fits(page)
    page.get_by_label("DEM files").set_input_files(valley)
    page.locator("summary", has_text="More choices").click()
    page.get_by_label("Ground that feeds the head of a channel", exact=True).fill("lots")
    page.get_by_role("button", name="Build the ground").click()
    assert "Invalid size of 'lots'." in page.locator(".field.wrong").inner_text()
    page.get_by_label("Ground that feeds the head of a channel", exact=True).fill("4000")
    # The upload was kept, so that it need not be sent again.
    page.get_by_label("valley.tif").check()
    page.get_by_role("button", name="Build the ground").click()
    assert page.locator("progress").count() or "/ground/report" in page.url
    seen.settle()
    page.wait_for_url("**/ground/report")
    assert "reaches of up to" in page.inner_text("main")
    fits(page)

    # One sample by form: what is wrong is said beside the field, and what was typed stays.
    page.get_by_role("link", name="Enter a sample").click()
    fits(page)
    page.get_by_label("Dry mass", exact=True).fill("two")
    page.get_by_label("Dry mass, unit").select_option("lb")
    page.get_by_label("Magnetics", exact=True).fill("2.5")
    page.get_by_label("Magnetics, unit").select_option("oz")
    page.get_by_label("Note").fill(MARKUP)
    page.get_by_role("button", name="Enter the sample").click()
    wrong = page.locator(".field.wrong")
    assert "Invalid dry mass (lb) of 'two'." in wrong.filter(has_text="Dry mass").inner_text()
    assert "There is no place." in wrong.filter(has_text="Latitude").inner_text()
    # The script of the page may run after the form is there to be read.
    page.wait_for_function("document.activeElement.id === 'faults'")
    assert survey.notebook(site) == []
    page.get_by_label("Dry mass", exact=True).fill("1.9")
    page.locator("summary", has_text="On the site's grid instead").click()
    page.get_by_label("Easting m").fill(str(EAST_M))
    page.get_by_label("Northing m").fill(str(NORTH_M))
    page.get_by_role("button", name="Enter the sample").click()
    assert "Entered" in page.locator(".said.done").inner_text()
    (kept,) = survey.records(site, "samples")
    assert kept.note == MARKUP
    assert kept.dry_mass_kg == pytest.approx(1.9 * 0.45359237)

    # A file with one fault: told by row, mended, taken in.
    rows = [f"2026-02-0{day},{EAST_M},{NORTH_M - 20 * day},1,{12 * day},{MARKUP}" for day in range(1, 6)]
    head = "time,easting_m,northing_m,dry_mass_kg,magnetic_mass_g,place"
    path = tmp_path / "field.csv"
    path.write_text("\n".join([head, *rows[:-1], rows[-1].replace("2026-02-05", "5 February")]))
    page.goto(f"{seen.base}/notebook/files")
    page.get_by_label("Files of records").set_input_files(path)
    page.get_by_role("button", name="Look them over").click()
    assert "row 6" in page.locator(".faults").inner_text()
    assert "5 February" in page.locator(".faults").inner_text()
    fits(page)
    assert len(survey.records(site, "samples")) == 1
    path.write_text("\n".join([head, *rows]))
    page.get_by_role("link", name="Send it again").click()
    page.get_by_label("Files of records").set_input_files(path)
    page.get_by_role("button", name="Look them over").click()
    page.get_by_role("button", name="Take in 5 records").click()
    assert "field.csv: 5 samples added." in page.locator(".said.done").inner_text()
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
    assert len(survey.records(site, "looks")) == 1

    # Ranking, in both systems of units.
    page.get_by_role("link", name="Ranking").first.click()
    seen.settle()
    fits(page)
    first = page.locator("#ranking tbody tr").first
    assert re.search(r"\d k?g", first.inner_text())
    page.get_by_role("button", name="US").click()
    seen.settle()
    assert re.search(r"\d (lb|oz)", page.locator("#ranking tbody tr").first.inner_text())
    page.locator("#ranking tbody a").first.click()
    seen.settle()
    assert "What it rests on" in page.inner_text("main")
    fits(page)

    # The map, in the desk.
    page.get_by_role("link", name="Map", exact=True).first.click()
    seen.settle()
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
    seen.settle()
    stops = page.locator("#stops tbody tr").count()
    assert stops >= 1
    fits(page)
    with page.expect_download() as waiting:
        page.get_by_role("link", name="For a GPS or phone").click()
    assert waiting.value.path().read_text(encoding="utf-8").count("<wpt") == stops
    page.emulate_media(media="print")
    assert not page.locator("nav").is_visible()
    assert not page.get_by_role("button", name="Plan again").is_visible()
    assert page.locator("#stops").is_visible()
    assert page.get_by_text("A dry wash can fill within minutes", exact=False).first.is_visible()
    pdf = page.pdf(format="A4")
    assert pdf.startswith(b"%PDF-")
    assert len(re.findall(rb"/Type\s*/Page[^s]", pdf)) <= 2
    page.emulate_media(media="screen")

    # Struck, with a reason.
    page.goto(f"{seen.base}/notebook")
    fits(page)
    assert "<script>alert(2)</script>" in page.inner_text("main")
    page.get_by_role("link", name="Strike").first.click()
    page.get_by_label("Why").fill("only a trial")
    page.get_by_role("button", name="Strike it", exact=True).click()
    assert "only a trial" in page.locator(".said.done").inner_text()
    seen.assert_quiet()


def test_an_open_page_shows_a_record_that_arrives(open_desk, site):
    seen = open_desk(site)
    seen.page.goto(f"{seen.base}/notebook")
    assert "It is empty." in seen.page.inner_text("main")
    survey.enter(
        site, "looks", {"easting_m": EAST_M, "northing_m": NORTH_M, "seen": "bare", "note": "from outside"}
    )
    seen.page.get_by_text("from outside").wait_for(timeout=15_000)
    seen.assert_quiet()


def test_without_script_the_work_goes_on_by_itself(open_desk, tmp_path, valley):
    seen = open_desk(tmp_path / "new", script=False, more=("--files", str(valley.parent)))
    page = seen.page
    page.goto(f"{seen.base}/ground")
    page.get_by_label("valley.tif").check()
    page.get_by_role("button", name="Build the ground").click()
    page.wait_for_url("**/ground/report", timeout=240_000)
    assert "reaches of up to" in page.inner_text("main")
    seen.assert_quiet()


def test_cancel_is_a_button(open_desk, tmp_path, valley):
    folder = tmp_path / "new"
    seen = open_desk(folder, more=("--files", str(valley.parent)))
    page = seen.page
    page.goto(f"{seen.base}/ground")
    page.get_by_label("valley.tif").check()
    page.get_by_role("button", name="Build the ground").click()
    page.get_by_role("button", name="Cancel").click()
    assert "Cancelled. The site is as it was before." in page.locator(".said.done").inner_text()
    assert not folder.exists()
    seen.assert_quiet()


def test_the_keyboard_reaches_everything(open_desk, site):
    seen = open_desk(site)
    page = seen.page
    page.goto(f"{seen.base}/notebook/new/looks")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    reached = []
    for _ in range(40):
        page.keyboard.press("Tab")
        reached.append(page.evaluate("document.activeElement.name || document.activeElement.textContent"))
    for name in ("time", "reach", "lat", "lon", "seen", "depth_m", "note"):
        assert name in reached
    assert any("Enter the look" in name for name in reached)
