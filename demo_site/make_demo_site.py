"""Make the demo's ground, records and truth from a seed: ``python demo_site/make_demo_site.py``.

Everything here is invented: a valley of gypsum and dark volcanic hills, set on purpose in open sea on the
map (ETRS89 / UTM 30N), so that nobody mistakes it for land that can be dug. The land is carved by a small
stream-power model, the grade follows from where the dark rock lies, how its sand is diluted down the washes
and where the bed catches heavy grains. None of that is the model that washgrade estimates with, and the
routing here is this script's own, so that the demo can be wrong: ``truth.csv`` says how wrong.

Two rainy seasons pass over it. A storm's peak is a power of area and rain with its own scatter, it scours
strips of the bed to gamma depths, lays new pulses of sand where it scoured, and fills again what was dug; a
digger takes the richest strips first. These are the forms of ``benchmarks/season.py``, not of washgrade.

Sources: implicit stream-power step after Braun & Willett (2013) Geomorphology 180-181:170-179; area-weighted
dilution of a source after Hawkes (1976) J. Geochem. Explor. 6:345-358. All sizes are our choice.
"""

from __future__ import annotations

import csv
import heapq
import json
import uuid
from datetime import date, timedelta
from pathlib import Path

import numba
import numpy as np
import rasterio
from pyproj import Transformer
from rasterio.transform import from_origin
from scipy.ndimage import gaussian_filter
from scipy.stats import gamma

HERE = Path(__file__).resolve().parent
SEED = 20260117
ROWS, COLS, CELL_M = 320, 420, 5.0
WEST_M, NORTH_M, EPSG = 498_950.0, 4_020_800.0, 25830
NAMESPACE = uuid.UUID("6f0f4a52-5e0c-5a0e-9a55-64656d6f0001")
PLACES, AREA_POWER = 75, 0.25
# Day, true rain in mm, minutes, and how the notebook knows it.
STORMS = (
    (date(2024, 10, 29), 31.0, 50, "rain"),
    (date(2024, 12, 3), 12.0, 30, "no flow"),
    (date(2025, 1, 14), 24.0, 40, "rain"),
    (date(2025, 3, 5), 38.0, 75, "mark"),
    (date(2025, 10, 17), 44.0, 60, "rain and mark"),
    (date(2025, 11, 28), 18.0, 25, "rain"),
    (date(2026, 1, 22), 29.0, 45, "rain"),
)
# Day, which of the digger's places, and loads.
DIGS = (
    (date(2025, 1, 20), 0, 55), (date(2025, 1, 27), 0, 60), (date(2025, 2, 8), 1, 50),
    (date(2025, 2, 15), 0, 40), (date(2025, 10, 25), 0, 60), (date(2025, 11, 8), 1, 60),
    (date(2025, 12, 13), 2, 60), (date(2025, 12, 20), 2, 50), (date(2026, 2, 7), 2, 60),
    (date(2026, 2, 14), 3, 80), (date(2026, 2, 21), 3, 80),
)  # fmt: skip
STRIPS, LOAD_M3, BITE_M = 12, 0.004, 0.10
STEPS = ((-1, -1), (-1, 0), (-1, 1), (0, -1), (0, 1), (1, -1), (1, 0), (1, 1))


