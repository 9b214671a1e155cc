"""The field sheet: true to scale, the same bytes twice, and nothing that must be told is missing.

The PDF is read back with pypdf, a general library that shares no code with the one that writes it.
"""

from __future__ import annotations

import io
import math
import re
from dataclasses import replace

import numpy as np
import pypdf
import pytest
from pypdf.generic import ContentStream
from reportlab.pdfbase.pdfmetrics import stringWidth

from washgrade.errors import InputError
from washgrade.land.dem import Dem
from washgrade.sheet.build import render_sheet
from washgrade.sheet.classes import yield_classes
from washgrade.sheet.ink import printable
from washgrade.sheet.scale import SCALES
from washgrade.sheet.view import DaySheet, DigStop, Ground, Leg, Place, SheetView, WalkSheet, WalkStop

POINT_MM = 25.4 / 72.0
LONG = "Barranco de la Señora Übermütige-Ångströmsson " + "y otros muchos nombres " * 4


def made_view(**changed):
    """Six reaches on a cone, a walk of two stops, a no-go area with a hole."""
    row, col = np.mgrid[0:120, 0:160]
    dem = Dem(
        elevation_m=(300 - np.hypot(row - 60, col - 80)).astype(np.float32),
        cell_m=5.0,
        west_m=500_000.0,
        north_m=4_020_600.0,
        crs="EPSG:25830",
    )
    rng = np.random.default_rng(7)
    lines = tuple(
        np.cumsum(
            np.concatenate([[[500_100.0 + 90 * k, 4_020_100.0 + 40 * k]], rng.uniform(2, 9, (9, 2))]), 0
        )
        for k in range(6)
    )
    middle = np.array([line[5] for line in lines])
    ring = np.array(
        [[500_600.0, 4_020_420.0], [500_700, 4_020_420], [500_700, 4_020_520], [500_600, 4_020_420]]
    )
    stops = tuple(
        WalkStop(
            reach=f"A{k + 1}",
            easting_m=float(middle[k, 0]),
            northing_m=float(middle[k, 1]),
            lon=-3.0 + k / 1000,
            lat=36.3,
            leg=Leg(bearing_deg=7.0 + k, straight_m=420.0, way_m=512.0, minutes=9.0),
            arrival_minutes=9.0 + 30 * k,
            two=k == 1,
            grade_mean=0.12,
            grade_p10=0.05,
            grade_p90=0.21,
            settled_share=0.1,
        )
        for k in range(2)
    )
    walk = WalkSheet(
        start=Place(name=LONG, easting_m=500_050.0, northing_m=4_020_050.0),
        stops=stops,
        back=Leg(bearing_deg=math.nan, straight_m=0.0, way_m=0.0, minutes=0.0),
        ways=(np.concatenate([[[500_050.0, 4_020_050.0]], middle[:1]]), middle[:2]),
        minutes=70.0,
        sentences=("A plan, no promise.",),
    )
    fields = {
        "title": "Ein Tal",
        "day": "2026-03-02",
        "made_with": "washgrade 0",
        "grid": "ETRS89 / UTM zone 30N",
        "crs": "EPSG:25830",
        "datum": "European Terrestrial Reference System 1989",
        "grid_scale": 0.9996,
        "grid_north_deg": 1.24,
        "ground": Ground.of(dem),
        "reach_id": tuple(f"A{k + 1}" for k in range(6)),
        "reach_line": lines,
        "rank": np.array([1, 2, 3, 4, 5, 6]),
        "kg_per_load_mean": np.array([3.2, 1.7, 0.9, 0.3, 0.1, 0.05]),
        "kg_per_load_p10": np.array([2.0, 1.0, 0.5, 0.1, 0.05, 0.01]),
        "kg_per_load_p90": np.array([4.4, 2.0, 1.5, 0.9, 0.5, 0.1]),
        "chance_top": np.linspace(0.9, 0.0, 6),
        "loads_left": np.array([90.0, 80, np.nan, 60, 50, 40]),
        "closed": np.array([False, False, False, False, False, True]),
        "depleted": np.array([False, False, True, False, False, False]),
        "support": ("sampled",) * 6,
        "easting_m": middle[:, 0],
        "northing_m": middle[:, 1],
        "lon": np.full(6, -3.0),
        "lat": np.full(6, 36.3),
        "top": 5,
        "listed": 15,
        "property_rings": (ring,),
        "no_go_rings": (ring + 20.0,),
        "no_go_names": (LONG,),
        "access": (Place(name="Förde & Co", easting_m=500_050.0, northing_m=4_020_050.0),),
        "plan": walk,
        "sentences": ("Rests on 82 readings of the bed.",),
        "cautions": (("Floods", "Keep out when storms are about."), ("Permission", "Ask the owner.")),
    }
    return SheetView(**(fields | changed))


