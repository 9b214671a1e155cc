"""Make the demo's ground, samples and truth from a seed: ``python demo_site/make_demo_site.py``.

Everything here is invented: a valley of gypsum and dark volcanic hills, set on purpose in open sea on the
map (ETRS89 / UTM 30N), so that nobody mistakes it for land that can be dug. The land is carved by a small
stream-power model, the grade follows from where the dark rock lies, how its sand is diluted down the washes
and where the bed catches heavy grains. None of that is the model that washgrade estimates with, and the
routing here is this script's own, so that the demo can be wrong: ``truth.csv`` says how wrong.

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

HERE = Path(__file__).resolve().parent
SEED = 20260117
ROWS, COLS, CELL_M = 320, 420, 5.0
WEST_M, NORTH_M, EPSG = 498_950.0, 4_020_800.0, 25830
NAMESPACE = uuid.UUID("6f0f4a52-5e0c-5a0e-9a55-64656d6f0001")
PLACES, AREA_POWER = 75, 0.25
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


def true_grade(rng, receiver, order, distance, area_m2, height, dark):
    """Grade of the top ten centimetres of bed at every cell, 0 to 1."""
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
    # Sand pulses travel down a wash and mix where washes join; their tails are heavier than a normal's.
    pulse = rng.standard_t(4, dark.size) * 0.28
    for cell in order[::-1]:
        down = receiver[cell]
        if down >= 0:
            share = area_m2[cell] / area_m2[down]
            pulse[down] += 0.93 * share * pulse[cell]
    local = 0.18 * rng.normal(size=dark.size)
    logit = np.log(diluted / (1 - diluted)) + 0.35 * catches + 0.75 * pulse + local + 0.35
    return 1 / (1 + np.exp(-logit))


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


def sample_rows(rng, cells, grade, to_lonlat):
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

    poorest = min(cells, key=lambda cell: grade[cell])
    for k, (cell, day) in enumerate(zip(cells, seasons, strict=True)):
        share = grade[cell]
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
    grade = true_grade(rng, receiver, order, distance, area_m2, height, dark)
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
    rows = sample_rows(rng, cells, grade, to_lonlat)
    with (HERE / "samples.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)

    with (HERE / "truth.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["easting_m", "northing_m", "grade"])
        for cell in channel:
            east, north = place_of(cell)
            writer.writerow([f"{east:.1f}", f"{north:.1f}", f"{grade[cell]:.4f}"])

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
