"""An invented ground for the page's own tests: washes that branch like trees, a relief, samples.

The heights are noise with long waves over a tilted plane, entered from the mouth upward, the lowest cell
on the edge first (invasion percolation), so that every cell drains the way it was entered; channels are the
cells that drain enough others. Nothing here comes from our own kernels: the page is tested alone.
"""

from __future__ import annotations

import heapq
import struct
import zlib

import numpy as np

from washgrade.files.columns import KINDS
from washgrade.files.sample import PUREST_KG_PER_LITRE
from washgrade.files.terrain import RELIEF_PIXELS
from washgrade.page.entry import entry_forms
from washgrade.page.view import (
    Belief,
    DayPlanView,
    DayStop,
    Entering,
    GroundMark,
    History,
    HistoryEvent,
    Hole,
    LastStorm,
    NextSpot,
    OtherDay,
    PageView,
    SampleMark,
    WalkStop,
    WalkView,
    Why,
)

CENTRE_LON, CENTRE_LAT = -2.3400, 37.0500
CELL_DEGREES = 5.0 / 111_320.0 / np.cos(np.radians(CENTRE_LAT))


def terrain(size: int, rng: np.random.Generator) -> np.ndarray:
    wave = np.hypot(*np.meshgrid(np.fft.fftfreq(size), np.fft.rfftfreq(size), indexing="ij"))
    wave[0, 0] = 1.0
    spectrum = np.fft.rfft2(rng.normal(size=(size, size))) * wave**-1.9
    spectrum[0, 0] = 0.0
    heights = np.fft.irfft2(spectrum, s=(size, size))
    row, col = np.mgrid[0:size, 0:size] / size
    return heights / heights.std() + 2.2 * (1.0 - row) + 1.2 * np.abs(col - 0.5)