@pytest.fixture(scope="module")
def view():
    return made_view()


def read(content):
    return pypdf.PdfReader(io.BytesIO(content))


def told(content):
    return [" ".join(page.extract_text().split()) for page in read(content).pages]


def drawn(reader, page):
    """Corners of all paths on a page, points from its lower left, by the operators of ISO 32000-1, 8.5.2."""
    here, kept, paths = np.eye(3), [], []
    for operands, operator in ContentStream(page.get_contents(), reader).operations:
        if operator == b"q":
            kept.append(here)
        elif operator == b"Q":
            here = kept.pop()
        elif operator == b"cm":
            a, b, c, d, e, f = (float(value) for value in operands)
            here = np.array([[a, b, 0], [c, d, 0], [e, f, 1]]) @ here
        elif operator in {b"m", b"l"}:
            corner = (np.array([float(operands[0]), float(operands[1]), 1.0]) @ here)[:2]
            if operator == b"m":
                paths.append([corner])
            else:
                paths[-1].append(corner)
    return [np.array(path) for path in paths]


def written(page):
    """Texts of a page with the point where each begins and whether it runs upwards."""
    found = []

    def visit(text, user, matrix, font, size):
        here = np.array(matrix).reshape(3, 2) if False else matrix
        if text.strip():
            a, b, c, d, e, f = user
            left, bottom = here[4], here[5]
            found.append((text.strip(), a * left + c * bottom + e, b * left + d * bottom + f, abs(b) > 0.5))

    page.extract_text(visitor_text=visit)
    return found


def map_frame(reader, page):
    """Scale as printed, and easting and northing of the page's lower left, by the numbers of the grid."""
    scale = int(re.search(r"Scale 1:(\d+)", page.extract_text()).group(1))
    points_per_m = 1000.0 / scale / POINT_MM
    ticks = [
        path for path in drawn(reader, page) if len(path) == 2 and abs(np.ptp(path, 0).sum() - 2.5) < 1e-6
    ]
    found = {False: [], True: []}
    for text, left, bottom, upwards in written(page):
        number = re.fullmatch(r"(\d[\d ]*\d)( m [EN])?", text)
        if not number or not int(number.group(1).replace(" ", "")) > 10_000:
            continue
        half = stringWidth(text, "Vera", 6.0) / 2
        middle = bottom + half if upwards else left + half
        axis = 1 if upwards else 0
        across = [path[0, axis] for path in ticks if np.ptp(path[:, axis]) < 1e-6]
        at = min(across, key=lambda tick: abs(tick - middle))
        # Beside its tick, but where the corner of the frame pushes it inwards.
        assert abs(at - middle) < max(0.1, half)
        found[upwards].append((float(number.group(1).replace(" ", "")), at))
    corner = []
    for upwards in (False, True):
        values, at = np.array(sorted(set(found[upwards]))).T
        assert len(values) >= 2
        # Neighbouring numbers stand as far apart on paper as the scale says.
        assert np.diff(at) * POINT_MM == pytest.approx(np.diff(values) * 1000 / scale, abs=0.1)
        corner.append(float(np.mean(values - at / points_per_m)))
    return scale, points_per_m, np.array(corner)