@numba.njit(cache=False)
def route(height, open_edge):
    """Flood from the open edge; give each cell its receiver, the flood order and the distance."""
    rows, cols = height.shape
    receiver = np.full(rows * cols, -1, np.int64)
    distance = np.ones(rows * cols)
    flooded = height.copy().ravel()
    seen = np.zeros(rows * cols, np.bool_)
    order = np.empty(rows * cols, np.int64)
    count = 0
    heap = [(0.0, np.int64(0))]
    heap.pop()
    for cell in range(rows * cols):
        if open_edge[cell]:
            seen[cell] = True
            heapq.heappush(heap, (flooded[cell], np.int64(cell)))
    while len(heap) > 0:
        level, cell = heapq.heappop(heap)
        order[count] = cell
        count += 1
        row, col = cell // cols, cell % cols
        for step_row, step_col in STEPS:
            r, c = row + step_row, col + step_col
            if r < 0 or r >= rows or c < 0 or c >= cols:
                continue
            other = r * cols + c
            if not seen[other]:
                seen[other] = True
                flooded[other] = max(flooded[other], level + 1e-4)
                heapq.heappush(heap, (flooded[other], np.int64(other)))
    for cell in range(rows * cols):
        if open_edge[cell]:
            continue
        row, col = cell // cols, cell % cols
        best = 0.0
        for step_row, step_col in STEPS:
            r, c = row + step_row, col + step_col
            if r < 0 or r >= rows or c < 0 or c >= cols:
                continue
            run = (step_row * step_row + step_col * step_col) ** 0.5
            fall = (flooded[cell] - flooded[r * cols + c]) / run
            if fall > best:
                best = fall
                receiver[cell] = r * cols + c
                distance[cell] = run
    return receiver, order[:count], distance


@numba.njit(cache=False)
def accumulate(receiver, order, supply):
    """Sum what every cell supplies down the washes."""
    total = supply.copy()
    for k in range(len(order) - 1, -1, -1):
        cell = order[k]
        if receiver[cell] >= 0:
            total[receiver[cell]] += total[cell]
    return total


@numba.njit(cache=False)
def erode(height, receiver, order, distance, area_m2, erodibility, uplift_m, step_years):
    """One implicit step of stream-power erosion, from the outlets up."""
    new = height.copy().ravel()
    for cell in order:
        down = receiver[cell]
        if down < 0:
            continue
        factor = erodibility[cell] * step_years * area_m2[cell] ** 0.45 / (distance[cell] * CELL_M)
        new[cell] = (new[cell] + uplift_m[cell] + factor * new[down]) / (1.0 + factor)
    return new.reshape(height.shape)


def blobs(rng, count, radius_cells):
    """Smooth hills of dark rock: a share between 0 and 1 for each cell."""
    row, col = np.mgrid[0:ROWS, 0:COLS]
    field = np.zeros((ROWS, COLS))
    for _ in range(count):
        r, c = rng.uniform(0.05, 0.75) * ROWS, rng.uniform(0.05, 0.95) * COLS
        stretch = rng.uniform(0.6, 1.6)
        field = np.maximum(
            field, np.exp(-(((row - r) / stretch) ** 2 + ((col - c) * stretch) ** 2) / (2 * radius_cells**2))
        )
    rough = gaussian_filter(rng.normal(size=field.shape), 6)
    return np.clip((field + 0.25 * rough / rough.std() * field - 0.35) * 3.0, 0, 1)


def carve(rng, dark):
    """Carve a valley that leaves by the south, and a smaller one that leaves by the east."""
    open_edge = np.zeros((ROWS, COLS), bool)
    open_edge[-1, 150:200] = True
    open_edge[60:90, -1] = True
    row = np.arange(ROWS)[:, None]
    height = 30.0 + 0.02 * (ROWS - row) + gaussian_filter(rng.normal(size=(ROWS, COLS)), 8) * 20
    height += rng.uniform(0, 0.5, (ROWS, COLS))
    height[open_edge] = 0.0
    weak = gaussian_filter(rng.normal(size=(ROWS, COLS)), 10)
    erodibility = (1.6e-3 * np.exp(0.5 * weak / weak.std()) * (1 - 0.65 * dark)).ravel()
    uplift = np.where(open_edge, 0.0, 0.35 + 0.25 * dark).ravel()
    flat_open = open_edge.ravel()
    for _ in range(120):
        receiver, order, distance = route(height, flat_open)
        area_m2 = accumulate(receiver, order, np.ones(height.size)) * CELL_M**2
        height = erode(height, receiver, order, distance, area_m2, erodibility, uplift, 100.0)
        smooth = gaussian_filter(height, 0.8, mode="nearest")
        height = np.where(open_edge, height, 0.9 * height + 0.1 * smooth)
    return height + 212.0, flat_open