def invade(heights: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Receiver of each cell and the order in which cells were entered, from the middle of the lower edge."""
    size = len(heights)
    flat = heights.ravel()
    mouth = size * (size - 1) + size // 2
    receiver = np.full(size * size, -2, dtype=np.int64)
    receiver[mouth] = -1
    queue = [(flat[mouth], mouth)]
    order = []
    while queue:
        _, cell = heapq.heappop(queue)
        order.append(cell)
        row, col = divmod(cell, size)
        for i in range(max(row - 1, 0), min(row + 2, size)):
            for j in range(max(col - 1, 0), min(col + 2, size)):
                other = i * size + j
                if receiver[other] == -2:
                    receiver[other] = cell
                    heapq.heappush(queue, (flat[other], other))
    return receiver, np.array(order)


def reach_lines(receiver: np.ndarray, order: np.ndarray, least: int, longest: int) -> tuple[list, np.ndarray]:
    """Cells of each reach, upstream before downstream, each ending on the first cell of the next."""
    area = np.ones(len(receiver), dtype=np.int64)
    for cell in order[::-1]:
        if receiver[cell] >= 0:
            area[receiver[cell]] += area[cell]
    channel = area >= least
    givers = np.zeros(len(receiver), dtype=np.int64)
    for cell in order:
        if channel[cell] and receiver[cell] >= 0:
            givers[receiver[cell]] += 1
    lines = []
    for cell in order[::-1]:
        if not channel[cell] or givers[cell] == 1:
            continue
        line = [cell]
        while receiver[line[-1]] >= 0:
            line.append(receiver[line[-1]])
            if givers[line[-1]] > 1:
                break
            if len(line) > longest:
                lines.append(line)
                line = [line[-1]]
        if len(line) > 1:
            lines.append(line)
    return lines, area


def png_of(grey: np.ndarray) -> bytes:
    """PNG of 8-bit RGB (PNG specification, second edition: chunks, filter 0)."""
    rows = b"".join(b"\0" + row.tobytes() for row in grey.astype(np.uint8))

    def chunk(kind: bytes, data: bytes) -> bytes:
        body = kind + data
        return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))

    head = struct.pack(">IIBBBBB", grey.shape[1], grey.shape[0], 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(rows, 9))
        + chunk(b"IEND", b"")
    )


def hillshade(heights: np.ndarray) -> np.ndarray:
    down, right = np.gradient(heights * 9.0)
    light = (0.7 + 0.5 * right + 0.5 * down) / np.sqrt(1.0 + right**2 + down**2)
    tone = np.clip(0.6 + 0.4 * light, 0.3, 1.1)
    level = (heights - heights.min()) / np.ptp(heights)
    tint = np.stack([228 + 16 * level, 216 + 10 * level, 196 + 2 * level], axis=-1)
    return np.clip(tint * tone[..., None], 0, 255)


def relief_of(heights: np.ndarray) -> np.ndarray:
    """No larger than the relief of a real page, and in as few steps of grey."""
    step = max(1, -(-len(heights) // RELIEF_PIXELS))
    picture = hillshade(heights)[::step, ::step]
    return np.rint(picture / 4) * 4 if step > 1 else picture


def sample_view(
    *, size: int = 140, least: int = 60, longest: int = 10, seed: int = 7, **changes: object
) -> PageView:
    rng = np.random.default_rng(seed)
    heights = terrain(size, rng)
    receiver, order = invade(heights)
    lines, area = reach_lines(receiver, order, least, longest)
    count = len(lines)
    cells = np.array([cell for line in lines for cell in line])
    start = np.concatenate([[0], np.cumsum([len(line) for line in lines])])
    row, col = np.divmod(cells, size)
    # Square in the web map's own projection, so that the picture of the relief lies exactly under the lines.
    half = size / 2.0
    stretch = np.cos(np.radians(CENTRE_LAT))

    def lon_of(at: np.ndarray) -> np.ndarray:
        return CENTRE_LON + (at + 0.5 - half) * CELL_DEGREES

    def lat_of(at: np.ndarray) -> np.ndarray:
        middle = np.arcsinh(np.tan(np.radians(CENTRE_LAT)))
        return np.degrees(np.arctan(np.sinh(middle - np.radians((at + 0.5 - half) * CELL_DEGREES))))

    lon, lat = lon_of(col), lat_of(row)
    tails = np.array([line[-1] for line in lines])
    middle = start[:-1] + np.diff(start) // 2
    smooth = terrain(size, rng).ravel()[cells[middle]]
    latent = -2.7 + 0.75 * (smooth - smooth.mean()) + 0.25 * rng.normal(size=count)
    picked = np.sort(rng.choice(count, size=min(18, count), replace=False))
    away = np.hypot(
        row[middle][:, None] - row[middle][picked], col[middle][:, None] - col[middle][picked]
    ).min(axis=1)
    doubt = 0.22 + 0.85 * (1.0 - np.exp(-away / 18.0))
    quantile = {
        p: 1.0 / (1.0 + np.exp(-(latent + z * doubt))) for p, z in ((10, -1.2816), (50, 0.0), (90, 1.2816))
    }
    grade = 1.0 / (1.0 + np.exp(-(latent + 0.1 * doubt)))
    depleted = rng.random(count) < 0.03
    kg = 6.4 * grade
    rank = np.empty(count, dtype=np.int64)
    rank[np.lexsort((-kg, depleted))] = np.arange(1, count + 1)
    chance = 1.0 / (1.0 + np.exp(np.clip((rank - 10) / (2.0 + 8.0 * doubt), -30, 30)))
    kinds = np.array(["sampled", "near", "inferred", "prior"])
    support = kinds[np.digitize(away, [2.0, 10.0, 40.0])]
    remarks = (
        "The bed widens here.",
        "Inside of a bend.",
        "Slope eases below a steep run.",
        "Just below a confluence.",
    )
    notes = tuple(
        tuple(rng.choice(remarks, size=int(n), replace=False)) for n in rng.integers(0, 3, size=count)
    )
    stem = np.array([chr(65 + int(n) % 26) for n in np.cumsum(rng.random(count) < 0.08)])
    names = tuple(f"{letter}{n + 1}" for n, letter in enumerate(stem))
    samples = tuple(
        SampleMark(
            sample_id=f"sample-{n}",
            day=f"2025-{9 + n % 3:02d}-{3 + n:02d}",
            lon=float(lon[middle[reach]]),
            lat=float(lat[middle[reach]]),
            grade=float("nan") if n == 4 else float(quantile[50][reach]),
            trace=n == 4,
            place=f"flag {n + 1}",
            note="dark streak under gravel" if n % 3 == 0 else "",
            depth_top_m=0.0,
            depth_bottom_m=0.1,
        )
        for n, reach in enumerate(picked)
    )
    edge = np.array([0.1, 0.1, 0.55, 0.9, 0.92, 0.1]) * size
    side = np.array([0.08, 0.97, 0.99, 0.9, 0.06, 0.08]) * size
    round_trip = np.linspace(0.0, 2.0 * np.pi, 20)
    shape: dict[str, object] = {
        "title": "Rambla del Yunque Negro",
        "day": "2026-02-14",
        "crs": "EPSG:25830",
        "datum": "ETRS89, heights above the DEM's own zero",
        "made_with": "washgrade 0.1.0",
        "invented": True,
        "reach_id": names,
        "line_lon": lon,
        "line_lat": lat,
        "line_start": start,
        "rank": rank,
        "grade_mean": grade,
        "grade_p10": quantile[10],
        "grade_p50": quantile[50],
        "grade_p90": quantile[90],
        "kg_per_load_mean": kg,
        "kg_per_load_p10": 6.3 * quantile[10],
        "kg_per_load_p50": 6.4 * quantile[50],
        "kg_per_load_p90": 6.5 * quantile[90],
        "chance_top": chance,
        "chance_above_cutoff": 1.0 / (1.0 + np.exp(-1.7 * (latent + 2.94) / doubt)),
        "stock_kg": np.where(depleted, 1.0, 180.0 * grade * rng.uniform(0.6, 1.6, size=count)),
        "loads_left": np.where(depleted, 2.0, np.rint(rng.uniform(15, 60, size=count))),
        "depleted": depleted,
        "closed": np.zeros(count, dtype=bool),
        "length_m": 5.0 * np.diff(start),
        "slope": rng.uniform(0.01, 0.08, size=count),
        "upstream_area_m2": 25.0 * area[tails],
        "width_m": 0.9 * (25.0 * area[tails]) ** 0.2,
        "support": tuple(support.tolist()),
        "notes": notes,
        "easting_m": 558_000.0 + 5.0 * stretch * col[middle],
        "northing_m": 4_100_000.0 - 5.0 * stretch * row[middle],
        "lon": lon[middle],
        "lat": lat[middle],
        "traps": tuple(
            ("Inside of a bend: look along the left bank (facing downstream).",) * (n % 2)
            for n in range(count)
        ),
        "width_measured": np.arange(count) % 3 == 0,
        "least_area": np.arange(count) % 4 == 0,
        "section_half_m": np.full(count, 20.0),
        # A flat bed of 5 m between banks that rise to 4 m on the left and to 2 m on the right.
        "section_m": np.tile(
            np.interp(np.linspace(-20, 20, 33), [-20, -2.5, 2.5, 20], [104, 100, 100, 102]).astype(
                np.float32
            ),
            (count, 1),
        ),
        "marks": (
            GroundMark(
                kind="cut",
                name="C1",
                lon=(float(lon_of(np.array(0.4 * size))), float(lon_of(np.array(0.42 * size)))),
                lat=(float(lat_of(np.array(0.5 * size))), float(lat_of(np.array(0.5 * size)))),
                length_m=14.0,
                depth_m=2.5,
            ),
            GroundMark(
                kind="hollow",
                name="H1",
                lon=(float(lon_of(np.array(0.6 * size))),),
                lat=(float(lat_of(np.array(0.6 * size))),),
                length_m=float("nan"),
                depth_m=3.0,
                why="the way out is too long",
            ),
        ),
        "holes": (
            Hole(
                name="pit a",
                day="2025-10-01",
                lon=samples[0].lon,
                lat=samples[0].lat,
                top_m=(0.0, 0.05),
                bottom_m=(0.05, 0.1),
                grade=(0.02, 0.3),
                low_grade=(0.015, 0.25),
                high_grade=(0.025, 0.35),
                told=(("A buried streak 2 in down.",), ("A buried streak 5 cm down.",)),
            ),
        ),
        "next_spots": (
            NextSpot(reach=names[0], lon=float(lon[middle[0]]), lat=float(lat[middle[0]]), gain_share=0.12),
        ),
        "walk": WalkView(
            stops=tuple(
                WalkStop(
                    reach=names[n],
                    lon=float(lon[middle[n]]),
                    lat=float(lat[middle[n]]),
                    leg_minutes=7.4,
                    arrival_minutes=7.4 + 22.4 * n,
                    two=n == 1,
                    settled_share=0.05,
                )
                for n in range(2)
            ),
            lon=lon[middle[:2]],
            lat=lat[middle[:2]],
            sentences=("2 stops.", "A plan, no promise."),
        ),
        "day_plan": DayPlanView(
            stops=tuple(
                DayStop(
                    reach=names[n + 40],
                    lon=float(lon[middle[n + 40]]),
                    lat=float(lat[middle[n + 40]]),
                    leg_minutes=9.6,
                    arrival_minutes=9.6 + 61.0 * n,
                    loads=40.0,
                    carries=3,
                    product_kg=4.5359237,
                )
                for n in range(2)
            ),
            lon=lon[middle[40:42]],
            lat=lat[middle[40:42]],
            sentences=(("20 lb of product.",), ("9.1 kg of product.",)),
        ),
        "storm": LastStorm(day="2026-01-30", told=("1.2 in of rain", "30 mm of rain")),
        # By name, so that neighbours differ and every class of colour occurs.
        "fresh_share": np.where(np.arange(count) % 7 == 6, np.nan, (np.arange(count) % 6) / 5.0),
        "left_share": np.where(depleted, 0.1, 1.0 - (np.arange(count) % 4) / 4.0),
        "other": OtherDay(
            day="2026-01-15",
            told="before the storm",
            rank=rank[::-1].copy(),
            grade_mean=grade * np.where(np.arange(count) % 2, 0.5, 1.5).clip(max=1.0 / grade),
            grade_p10=quantile[10] * 0.5,
            grade_p90=quantile[90],
            kg_per_load_mean=kg * np.where(np.arange(count) % 2, 0.5, 1.5),
            kg_per_load_p10=3.0 * quantile[10],
            kg_per_load_p90=6.5 * quantile[90],
            loads_left=np.full(count, 70.0),
        ),
        "history": History(
            days=("2025-09-01", "2026-01-15", "2026-02-14"),
            grade_mean=np.stack([grade * 0.8, grade * 0.9, grade], axis=1),
            grade_p10=np.stack([quantile[10] * 0.6, quantile[10] * 0.8, quantile[10]], axis=1),
            grade_p90=np.stack([quantile[90], quantile[90], quantile[90]], axis=1),
            left_share=np.tile([1.0, 0.4, 0.6], (count, 1)),
            events=(
                HistoryEvent(
                    day="2025-12-20", kind="dig", reach=names[0], told=("40 loads dug", "40 loads dug")
                ),
                HistoryEvent(
                    day="2026-01-30", kind="storm", reach="", told=("1.2 in of rain", "30 mm of rain")
                ),
            ),
        ),
        "entering": Entering(
            forms=entry_forms(KINDS),
            snap_max_m=30.0,
            accuracy_most_m=1000.0,
            purest_kg_m3=1000.0 * PUREST_KG_PER_LITRE,
        ),
        "why": Why(
            parts=("slope break", "likeness across the land"),
            added=np.tile([0.10, -0.01], (count, 1)),
            sample_ids=("sample-0", "elsewher"),
            place=np.tile(np.array([1, 0, -1], np.int32), (count, 1)),
            weight=np.tile([0.62, 0.05, 0.0], (count, 1)),
        ),
        "belief": Belief(
            sentences=("1 of 2 readings lies where it should.", "No duplicates."),
            reading=("sample-0", "sample-1", "sample-4"),
            grade=(0.3, 0.05, 0.002),
            low_grade=(0.01, 0.02, 0.001),
            high_grade=(0.1, 0.09, 0.03),
            trace=(False, False, True),
            numbers=(("local sd", "0.25 (0.1 to 0.6)", "0.3 (0.2 to 0.4)"),),
            effects=(("slope break", "1.1 (0.9 to 1.3)"),),
        ),
        "samples": samples,
        "property_rings": ((lon_of(edge), lat_of(side)),),
        "no_go_rings": (
            (
                lon_of(0.72 * size + 0.07 * size * np.cos(round_trip)),
                lat_of(0.3 * size + 0.05 * size * np.sin(round_trip)),
            ),
        ),
        "access": ((float(lon_of(np.array(0.3 * size))), float(lat_of(np.array(0.93 * size))), "Track end"),),
        "relief_png": png_of(relief_of(heights)),
        "relief_bounds": (
            float(lon_of(np.array(-0.5))),
            float(lat_of(np.array(size - 0.5))),
            float(lon_of(np.array(size - 0.5))),
            float(lat_of(np.array(-0.5))),
        ),
        "cutoff_grade": 0.05,
        "top": 10,
        "settings": (
            ("Shovel", "4 litres"),
            ("Cut-off grade", "5 %"),
            ("Bite", "10 cm"),
            ("Longest reach", "50 m"),
        ),
    }
    return PageView(**(shape | changes))  # type: ignore[arg-type]


def large_view() -> PageView:
    """About five thousand reaches."""
    return sample_view(size=330, least=11, longest=10)


def huge_view() -> PageView:
    """More than fifty thousand reaches."""
    return sample_view(size=1010, least=11, longest=10)