@pytest.mark.parametrize(("paper", "units", "scale"), [("a4", "metric", None), ("letter", "us", 5000)])
def test_the_map_is_true_to_its_scale_and_grid(view, paper, units, scale):
    reader = read(render_sheet(replace(view, units=units), paper=paper, scale=scale))
    page = next(page for page in reader.pages if "Scale 1:" in page.extract_text())
    printed, points_per_m, corner = map_frame(reader, page)
    assert printed == (scale or printed)
    paths = [path for path in drawn(reader, page) if len(path) == 10]
    for line in view.reach_line:
        paper_mm = (line - corner) * 1000 / printed
        off_mm = min(np.abs(path * POINT_MM - paper_mm).max() for path in paths)
        assert off_mm < 0.1
        # A twin drawn one part in fifty too large would be seen.
        twin_mm = (line - corner) * 1000 / (printed * 0.98)
        assert min(np.abs(path * POINT_MM - twin_mm).max() for path in paths) > 0.5
    first, last = view.reach_line[0][0], view.reach_line[0][-1]
    path = min(paths, key=lambda found: np.abs(found - (view.reach_line[0] - corner) * points_per_m).max())
    drawn_mm = float(np.hypot(*(path[-1] - path[0]))) * POINT_MM
    assert drawn_mm * printed / 1000 == pytest.approx(
        float(np.hypot(*(last - first))), abs=0.1 * printed / 1000
    )


@pytest.mark.parametrize("units", ["metric", "us"])
def test_the_bars_are_as_long_as_they_say(view, units):
    reader = read(render_sheet(replace(view, units=units)))
    page = next(page for page in reader.pages if "Scale 1:" in page.extract_text())
    scale = int(re.search(r"Scale 1:(\d+)", page.extract_text()).group(1))
    fields = [
        (float(a), float(b), float(c), float(d))
        for (a, b, c, d), operator in (
            pair for pair in ContentStream(page.get_contents(), reader).operations if pair[1] == b"re"
        )
        if float(d) == 3.0
    ]
    bars = {}
    for left, bottom, width, _ in fields:
        low, high = bars.get(bottom, (math.inf, -math.inf))
        bars[bottom] = (min(low, left), max(high, left + width))
    unit_m = {"m": 1.0, "ft": 0.3048}
    said = [
        float(number) * unit_m[unit]
        for number, unit in re.findall(
            r"(?<![\d.])([\d.]+) (m|ft)\b(?! E| N)", page.extract_text().split("Print")[0]
        )
    ]
    lengths_mm = [(high - low) * POINT_MM for low, high in bars.values()]
    assert len(lengths_mm) == (2 if units == "us" else 1)
    for length_mm in lengths_mm:
        assert any(abs(length_mm - 1000 * length_m / scale) < 0.1 for length_m in said)


def test_the_same_view_gives_the_same_bytes_and_no_clock_is_in_them(view):
    one, other = render_sheet(view), render_sheet(made_view())
    assert one == other
    assert "2000" in read(one).metadata["/CreationDate"]
    assert one != render_sheet(replace(view, day="2026-03-03"))


def test_all_that_must_be_told_is_told(view):
    pages = told(render_sheet(replace(view, invented=True)))
    assert all("INVENTED PLACE" in page and re.search(r"page \d+ of \d+", page) for page in pages)
    front, walk = pages[0], pages[1]
    for words in (
        "Told whom:",
        "Back by:",
        "Floods",
        "Keep out when storms are about.",
        "Permission",
        "2026-03-02",
    ):
        assert words in front
    for k in view.best:
        assert f"{view.lat[k]:.5f}, {view.lon[k]:.5f}" in front
    assert "A6" not in front  # closed
    assert "worked out" in front
    for words in (
        "007°",
        "008°",
        "420 m",
        "512 m",
        "9 min",
        "39 min",
        "12 % (5.0 to 21.0)",
        "dry sand",
        "note",
    ):
        assert words in walk
    assert walk.count("second sample") == 1
    chart = pages[-1]
    for words in ("UTM zone 30N", "EPSG:25830", "European Terrestrial Reference System 1989", "Grid north"):
        assert words in chart
    for words in (
        "1.2° east of true",
        "Declination today",
        "plus 1.2°",
        "Förde & Co",
        "#1 A1",
        "100 %",
        "99.96 m",
    ):
        assert words in chart
    plain = told(render_sheet(replace(view, invented=False, plan=None)))
    assert not any("INVENTED" in page or "sampling walk" in page for page in plain)