def new_pulses(rng, receiver, order, area_m2):
    """Pulses of sand that travel down and mix where washes join, their tails heavier than a normal's."""
    pulse = rng.standard_t(4, len(receiver)) * 0.28
    for cell in order[::-1]:
        down = receiver[cell]
        if down >= 0:
            share = area_m2[cell] / area_m2[down]
            pulse[down] += 0.93 * share * pulse[cell]
    return pulse


def true_bed(rng, receiver, order, distance, area_m2, height, dark):
    """Logit of the grade of the top ten centimetres of bed but for its pulses, the pulses, and the fall."""
    supply = np.ones(dark.size)
    magnetics = 0.006 + 0.16 * dark.ravel()
    diluted = accumulate(receiver, order, magnetics) / accumulate(receiver, order, supply)
    fall = np.zeros(dark.size)
    inner = receiver >= 0
    fall[inner] = (height.ravel()[inner] - height.ravel()[receiver[inner]]) / (distance[inner] * CELL_M)
    log_fall = np.log(np.maximum(fall, 1e-4))
    below = log_fall.copy()
    above = log_fall.copy()
    for _ in range(6):
        next_below = below.copy()
        next_below[inner] = 0.5 * (below[inner] + below[receiver[inner]])
        below = next_below
    for cell in order[::-1]:
        down = receiver[cell]
        if down >= 0 and area_m2[cell] > 0.4 * area_m2[down]:
            above[down] = 0.8 * above[cell] + 0.2 * above[down]
    catches = np.clip(above - below, -1.5, 1.5)
    pulse = new_pulses(rng, receiver, order, area_m2)
    local = 0.18 * rng.normal(size=dark.size)
    return np.log(diluted / (1 - diluted)) + 0.35 * catches + local + 0.35, pulse, np.maximum(fall, 5e-3)


class Seasons:
    """How the bed really went: its grade after every storm, and what was dug."""

    def __init__(self, rng, base, pulse, fall, receiver, order, area_m2):
        self.rng, self.base, self.receiver, self.area_m2 = rng, base, receiver, area_m2
        self.width_m = 1.5 * (area_m2 / 1e5) ** 0.35
        self.fall = fall
        self.pulses, self.moved, self.peak = [pulse], [], []
        for _, rain_mm, _, _ in STORMS:
            wet = max(rain_mm - 9.0, 0.0) if rain_mm > 15 else 0.0
            peak = 0.009 * wet**1.2 * (area_m2 / 1e5) ** 0.7 * np.exp(rng.normal(0, 0.3))
            mean = 0.09 * (peak / self.width_m) ** 0.5 * (fall / 0.03) ** 0.3
            fresh = new_pulses(rng, receiver, order, area_m2)
            # Share of the bed scoured to half a bite: so much of the old pulse is gone.
            kept = 1.0 - (gamma.sf(0.05, 1.6, scale=mean / 1.6) if wet > 0.0 else np.zeros(len(mean)))
            self.pulses.append(kept * self.pulses[-1] + np.sqrt(1.0 - kept**2) * fresh)
            self.moved.append(mean)
            self.peak.append(peak)

    def grade(self, day):
        """Grade at every cell on a day, 0 to 1, as floods have laid the bed."""
        storms = sum(day >= storm[0] for storm in STORMS)
        return 1 / (1 + np.exp(-(self.base + 0.75 * self.pulses[storms])))

    def depths_m(self, storm, cell, count):
        """Depths to which a storm scoured strips of the bed at a cell."""
        mean = self.moved[storm][cell]
        return self.rng.gamma(1.6, 1.0, count) * mean / 1.6 if mean > 0.0 else np.zeros(count)

    def stretch(self, cell):
        """Cells of the wash within 25 m up and down of one."""
        found, at, gone = [cell], cell, 0.0
        while gone < 25.0 and self.receiver[at] >= 0:
            at = self.receiver[at]
            gone += 1.2 * CELL_M
            found.append(at)
        at, gone = cell, 0.0
        while gone < 25.0:
            above = np.flatnonzero(self.receiver == at)
            if not len(above):
                break
            at = above[np.argmax(self.area_m2[above])]
            gone += 1.2 * CELL_M
            found.append(at)
        return np.array(found)

    def dig(self, places):
        """Dig through both seasons; rows of the notebook, and what is left of each stretch at the end."""
        strips = {k: np.exp(self.rng.normal(-0.125, 0.5, STRIPS)) for k in range(len(places))}
        fresh = {k: one.mean() for k, one in strips.items()}
        rows, next_storm = [], 0
        for day, k, loads in (*DIGS, (date.max, 0, 0)):
            while next_storm < len(STORMS) and STORMS[next_storm][0] <= day:
                for place, cell in enumerate(places):
                    anew = self.depths_m(next_storm, cell, STRIPS) > self.rng.uniform(0.02, 0.12, STRIPS)
                    strips[place] = np.where(
                        anew, fresh[place] * np.exp(self.rng.normal(-0.08, 0.4, STRIPS)), strips[place]
                    )
                next_storm += 1
            if not loads:
                break
            cell = places[k]
            here = self.grade(day)[self.stretch(cell)].mean()
            each_kg = here * 0.6 / (here / 5180 + (1 - here) / 2650) * LOAD_M3
            of_strip = 50.0 * self.width_m[cell] * 0.15 * BITE_M / LOAD_M3 / STRIPS
            left, magnetics_kg = float(loads), 0.0
            for strip in np.argsort(-strips[k]):
                took = min(left, of_strip)
                magnetics_kg += took * each_kg * strips[k][strip] * 0.9
                strips[k][strip] *= 1 - 0.9 * took / of_strip
                left -= took
            purity = float(np.round(self.rng.uniform(82, 93)))
            product_kg = magnetics_kg * 0.85 / (purity / 100) * np.exp(self.rng.normal(0, 0.07))
            rows.append((day, cell, loads, product_kg, purity))
        return rows, {k: min(strips[k].mean() / fresh[k], 1.0) for k in strips}


