"""Standing water: level patches of a DEM, such as lakes, filled hollows and the sea."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.errors import GroundError
from washgrade.land.dem import Dem
from washgrade.land.grids import MakeGrid, any_in, bands
from washgrade.land.kernel import COL_STEP, ROW_STEP, as_heights, kernel
from washgrade.units import show_area, show_height

__all__ = ["LAKE", "LAND", "SEA", "Water", "find_water", "without_sea"]

LAND, LAKE, SEA = 0, 1, 2
# While at work: a level patch that was looked at and is no water.
SEEN = 3

# Two acres: from that size on, the Lidar Base Specification of the US Geological Survey (Heidemann 2018,
# Techniques and Methods 11-B4) has inland waters made level in a DEM. Figure from memory.
LEAST_AREA_M2 = 8094.0
# Our choice, because three cells by three are level by chance on coarse grids.
LEAST_CELLS = 25
# Our choices: in a DEM of whole metres every gentle slope is a stair of level patches. It is known by more
# than this share of neighbours of one height outside the patches found, and then only patches this many times
# larger are called water, and only those at exactly 0 sea: the lowest tread on the map's edge is land.
STAIR_SHARE = 0.02
STAIR_FACTOR = 10.0
# A line of one height, such as the foot of a plane, has no cell inside; a tenth is our choice.
INNER_SHARE = 0.1
# A lake's shore is higher than the lake but where it spills; a tread of a stair has half of its rim lower.
LOWER_RIM_SHARE = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Water:
    """Where a DEM shows standing water.

    Parameters
    ----------
    kind : ndarray of uint8, shape (rows, cols)
        `LAND` (0, voids too), `LAKE` (1) or `SEA` (2).
    level_m, area_m2 : ndarray of float64, shape (patches,)
        Height and size of each patch, metres and square metres, the largest first.
    is_sea : ndarray of bool, shape (patches,)
        Which of them are sea.
    cell : ndarray of int64, shape (patches,)
        Flat index of one cell in each.
    least_area_m2 : float
        Smallest patch that counts, square metres.
    """

    kind: NDArray[np.uint8]
    level_m: NDArray[np.float64]
    area_m2: NDArray[np.float64]
    is_sea: NDArray[np.bool_]
    cell: NDArray[np.int64]
    least_area_m2: float

    def __len__(self) -> int:
        return len(self.level_m)

    def sentences(self, units: str = "metric") -> tuple[str, ...]:
        """Say what was found.

        Parameters
        ----------
        units : {"us", "metric"}
            What the reader is used to.

        Returns
        -------
        tuple of str
            Plain words; empty if there is no standing water.
        """
        told = []
        sea, lake = self.is_sea, ~self.is_sea
        if sea.any():
            told.append(
                f"{show_area(self.area_m2[sea].sum(), units)} of level ground at "
                f"{show_height(self.level_m[sea][0], units)} on the edge of the map, the lowest there is: "
                "taken as sea or the lake below, left out of the ground; water leaves at its shore."
            )
        if lake.any():
            count = int(lake.sum())
            told.append(
                f"{count} level {'patches' if count > 1 else 'patch'} of "
                f"{show_area(self.area_m2[lake].sum(), units)} in all, the largest "
                f"{show_area(self.area_m2[lake][0], units)} at {show_height(self.level_m[lake][0], units)}: "
                "lakes or filled hollows. Water is led through; lines of flow across them are no washes."
            )
        return tuple(told)

    def is_on_water(self, cell: NDArray[np.integer]) -> NDArray[np.bool_]:
        """Say which cells, such as those of nodes, lie on standing water.

        Parameters
        ----------
        cell : ndarray of int, shape (places,)
            Flat indices of cells.

        Returns
        -------
        ndarray of bool, shape (places,)
            True on lakes and on the sea.
        """
        found: NDArray[np.bool_] = self.kind.ravel()[np.asarray(cell)] != LAND
        return found


def find_water(dem: Dem, *, least_area_m2: float | None = None, make: MakeGrid = np.zeros) -> Water:
    """Find the level patches of a DEM that are standing water.

    Parameters
    ----------
    dem : Dem
        The ground as read; breached and filled ground has level patches of its own.
    least_area_m2 : float, optional
        Smallest patch that counts, square metres. Unless told: two acres and 25 cells, ten times that where
        the heights go up in steps.
    make : MakeGrid, optional
        Makes grids where they shall lie; in memory unless told.

    Returns
    -------
    Water
        Mask and list.

    Raises
    ------
    InputError
        If the area is not above 0.
    GroundError
        If the ground is no grid that the loops take.

    Notes
    -----
    A patch is a set of cells of exactly one height that hang together over their sides; DEM makers level
    water so. At least a tenth of its cells must have no rim. It is a lake if at most a tenth of its rim
    (pairs of a patch cell and one of its eight neighbours outside) is lower. It is sea if it touches the
    map's edge or a void, is the lowest ground of all or lies at exactly 0, and its rim holds nothing lower;
    in a DEM of stepped heights only at exactly 0. A river that was levelled in steps is not found.

    Examples
    --------
    >>> ground = np.add.outer(np.arange(9.0), np.arange(9.0)).astype(np.float32) + 5
    >>> ground[:4, :4] = 3
    >>> dem = Dem(elevation_m=ground, cell_m=30, west_m=0, north_m=270, crs="EPSG:25830")
    >>> water = find_water(dem, least_area_m2=9000)
    >>> water.level_m.tolist(), water.area_m2.tolist(), water.is_sea.tolist()
    ([3.0], [14400.0], [True])
    """
    heights = as_heights(dem.elevation_m)
    cell_area_m2 = dem.cell_m**2
    least_m2 = max(LEAST_AREA_M2, LEAST_CELLS * cell_area_m2)
    if least_area_m2 is not None:
        least_m2 = number("least_area_m2", least_area_m2, above=0)
    kind = make(dem.shape, np.uint8)
    size, level, where, sea = _find_patches(heights, kind, max(1, int(np.ceil(least_m2 / cell_area_m2))))
    if len(size) and _equal_share(heights, kind) > STAIR_SHARE:
        if least_area_m2 is None:
            least_m2 *= STAIR_FACTOR
        sea &= level == 0.0
        for patch in np.flatnonzero((size * cell_area_m2 < least_m2) | ((kind.ravel()[where] == SEA) & ~sea)):
            _remark(heights, kind, where[patch], LAND if size[patch] * cell_area_m2 < least_m2 else LAKE)
        keep = size * cell_area_m2 >= least_m2
        size, level, where, sea = size[keep], level[keep], where[keep], sea[keep]
    _clear_seen(kind)
    order = np.argsort(-size, kind="stable")
    return Water(
        kind=kind,
        level_m=level[order].astype(np.float64),
        area_m2=size[order].astype(np.float64) * cell_area_m2,
        is_sea=sea[order],
        cell=where[order],
        least_area_m2=least_m2,
    )


def without_sea(dem: Dem, water: Water, *, make: MakeGrid = np.zeros) -> Dem:
    """Leave the sea out of the ground, so that water leaves at its shore.

    Parameters
    ----------
    dem : Dem
        The ground.
    water : Water
        What `find_water` found on it.
    make : MakeGrid, optional
        Makes grids where they shall lie; in memory unless told.

    Returns
    -------
    Dem
        The ground with voids for the sea; the same object if there is none.

    Raises
    ------
    GroundError
        If the two do not fit, or all is sea.

    Examples
    --------
    >>> ground = np.add.outer(np.arange(9.0), np.arange(9.0)).astype(np.float32) + 5
    >>> ground[:4, :4] = 3
    >>> dem = Dem(elevation_m=ground, cell_m=30, west_m=0, north_m=270, crs="EPSG:25830")
    >>> int(np.isnan(without_sea(dem, find_water(dem, least_area_m2=9000)).elevation_m).sum())
    16
    """
    if water.kind.shape != dem.shape:
        raise GroundError(
            f"Invalid 'water' of shape {water.kind.shape}. It must be that of the DEM, {dem.shape}."
        )
    if not water.is_sea.any():
        return dem
    land_m = make(dem.shape, np.float32)
    for band in bands(dem.shape):
        land_m[band] = np.where(water.kind[band] == SEA, np.float32(np.nan), dem.elevation_m[band])
    if not any_in(np.isfinite, land_m):
        raise GroundError("The DEM is level throughout: all of it looks like sea. It must hold some land.")
    return replace(dem, elevation_m=land_m)


# Find level patches of at least so many cells and mark them; return size, level, first cell, whether sea.
@kernel
def _find_patches(
    heights: NDArray[np.float32], kind: NDArray[np.uint8], least_cells: int
) -> tuple[NDArray[np.int64], NDArray[np.float32], NDArray[np.int64], NDArray[np.bool_]]:
    rows, cols = heights.shape
    ground = heights.ravel()
    mark = kind.ravel()
    lowest = np.float32(np.inf)
    for cell in range(len(ground)):
        if ground[cell] < lowest:
            lowest = ground[cell]
    # Room for all, here and below; what is never written takes no memory.
    room = len(ground) // max(least_cells, 1) + 1
    found = 0
    sizes = np.empty(room, np.int64)
    levels = np.empty(room, np.float32)
    places = np.empty(room, np.int64)
    seas = np.empty(room, np.bool_)
    patch = np.empty(len(ground), np.int32)
    for start in range(len(ground)):
        # The first cell of a patch, row by row, has its next one to the east or to the south.
        level = ground[start]
        if mark[start] != LAND or np.isnan(level):
            continue
        is_begun = (start + 1 < len(ground) and ground[start + 1] == level) or (
            start + cols < len(ground) and ground[start + cols] == level
        )
        if least_cells > 1 and not is_begun:
            continue
        mark[start] = SEEN
        patch[0] = start
        size = 1
        place = 0
        rim = 0
        lower = 0
        inner = 0
        at_edge = False
        while place < size:
            cell = patch[place]
            place += 1
            row = cell // cols
            col = cell - row * cols
            rim_before = rim
            for k in range(8):
                near_row = row + ROW_STEP[k]
                near_col = col + COL_STEP[k]
                if not (0 <= near_row < rows and 0 <= near_col < cols):
                    at_edge = True
                    continue
                near = near_row * cols + near_col
                height = ground[near]
                if np.isnan(height):
                    at_edge = True
                elif height == level:
                    if k % 2 == 0 and mark[near] == LAND:
                        mark[near] = SEEN
                        patch[size] = near
                        size += 1
                else:
                    rim += 1
                    if height < level:
                        lower += 1
            if rim == rim_before:
                inner += 1
        if size < least_cells or inner < INNER_SHARE * size:
            continue
        is_sea = at_edge and lower == 0 and (level == lowest or level == 0.0)
        if not is_sea and lower > LOWER_RIM_SHARE * rim:
            continue
        for place in range(size):
            mark[patch[place]] = SEA if is_sea else LAKE
        sizes[found] = size
        levels[found] = level
        places[found] = start
        seas[found] = is_sea
        found += 1
    return sizes[:found].copy(), levels[:found].copy(), places[:found].copy(), seas[:found].copy()


# Give the patch around a cell another mark. The cells of a patch were given one mark when it was found.
@kernel
def _remark(heights: NDArray[np.float32], kind: NDArray[np.uint8], start: int, into: int) -> None:
    rows, cols = heights.shape
    mark = kind.ravel()
    ground = heights.ravel()
    was = mark[start]
    stack = np.empty(len(ground), np.int32)
    stack[0] = start
    mark[start] = into
    size = 1
    while size > 0:
        size -= 1
        cell = stack[size]
        row = cell // cols
        col = cell - row * cols
        for k in range(0, 8, 2):
            near_row = row + ROW_STEP[k]
            near_col = col + COL_STEP[k]
            if 0 <= near_row < rows and 0 <= near_col < cols:
                near = near_row * cols + near_col
                if mark[near] == was and ground[near] == ground[start]:
                    mark[near] = into
                    stack[size] = near
                    size += 1


# Share of neighbours side by side, both land, that have one height.
@kernel
def _equal_share(heights: NDArray[np.float32], kind: NDArray[np.uint8]) -> float:
    rows, cols = heights.shape
    equal = 0
    pairs = 0
    for row in range(rows):
        for col in range(cols - 1):
            if kind[row, col] == LAKE or kind[row, col] == SEA:
                continue
            if kind[row, col + 1] == LAKE or kind[row, col + 1] == SEA:
                continue
            if np.isnan(heights[row, col]) or np.isnan(heights[row, col + 1]):
                continue
            pairs += 1
            if heights[row, col] == heights[row, col + 1]:
                equal += 1
    return equal / pairs if pairs else 0.0


@kernel
def _clear_seen(kind: NDArray[np.uint8]) -> None:
    """Make land again of what was only looked at."""
    mark = kind.ravel()
    for cell in range(len(mark)):
        if mark[cell] == SEEN:
            mark[cell] = LAND