def test_us_units_are_used_throughout(view):
    pages = told(render_sheet(replace(view, units="us"), paper="letter"))
    assert "7.1 lb" in pages[0]
    assert "1,378 ft" in pages[1]
    assert "oz" in pages[1]
    assert "feet on the ground" in pages[-1]
    assert not re.search(r"\d kg", " ".join(pages))


@pytest.mark.parametrize(("paper", "size_mm"), [("a4", (210, 297)), ("letter", (215.9, 279.4))])
def test_pages_are_of_the_paper_and_all_text_is_on_them(view, paper, size_mm):
    for page in read(render_sheet(view, paper=paper)).pages:
        size = (float(page.mediabox.width) * POINT_MM, float(page.mediabox.height) * POINT_MM)
        assert sorted(size) == pytest.approx(sorted(size_mm), abs=0.01)
        for text, left, bottom, _ in written(page):
            assert 20 < left < float(page.mediabox.width) - 20, text
            assert 20 < bottom < float(page.mediabox.height) - 20, text


def test_fonts_are_in_the_file(view):
    for page in read(render_sheet(view)).pages:
        fonts = page["/Resources"]["/Font"]
        assert fonts
        for font in fonts.values():
            assert "/FontFile2" in font.get_object()["/FontDescriptor"].get_object()


def test_letters_with_accents_stay_and_strange_signs_do_no_harm():
    assert printable("Señor Ångström, Łódź, œuvre – ½ m²") == "Señor Ångström, Łódz, œuvre – ½ m²"
    assert printable("a\x00b\tc\u200bd\ne 🪨 水") == "ab cd e ? ?"
    front = told(render_sheet(made_view(title="Cañón <b>& 🪨 Söhne</b>")))[0]
    assert "Cañón <b>& ? Söhne</b>" in front


def test_a_large_ground_gets_an_index_and_pages_that_show_all_that_matters(view):
    far = tuple(line + np.array([4000.0, 900.0]) * k for k, line in enumerate(view.reach_line))
    middle = np.array([line[5] for line in far])
    wide = replace(view, reach_line=far, easting_m=middle[:, 0], northing_m=middle[:, 1], plan=None)
    reader = read(render_sheet(wide))
    charts = [page for page in reader.pages if "Scale 1:" in page.extract_text()]
    texts = [page.extract_text() for page in charts]
    assert "index of maps" in texts[0]
    assert len(texts) > 3
    assert len({re.search(r"Scale 1:(\d+)", text).group(1) for text in texts[1:]}) == 1
    for place in range(1, 6):
        assert sum(f"#{place} A{place}" in text for text in texts[1:]) >= 1
    assert len(reader.outline) == len(charts) + 1


def test_what_cannot_be_is_said(view):
    sentence = r"^Invalid 'paper' of 'a5'\. It must be one of 'a4', 'letter'\.$"
    with pytest.raises(InputError, match=sentence):
        render_sheet(view, paper="a5")
    allowed = ", ".join(str(scale) for scale in SCALES)
    with pytest.raises(InputError, match=rf"^Invalid 'scale' of 1234\. It must be one of {allowed}\.$"):
        render_sheet(view, scale=1234)
    far = replace(view.plan, ways=(np.array([[500_050.0, 4_020_050.0], [504_000.0, 4_024_000.0]]),))
    with pytest.raises(
        InputError, match=r"^Maps at 1:500 would take \d+ pages\. It must be at most 12: choose"
    ):
        render_sheet(replace(view, plan=far), scale=500)
    sentence = r"^Invalid 'rank' of length 1\. It must have one value for each of 6 reaches\.$"
    with pytest.raises(InputError, match=sentence):
        replace(view, rank=np.array([1]))
    with pytest.raises(
        InputError, match=r"^Invalid 'lon' with a value missing\. Each must be a finite number\.$"
    ):
        replace(view, lon=np.full(6, np.nan))


