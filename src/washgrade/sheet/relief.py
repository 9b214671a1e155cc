"""The ground under a map: faint shade, and contour lines with heights."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from reportlab.lib.utils import ImageReader

from washgrade.land import grids
from washgrade.land.contours import block_means_m, contour_interval_m, contour_lines
from washgrade.land.dem import Dem, hillshade, horn_gradient
from washgrade.sheet.ink import PLAIN, Paper, colour, text_width_pt
from washgrade.sheet.labels import Rectangle
from washgrade.sheet.pen import CONTOUR, INDEX_CONTOUR, draw_line
from washgrade.sheet.scale import Window
from washgrade.sheet.view import Ground
from washgrade.units import FOOT_M

__all__ = ["draw_contours", "draw_relief", "seen_ground"]

# Paper between two contours on a steep slope, and a side of a cell below which a finer ground is not seen.
CONTOUR_MM = 1.2
CELL_MM = 0.35
STEEP_QUANTILE = 0.9
INDEX_EVERY = 5
# Black of the relief's darkest shade: faint, because lines and pencil must stand out on it.
RELIEF_BLACK = 0.17
_STEPS_M = np.array([0.5, 1, 2, 5, 10, 20, 50, 100, 200])
_STEPS_FT = np.array([1, 2, 5, 10, 20, 50, 100, 200, 500])


def seen_ground(ground: Ground, window: Window) -> Dem | None:
    """Cut out the ground of a map, as fine as the paper shows.

    Parameters
    ----------
    ground : Ground
        The whole ground, of which only this part is read, in bands of rows.
    window : Window
        The map.

    Returns
    -------
    Dem or None
        None where nothing is known.
    """
    box = window.box
    cells = max(int(CELL_MM * window.scale / 1000 / ground.cell_m), 1)
    edge = 2 * cells
    rows, cols = ground.shape
    first_row = max(math.floor((ground.north_m - box.north_m) / ground.cell_m) - edge, 0)
    last_row = min(math.ceil((ground.north_m - box.south_m) / ground.cell_m) + edge, rows)
    first_col = max(math.floor((box.west_m - ground.west_m) / ground.cell_m) - edge, 0)
    last_col = min(math.ceil((box.east_m - ground.west_m) / ground.cell_m) + edge, cols)
    if last_row - first_row < 3 * cells or last_col - first_col < 3 * cells:
        return None
    # Whole blocks in each band, so that the bands do not show.
    at_once = max(grids.BAND_CELLS // (last_col - first_col) // cells, 1) * cells
    parts = [
        block_means_m(
            ground.heights_m(slice(top, min(top + at_once, last_row)), slice(first_col, last_col)), cells
        )
        for top in range(first_row, last_row, at_once)
    ]
    means_m = np.concatenate(parts)
    # None is known, or strewn cells that fill half of no block.
    if not np.isfinite(means_m).any():
        return None
    return Dem(
        elevation_m=means_m,
        cell_m=ground.cell_m * cells,
        west_m=ground.west_m + first_col * ground.cell_m,
        north_m=ground.north_m - first_row * ground.cell_m,
        crs=ground.crs,
    )


def draw_relief(paper: Paper, dem: Dem, window: Window) -> None:
    """Faint shade of the ground under a low sun."""
    from PIL import Image

    shade = hillshade(dem, exaggeration=1.5)
    # What lies level stays white: less ink, and pencil shows.
    level = math.sin(math.radians(45.0))
    dark = np.clip((level - np.nan_to_num(shade, nan=level)) / level, 0.0, 1.0)
    grey = np.round(255.0 * (1.0 - RELIEF_BLACK * dark)).astype(np.uint8)
    picture = Image.fromarray(grey)
    wider = max(round(dem.cell_m * window.points_per_m / 1.4), 1)
    if wider > 1:
        picture = picture.resize((picture.width * wider, picture.height * wider), Image.Resampling.BICUBIC)
    rows, cols = dem.shape
    corner = window.on_paper(np.array([[dem.west_m, dem.north_m - rows * dem.cell_m]]))[0]
    paper.drawImage(
        ImageReader(picture),
        corner[0],
        corner[1],
        cols * dem.cell_m * window.points_per_m,
        rows * dem.cell_m * window.points_per_m,
    )


def draw_contours(
    paper: Paper,
    dem: Dem,
    window: Window,
    *,
    units: str,
    channels: NDArray[np.float64],
    labelled: list[Rectangle],
) -> float:
    """Draw the contours and write heights into some; returns the step in metres."""
    unit_m, steps = (FOOT_M, _STEPS_FT) if units == "us" else (1.0, _STEPS_M)
    eastward, southward = horn_gradient(dem.elevation_m, dem.cell_m)
    slope = np.hypot(eastward, southward)
    step_m = contour_interval_m(
        float(np.nanquantile(slope, STEEP_QUANTILE)),
        metres_per_mm=window.scale / 1000,
        least_mm=CONTOUR_MM,
        steps_m=steps * unit_m,
    )
    low, high = float(np.nanmin(dem.elevation_m)), float(np.nanmax(dem.elevation_m))
    for count in range(math.ceil(low / step_m), math.floor(high / step_m) + 1):
        index = count % INDEX_EVERY == 0
        lines = [window.on_paper(line) for line in contour_lines(dem, count * step_m)]
        for line in lines:
            draw_line(paper, line, INDEX_CONTOUR if index else CONTOUR)
        if index and lines:
            longest = max(lines, key=len)
            _height(paper, f"{count * step_m / unit_m:g}", longest, window, channels, labelled)
    return step_m


def _height(
    paper: Paper,
    text: str,
    line: NDArray[np.float64],
    window: Window,
    channels: NDArray[np.float64],
    labelled: list[Rectangle],
) -> None:
    """Write a height into its contour, away from channels and other heights, if there is such a place."""
    size_pt = 5.0
    room_pt = text_width_pt(text, PLAIN, size_pt) + 3.0
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    if along[-1] < 4 * room_pt:
        return
    best: tuple[float, NDArray[np.float64], float, Rectangle] | None = None
    for middle in np.linspace(2 * room_pt, along[-1] - 2 * room_pt, 24):
        ends = np.array(
            [
                [np.interp(at, along, line[:, k]) for k in (0, 1)]
                for at in (middle - room_pt / 2, middle, middle + room_pt / 2)
            ]
        )
        across, up = ends[2] - ends[0]
        straight = math.hypot(across, up) / room_pt
        spot, half = ends[1], room_pt / 2 + 2.0
        area = (spot[0] - half, spot[1] - half, spot[0] + half, spot[1] + half)
        if (
            straight < 0.93
            or area[0] < window.left_pt
            or area[1] < window.bottom_pt
            or area[2] > window.left_pt + window.width_pt
            or area[3] > window.bottom_pt + window.height_pt
            or any(
                area[0] < other[2] and other[0] < area[2] and area[1] < other[3] and other[1] < area[3]
                for other in labelled
            )
        ):
            continue
        near_pt = math.inf
        if len(channels):
            near_pt = float(np.hypot(channels[:, 0] - spot[0], channels[:, 1] - spot[1]).min())
        cost = max(12.0 - near_pt, 0.0) + 8.0 * (1.0 - straight)
        if best is None or cost < best[0]:
            turn = math.degrees(math.atan2(up, across))
            best = (cost, spot, (turn + 90.0) % 180.0 - 90.0, area)
    if best is None or best[0] > 6.0:
        return
    labelled.append(best[3])
    paper.saveState()
    paper.translate(*best[1])
    paper.rotate(best[2])
    paper.setFillColor(colour("#ffffff"))
    paper.rect(-room_pt / 2 + 0.5, -size_pt / 2, room_pt - 1.0, size_pt, stroke=0, fill=1)
    paper.setFillColor(colour("#7d6f58"))
    paper.setFont(PLAIN, size_pt)
    paper.drawCentredString(0, -0.36 * size_pt, text)
    paper.restoreState()