def write_dem(rng, height, main_cells):
    """Write the surveyed DEM: true land, roughness, a road bank, a pit, and two holes in the survey."""
    seen = height + 0.12 * gaussian_filter(rng.normal(size=height.shape), 2) / 0.14
    seen += rng.normal(0, 0.03, height.shape)
    row, col = divmod(int(main_cells[len(main_cells) // 3]), COLS)
    seen[row - 1 : row + 2, max(col - 14, 0) : col + 15] = np.maximum(
        seen[row - 1 : row + 2, max(col - 14, 0) : col + 15], height[row, col] + 2.2
    )
    seen[40:48, 300:309] -= 6.0
    seen[:30, :40][np.add.outer(np.arange(30), np.arange(40)) < 28] = np.nan
    seen[150:153, 60:64] = np.nan
    with rasterio.open(
        HERE / "dem.tif",
        "w",
        driver="GTiff",
        height=ROWS,
        width=COLS,
        count=1,
        dtype="float32",
        crs=f"EPSG:{EPSG}",
        transform=from_origin(WEST_M, NORTH_M, CELL_M, CELL_M),
        nodata=-9999.0,
        compress="deflate",
        predictor=3,
    ) as file:
        file.write(np.where(np.isnan(seen), -9999.0, np.round(seen, 2)).astype(np.float32), 1)


def place_of(cell):
    """Easting and northing of a cell's centre, metres."""
    row, col = divmod(int(cell), COLS)
    return WEST_M + (col + 0.5) * CELL_M, NORTH_M - (row + 0.5) * CELL_M


def choose_cells(rng, channel, area_m2, count):
    """Where somebody walked and sampled: spread over the washes, a little more along the larger ones."""
    chosen = []
    weight = area_m2[channel] ** AREA_POWER
    while len(chosen) < count:
        cell = int(rng.choice(channel, p=weight / weight.sum()))
        east, north = place_of(cell)
        if all(np.hypot(east - e, north - n) > 90 for e, n in map(place_of, chosen)):
            chosen.append(cell)
    return chosen


def sample_rows(rng, cells, seasons_past, to_lonlat):
    """Field notes: masses, depths, places and words, as a person writes them down."""
    rows = []
    start = date(2024, 10, 12)
    seasons = [start + timedelta(days=int(d)) for d in rng.integers(0, 150, len(cells))]
    seasons = [d if k % 3 else d + timedelta(days=365) for k, d in enumerate(seasons)]

    def note(cell, day, share, *, top_cm="", bottom_cm="", words="", place="", wet=False, trace=False):
        east, north = place_of(cell)
        accuracy = float(rng.choice([3, 4, 5, 6, 8]))
        east += rng.normal(0, accuracy / 2)
        north += rng.normal(0, accuracy / 2)
        lon, lat = to_lonlat.transform(east, north)
        dry_g = float(np.round(rng.uniform(350, 1100)))
        scoop = share * np.exp(rng.normal(0, 0.15))
        scoop = min(scoop, 0.9)
        moisture = float(np.round(rng.uniform(2, 7), 1)) if wet else 0.0
        rows.append(
            {
                "id": str(uuid.uuid5(NAMESPACE, str(len(rows)))),
                "time": day.isoformat(),
                "lon": f"{lon:.6f}",
                "lat": f"{lat:.6f}",
                "accuracy_m": f"{accuracy:g}",
                "depth_top_cm": top_cm,
                "depth_bottom_cm": bottom_cm,
                "dry_mass_g": "" if wet else f"{dry_g:g}",
                "wet_mass_g": f"{dry_g / (1 - moisture / 100):.0f}" if wet else "",
                "moisture_percent": f"{moisture:g}" if wet else "",
                "magnetic_mass_g": "" if trace else f"{scoop * dry_g:.1f}",
                "trace": "yes" if trace else "",
                "place": place,
                "note": words,
            }
        )

    poorest = min(cells, key=lambda cell: seasons_past.grade(start)[cell])
    for k, (cell, day) in enumerate(zip(cells, seasons, strict=True)):
        share = seasons_past.grade(day)[cell]
        if cell == poorest:
            note(cell, day, share, words="a few specks on the magnet, too little to weigh", trace=True)
        elif k % 9 == 4:
            # Three layers whose mean over ten centimetres is the bed's grade: a streak on top or buried.
            buried = k % 2 == 0
            shares = np.array([0.5, 2.6, 0.4]) if buried else np.array([2.3, 0.6, 0.5])
            thickness = np.array([3.0, 3.0, 4.0])
            shares = shares * 10 / (shares * thickness).sum()
            edges = [0, 3, 6, 10]
            place = f"pit {chr(97 + k // 9)}"
            for layer in range(3):
                note(
                    cell,
                    day,
                    min(share * shares[layer], 0.85),
                    top_cm=f"{edges[layer]}",
                    bottom_cm=f"{edges[layer + 1]}",
                    place=place,
                    words="dark streak" if shares[layer] > 1.5 else "",
                )
        else:
            note(cell, day, share, top_cm="0", bottom_cm="10", wet=k % 4 == 1)
            if k % 8 == 3:
                note(cell, day, share, top_cm="0", bottom_cm="10", words="second scoop beside the first")
    # Ten times too much must still be less than the whole, or the import would refuse it.
    sound = next(
        row
        for row in rows
        if row["dry_mass_g"]
        and not row["place"]
        and row["magnetic_mass_g"]
        and 0.02 < float(row["magnetic_mass_g"]) / float(row["dry_mass_g"]) < 0.07
    )
    slip = sound | {
        "id": str(uuid.uuid5(NAMESPACE, "slip")),
        "magnetic_mass_g": f"{float(sound['magnetic_mass_g']) * 10:.1f}",
        "note": "decimal point slipped; struck in the demo",
    }
    rows.append(slip)
    return rows


def point(rng, cell, to_lonlat):
    """Where somebody stood, as a telephone told it."""
    east, north = place_of(cell)
    lon, lat = to_lonlat.transform(east + rng.normal(0, 2), north + rng.normal(0, 2))
    return {"lon": f"{lon:.6f}", "lat": f"{lat:.6f}"}


def storm_rows(past, stem, to_lonlat):
    """Storms as the notebook knows them: a gauge that errs by a tenth, flood marks, a day without flow."""
    rows = []
    blank = {"lon": "", "lat": "", "rain_mm": "", "duration_min": "", "mark_depth_cm": "", "no_flow": ""}
    for k, (day, rain_mm, minutes, known) in enumerate(STORMS):
        row = {"id": str(uuid.uuid5(NAMESPACE, f"storm {k}")), "time": day.isoformat(), **blank, "note": ""}
        if "rain" in known or known == "no flow":
            read = rain_mm * np.exp(past.rng.normal(0, 0.1))
            row |= {"rain_mm": f"{read:.0f}", "duration_min": f"{minutes}"}
        if known == "no flow":
            row |= {"no_flow": "yes", "note": "wet slopes, the washes did not run"}
            rows.append(row)
            continue
        if "rain" in known:
            rows.append(row)
        if "mark" in known:
            cell = stem[30 if k == 3 else 55]
            by_width = past.peak[k][cell] / past.width_m[cell]
            depth_m = (by_width * 0.030 / past.fall[cell] ** 0.5) ** 0.6
            mark = {"id": str(uuid.uuid5(NAMESPACE, f"mark {k}")), "time": day.isoformat(), **blank}
            mark |= point(past.rng, cell, to_lonlat) | {"mark_depth_cm": f"{100 * depth_m:.0f}"}
            rows.append(mark | {"note": "line of reeds on the bank"})
    return rows


def dig_rows(rng, dug, to_lonlat):
    """Digs as the notebook knows them; one product was never weighed."""
    rows = []
    for k, (day, cell, loads, product_kg, purity) in enumerate(dug):
        weighed = k != 3
        rows.append(
            {
                "id": str(uuid.uuid5(NAMESPACE, f"dig {k}")),
                "time": day.isoformat(),
                **point(rng, cell, to_lonlat),
                "loads": f"{loads}",
                "bite_cm": "10",
                "product_mass_kg": f"{product_kg:.1f}" if weighed else "",
                "purity_percent": f"{purity:g}" if weighed else "",
                "note": "" if weighed else "not weighed",
            }
        )
    return rows


def look_rows(past, sandy, to_lonlat):
    """Looks at the bed two days after three of the storms."""
    rows = []
    for storm in (2, 4, 6):
        for cell in past.rng.choice(sandy, 6, replace=False).tolist():
            depth_m = float(past.depths_m(storm, cell, 1)[0])
            seen, buried_cm = "unchanged", ""
            if depth_m > 0.02:
                seen = "fresh streak" if past.rng.random() < 0.75 else "buried"
                buried_cm = f"{max(100 * depth_m * 0.6, 2):.0f}" if seen == "buried" else ""
            rows.append(
                {
                    "id": str(uuid.uuid5(NAMESPACE, f"look {len(rows)}")),
                    "time": (STORMS[storm][0] + timedelta(days=2)).isoformat(),
                    **point(past.rng, cell, to_lonlat),
                    "seen": seen,
                    "depth_cm": buried_cm,
                }
            )
    return rows


def write_rows(name, rows):
    """Write records as CSV."""
    with (HERE / name).open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def write_geojson(name, features):
    """Write features as RFC 7946."""
    text = json.dumps({"type": "FeatureCollection", "features": features}, indent=1)
    (HERE / name).write_text(text + "\n", encoding="utf-8")


def main():
    """Make all files of the demo site."""
    rng = np.random.default_rng(SEED)
    dark = blobs(rng, 6, 34)
    height, open_edge = carve(rng, dark)
    receiver, order, distance = route(height, open_edge)
    area_m2 = accumulate(receiver, order, np.ones(height.size)) * CELL_M**2
    base, pulse, fall = true_bed(rng, receiver, order, distance, area_m2, height, dark)
    past = Seasons(np.random.default_rng(SEED + 1), base, pulse, fall, receiver, order, area_m2)
    grade = past.grade(date.max)
    channel = np.flatnonzero((area_m2 >= 8_000) & (receiver >= 0))

    mouth = order[np.argmax(area_m2[order])]
    stem = [int(mouth)]
    donors = {}
    for cell in channel:
        donors.setdefault(int(receiver[cell]), []).append(int(cell))
    while donors.get(stem[-1]):
        stem.append(max(donors[stem[-1]], key=lambda cell: area_m2[cell]))
    write_dem(rng, height, stem)

    to_lonlat = Transformer.from_crs(EPSG, 4326, always_xy=True)
    row, col = np.divmod(np.arange(height.size), COLS)
    inside = np.minimum.reduce([row, col, ROWS - 1 - row, COLS - 1 - col]) >= 4
    sandy = np.flatnonzero((area_m2 >= 12_000) & (receiver >= 0) & inside)
    cells = choose_cells(rng, sandy, area_m2, PLACES)
    rows = sample_rows(rng, cells, past, to_lonlat)
    write_rows("samples.csv", rows)
    # The digger goes where a sample of the first weeks was best, then on to the next best.
    early = past.grade(date(2025, 1, 18))
    rich = sorted((cell for cell in cells if area_m2[cell] < 400_000), key=lambda cell: -early[cell])[:4]
    dug, left = past.dig(rich)
    write_rows("storms.csv", storm_rows(past, stem, to_lonlat))
    write_rows("digs.csv", dig_rows(past.rng, dug, to_lonlat))
    write_rows("looks.csv", look_rows(past, sandy, to_lonlat))

    left_share = np.ones(height.size)
    for k, cell in enumerate(rich):
        left_share[past.stretch(cell)] = left[k]
    with (HERE / "truth.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["easting_m", "northing_m", "grade", "left_share", "fresh_share"])
        last = gamma.sf(0.05, 1.6, scale=past.moved[-1] / 1.6)
        for cell in channel:
            east, north = place_of(cell)
            told = (grade[cell], left_share[cell], last[cell])
            writer.writerow([f"{east:.1f}", f"{north:.1f}", *(f"{value:.4f}" for value in told)])

    def ring(corners):
        return [[round(v, 6) for v in to_lonlat.transform(e, n)] for e, n in corners]

    west, east = WEST_M, WEST_M + COLS * CELL_M
    south, north = NORTH_M - ROWS * CELL_M, NORTH_M
    edge = [(west + 60, south + 5), (east - 8, south + 60), (east - 25, north - 70), (west + 220, north - 30)]
    edge.append((west + 40, north - 240))
    write_geojson(
        "property.geojson",
        [
            {
                "type": "Feature",
                "properties": {"name": "Foundry common"},
                "geometry": {"type": "Polygon", "coordinates": [ring([*edge, edge[0]])]},
            }
        ],
    )
    crust = [(east - 560, north - 560), (east - 400, north - 590), (east - 380, north - 440)]
    crust.append((east - 520, north - 420))
    write_geojson(
        "no_go.geojson",
        [
            {
                "type": "Feature",
                "properties": {"name": "Gypsum crust with rare plants"},
                "geometry": {"type": "Polygon", "coordinates": [ring([*crust, crust[0]])]},
            }
        ],
    )
    gate = place_of(stem[12])
    write_geojson(
        "access.geojson",
        [
            {
                "type": "Feature",
                "properties": {"name": "Ford and parking"},
                "geometry": {"type": "Point", "coordinates": ring([gate])[0]},
            }
        ],
    )
    print(
        f"{len(channel)} channel cells, {len(rows)} sample rows, grade on channels "
        f"{np.quantile(grade[channel], [0.05, 0.5, 0.95]).round(3)}, dark share {dark.mean():.2f}, "
        f"relief {np.ptp(height):.0f} m, main area {area_m2.max() / 1e6:.2f} km2"
    )


if __name__ == "__main__":
    main()