@pytest.mark.parametrize(
    ("units", "best_kg", "words"),
    [
        ("metric", 3.2, ("under 0.2 kg", "0.2 to 0.5 kg", "0.5 to 1 kg", "1 to 2 kg", "2 kg and more")),
        ("metric", 0.08, ("under 5 g", "5 to 10 g", "10 to 20 g", "20 to 50 g", "50 g and more")),
        ("us", 3.2, ("under 0.5 lb", "0.5 to 1 lb", "1 to 2 lb", "2 to 5 lb", "5 lb and more")),
    ],
)
def test_classes_have_round_limits_and_the_best_is_in_the_best(view, units, best_kg, words):
    scaled = replace(view, units=units, kg_per_load_mean=view.kg_per_load_mean / 3.2 * best_kg)
    classes = yield_classes(scaled)
    assert classes.words == words
    assert classes.of(scaled.kg_per_load_mean)[0] == 4
    limit_kg = classes.limits[0] * classes.unit_kg
    assert classes.of(np.array([limit_kg, limit_kg * 0.999])).tolist() == [1, 0]


def test_a_ground_without_anything_open_still_prints(view):
    shut = replace(view, closed=np.ones(6, np.bool_), plan=None)
    assert "the best 0 of 6 reaches" in told(render_sheet(shut))[0]
    whole = view.ground
    void = whole.heights_m(slice(None), slice(None)).copy()
    void[:, :100] = np.nan
    render_sheet(replace(view, ground=replace(whole, heights_m=lambda rows, cols: void[rows, cols])))


def made_day(
    view, carries=((5, "3 loads at A1", "27 min by pack"), (1, "2 loads at A2", "30 min by barrow"))
):
    stops = tuple(
        DigStop(
            reach=stop.reach,
            easting_m=stop.easting_m,
            northing_m=stop.northing_m,
            lon=stop.lon,
            lat=stop.lat,
            leg=stop.leg,
            back_minutes=12.0,
            arrival_minutes=stop.arrival_minutes,
            loads=15,
            carries=5,
            wet_kg=128.0,
            product_kg=25.2,
        )
        for stop in view.plan.stops
    )
    return DaySheet(
        start=view.plan.start,
        stops=stops,
        ways=view.plan.ways,
        carries=carries,
        steps=(("dig", "0.5 h", "17 loads"), ("clean product", "", "50 kg")),
        minutes=360.0,
        sentences=("A day, no promise.",),
    )


def test_a_digging_day_is_told_with_its_carries_and_blanks(view):
    pages = told(render_sheet(replace(view, plan=made_day(view))))
    day = pages[1]
    assert "a digging day of 6.0 hours" in pages[0]
    for words in (
        "A day, no promise.",
        "9 + 12 min",
        "128 kg",
        "25.2 kg",
        "1 to 5 3 loads at A1",
        "6 2 loads at A2",
    ):
        assert words in day
    for words in ("loads dug", "depth of bite, cm", "holes filled in", "Clean product, kg:", "0.5 h"):
        assert words in day
    assert "reach to dig, in order" in pages[-1]
    assert not any("sampling walk" in page for page in pages)


def test_a_box_for_each_carry_and_all_on_the_page(view):
    many = tuple((count, "loads at A1", "27 min by pack") for count in (1, 47, 3))

    def boxes(carries):
        reader = read(render_sheet(replace(view, plan=made_day(view, carries=carries))))
        page = reader.pages[1]
        found = [
            operands
            for operands, operator in ContentStream(page.get_contents(), reader).operations
            if operator == b"re"
        ]
        sides = [[float(value) for value in corner] for corner in found]
        return [corner for corner in sides if corner[2:] == [7.0, 7.0]], float(page.mediabox.width)

    drawn_boxes, width = boxes(many)
    assert len(drawn_boxes) == 51
    assert all(corner[0] + 7.0 < width - 20 for corner in drawn_boxes)
    places = {(round(corner[0], 3), round(corner[1], 3)) for corner in drawn_boxes}
    assert len(places) == 51
    assert len(boxes(())[0]) == 0
