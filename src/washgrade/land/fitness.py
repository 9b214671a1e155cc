"""Whether the cells of a DEM are small enough for the wash, and what suffers if not."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washgrade.checks import choice, number
from washgrade.errors import GroundError
from washgrade.land.kernel import as_heights
from washgrade.land.width import WIDTH_CURVES
from washgrade.units import show_length

__all__ = ["cell_doubt", "expected_width_m", "known_cell_m"]

# Our choice, because a bed and its banks need three cells across to show at all.
CELLS_ACROSS = 3.0
# Finest DEMs that are given away for whole regions; common practice, no source.
FINEST_M = 0.5
# Our choices: a stretched DEM bends in fewer than this share of its places as strongly as where its own cells
# meet, and is only looked for where a hundred rows and columns can tell.
BEND_RATIO = 0.05
LEAST_SIDE = 60
MOST_STRETCH = 12


def expected_width_m(upstream_area_m2: ArrayLike, *, curve: str = "general", quantile: float = 0.9) -> float:
    """Width of the larger beds of a network by hydraulic geometry.

    Parameters
    ----------
    upstream_area_m2 : array_like of float, shape (nodes,)
        Upstream areas of the channel's nodes, square metres.
    curve : str, optional
        Name in `washgrade.land.width.WIDTH_CURVES`, where the sources are.
    quantile : float, optional
        Which node is looked at, 0 to 1, in the order of areas. 0.9 is our choice, because heads a step wide
        make up most of a network and hold little sand.

    Returns
    -------
    float
        Width in metres.

    Raises
    ------
    InputError
        If the curve is unknown or the quantile is not from 0 to 1.
    GroundError
        If there is no area.

    Examples
    --------
    >>> round(expected_width_m([1e6, 2e6, 10e6], quantile=0.5), 2)
    3.45
    """
    choice("curve", curve, tuple(WIDTH_CURVES))
    number("quantile", quantile, at_least=0, at_most=1)
    area_m2 = np.asarray(upstream_area_m2, np.float64)
    if not area_m2.size:
        raise GroundError("Invalid 'upstream_area_m2' without a value. It must have one for each node.")
    return float(WIDTH_CURVES[curve].width_m(np.array([np.quantile(area_m2, quantile)]))[0])


def cell_doubt(
    cell_m: float, bed_width_m: float, *, source_cell_m: float | None = None, units: str = "metric"
) -> str:
    """Say what suffers where the cells are too large for the bed.

    Parameters
    ----------
    cell_m : float
        Side of the cells worked with, metres.
    bed_width_m : float
        Expected width of the bed, metres.
    source_cell_m : float, optional
        Side of the cells that were measured, metres, if larger: a DEM that was stretched onto smaller cells
        knows no more than before.
    units : {"us", "metric"}, optional
        What the reader is used to.

    Returns
    -------
    str
        The sentence; empty if the cells are small enough, that is at most a third of the bed.

    Raises
    ------
    InputError
        If a length is not above 0.

    Notes
    -----
    Three cells across the bed show it and its banks (our choice). A D8 line runs from middle to middle of
    cells, so it lies up to a cell off; two washes need two cells of ridge between them (our choice, because
    one cell belongs to both).

    Examples
    --------
    >>> print(cell_doubt(1.0, 3.0) or "fine")
    fine
    >>> print(cell_doubt(30.0, 3.0))
    Cells of 30 m are too large for a bed of about 3 m: its width and banks and the inner side of its bends do
    not show and are taken from rules, the line of the wash may be off by 30 m, bends shorter than 90 m are
    cut off, and washes closer than 60 m run together. A DEM with cells of 1 m would show them.
    """
    number("cell_m", cell_m, above=0)
    number("bed_width_m", bed_width_m, above=0)
    known_m = max(cell_m, number("source_cell_m", source_cell_m or cell_m, above=0))
    fit_m = bed_width_m / CELLS_ACROSS
    if known_m <= fit_m * (1.0 + 1e-9):
        return ""

    def shown(length_m: float) -> str:
        return show_length(length_m, units)

    cells = f"Cells of {shown(known_m)}"
    if known_m > cell_m * 1.05:
        cells += f", stretched onto {shown(cell_m)},"
    told = (
        f"{cells} are too large for a bed of about {shown(bed_width_m)}: its width and banks and the inner "
        "side of its bends do not show and are taken from rules"
    )
    if known_m > bed_width_m:
        told += (
            f", the line of the wash may be off by {shown(known_m)}, bends shorter than {shown(3 * known_m)} "
            f"are cut off, and washes closer than {shown(2 * known_m)} run together"
        )
    if fit_m < FINEST_M:
        return f"{told}. Measure the bed in a few places."
    better_m = math.floor(fit_m / FINEST_M) * FINEST_M
    return f"{told}. A DEM with cells of {shown(better_m)} would show them."


def known_cell_m(elevation_m: NDArray[np.float32], cell_m: float) -> float:
    """Cell size that was measured, where a DEM was stretched onto smaller cells by a whole factor.

    Parameters
    ----------
    elevation_m : ndarray of float32, shape (rows, cols)
        Heights in metres, as they lie in the file; NaN where void.
    cell_m : float
        Side of its cells, metres.

    Returns
    -------
    float
        Side of the cells before stretching, metres; ``cell_m`` where nothing shows that it was stretched.

    Raises
    ------
    InputError
        If the cell size is not above 0.
    GroundError
        If the heights are no grid.

    Notes
    -----
    Repeated cells step, and linearly interpolated ones bend, only where the former cells met: in one place,
    or two beside each other, of every n columns. The mean first and second differences of the columns, and
    of the rows, are compared over the n places of a period, for n of 2 to 12; elsewhere they must be less
    than a twentieth of the strongest. Cubic stretching, and stretching onto a turned grid, leave no such
    trace and are not found.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> coarse = rng.normal(size=(40, 40)).astype(np.float32)
    >>> known_cell_m(np.kron(coarse, np.ones((5, 5), np.float32)), 1.0), known_cell_m(coarse, 5.0)
    (5.0, 5.0)
    """
    heights = as_heights(elevation_m)
    number("cell_m", cell_m, above=0)
    if min(heights.shape) < LEAST_SIDE:
        return cell_m
    # A window in the middle tells enough, and keeps time and memory small on large ground.
    rows, cols = heights.shape
    window = heights[_middle(rows), _middle(cols)].astype(np.float64)
    factors = {_stretch(window), _stretch(window.T)}
    return cell_m * min(factors)


def _middle(size: int, most: int = 1024) -> slice:
    first = max(0, (size - most) // 2)
    return slice(first, min(size, first + most))


# Factor by which the columns of the heights were stretched; 1 if none shows.
def _stretch(heights: NDArray[np.float64]) -> int:
    step = _by_column(np.abs(np.diff(heights, axis=1)))
    bend = _by_column(np.abs(np.diff(heights, n=2, axis=1)))
    # From above: what shows at every fourth place shows at every second too.
    for factor in range(MOST_STRETCH, 1, -1):
        # Repeated cells step in one place of a period. Interpolated ones bend in one, or in two beside each
        # other where the former middles lie between the new ones.
        if len(_loud(step, factor)) == 1:
            return factor
        loud = _loud(bend, factor)
        if len(loud) == 1 or (len(loud) == 2 < factor and loud[1] - loud[0] in (1, factor - 1)):
            return factor
    return 1


def _by_column(differences: NDArray[np.float64]) -> NDArray[np.float64]:
    known = np.isfinite(differences)
    total = np.where(known, differences, 0.0).sum(axis=0)
    mean: NDArray[np.float64] = np.full(total.shape, np.nan)
    np.divide(total, known.sum(axis=0), out=mean, where=known.any(axis=0))
    return mean


# The places of a period in which something happens; all of them where nothing does.
def _loud(by_column: NDArray[np.float64], factor: int) -> list[int]:
    places = [by_column[start::factor] for start in range(factor)]
    means = [float(np.nanmean(place)) if np.isfinite(place).any() else 0.0 for place in places]
    return [place for place, mean in enumerate(means) if mean >= BEND_RATIO * max(means)]
