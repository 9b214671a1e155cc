"""How much ground makes a channel: the constant-drop test."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr

from washgrade.checks import number
from washgrade.errors import GroundError, GroundWarning
from washgrade.land.links import strahler_order, stream_drops, walk_down
from washgrade.units import show_head_area, show_height

__all__ = ["DropTest", "constant_drop", "pick_area"]

# Our choice, because a mean and a spread of fewer streams say nothing.
LEAST_STREAMS = 3
# Our choice, because what fewer cells feed is noise of the DEM rather than a channel.
LEAST_CELLS = 25
# Our choice, because less than a hectare (2.5 acres) seldom feeds a sandy bed wide enough to shovel: it is a
# rill on a hillside. On a ground whose largest catchment is below a square kilometre, a hundredth of that.
LEAST_AREA_M2 = 10_000.0
SMALLEST_SHARE = 0.01
# Our choice, because fewer streams than a catchment a tenth as large gives leave nothing to compare.
LARGEST_SHARE = 0.1
# Our choice for ground on which the test decides nothing; common practice, no source.
FALLBACK_SHARE = 0.01
CANDIDATES = 24
T_LIMIT = 2.0

# The next cell downstream, the height in metres and the cells that drain through, of each cell in order.
Network = tuple[NDArray[np.int32], NDArray[np.float64], NDArray[np.integer]]


_GUESSED = "a guess from the largest catchment. Look at the map and set 'channel_area_m2' if it does not fit."


@dataclass(frozen=True, slots=True, kw_only=True)
class DropTest:
    """What the constant-drop test found for each candidate area, and the area taken.

    Parameters
    ----------
    area_m2 : ndarray of float64, shape (candidates,)
        Candidate upstream areas, ascending, square metres.
    first_count, higher_count : ndarray of int64, shape (candidates,)
        Streams of Strahler order 1, and of all higher orders.
    first_mean_m, higher_mean_m : ndarray of float64, shape (candidates,)
        Mean drop of these streams, metres; NaN where there are none.
    first_sd_m, higher_sd_m : ndarray of float64, shape (candidates,)
        Standard deviation of the drops, metres; NaN where there are fewer than two.
    t : ndarray of float64, shape (candidates,)
        Student's t of the difference of the means; NaN where either has fewer than 3 streams.
    p : ndarray of float64, shape (candidates,)
        Chance of a t at least as far from 0 if the means were one; NaN where t is.
    agrees : ndarray of bool, shape (candidates,)
        Whether the means do not differ, ``|t| < 2``.
    channel_area_m2 : float
        The area taken, square metres.
    passed : bool
        True if the test picked it; False if it is a fallback.
    """

    area_m2: NDArray[np.float64]
    first_count: NDArray[np.int64]
    first_mean_m: NDArray[np.float64]
    first_sd_m: NDArray[np.float64]
    higher_count: NDArray[np.int64]
    higher_mean_m: NDArray[np.float64]
    higher_sd_m: NDArray[np.float64]
    t: NDArray[np.float64]
    p: NDArray[np.float64]
    agrees: NDArray[np.bool_]
    channel_area_m2: float
    passed: bool

    def sentence(self, units: str = "metric") -> str:
        """Say which area was taken, and why.

        Parameters
        ----------
        units : {"us", "metric"}
            What the reader is used to.

        Returns
        -------
        str
            Plain words.
        """
        area = show_head_area(self.channel_area_m2, units)
        if not self.passed:
            return f"Channels begin at {area} of upstream area, {_GUESSED}"
        place = int(np.flatnonzero(self.agrees)[0])
        told = (
            f"Channels begin at {area} of upstream area: the smallest at which first-order "
            f"streams fall by as much as the others (t = {self.t[place]:.2f})."
        )
        if place == 0:
            told += " It is also the smallest area tried; give a smaller one if a sandy bed begins higher up."
        return told

    def rows(self) -> list[dict[str, Any]]:
        """Lay the table out for JSON and for people: one row a candidate, ascending.

        Returns
        -------
        list of dict
            Area, counts, means and standard deviations of the drops of first and of higher orders, t, p,
            whether the means agree and whether the area was taken. What is unknown is None.
        """
        names = (
            ("channel_area_m2", self.area_m2),
            ("first_order_streams", self.first_count),
            ("first_order_mean_drop_m", self.first_mean_m),
            ("first_order_sd_m", self.first_sd_m),
            ("higher_order_streams", self.higher_count),
            ("higher_order_mean_drop_m", self.higher_mean_m),
            ("higher_order_sd_m", self.higher_sd_m),
            ("t", self.t),
            ("p", self.p),
            ("agrees", self.agrees),
            ("taken", self.passed & (self.area_m2 == self.channel_area_m2)),
        )
        # JSON knows neither NaN nor infinity.
        return [
            {
                name: None if isinstance(value, float) and not math.isfinite(value) else value
                for (name, _), value in zip(names, row, strict=True)
            }
            for row in zip(*(values.tolist() for _, values in names), strict=True)
        ]

    def sentences(self, units: str = "metric") -> tuple[str, ...]:
        """Say the table in plain words, for who asks why channels begin where they do.

        Parameters
        ----------
        units : {"us", "metric"}
            What the reader is used to.

        Returns
        -------
        tuple of str
            The choice; what was tried; how the areas below the one taken fared.
        """
        tried = len(self.area_m2)
        if not tried:
            return (self.sentence(units), "The ground is too small to try areas.")
        told = [
            self.sentence(units),
            f"{tried} areas from {show_head_area(self.area_m2[0], units)} to "
            f"{show_head_area(self.area_m2[-1], units)} were tried; at "
            f"{int(self.agrees.sum())} of them the mean drops agree.",
        ]
        compared = ~np.isnan(self.t)
        if not compared.all():
            told.append(
                f"At {int((~compared).sum())} of them there are too few streams to compare: fewer than "
                f"{LEAST_STREAMS} of the first order or of the higher ones."
            )
        below = compared & (self.area_m2 < self.channel_area_m2) & ~self.agrees
        if self.passed and below.any():
            place = int(np.flatnonzero(below)[-1])
            told.append(
                f"At the next smaller area compared, {show_head_area(self.area_m2[place], units)}, "
                f"streams of the first order fall by {show_height(self.first_mean_m[place], units)} and the "
                f"others by {show_height(self.higher_mean_m[place], units)} (t = {self.t[place]:.1f}): "
                "hillsides count as channels there, or flat ground does."
            )
        return tuple(told)


def constant_drop(
    conditioned_m: NDArray[np.float32],
    directions: NDArray[np.uint8],
    upstream_cells: NDArray[np.int32],
    *,
    cell_m: float,
) -> DropTest:
    """Pick the smallest upstream area whose streams obey the law of constant drops.

    In a real network, streams of every Strahler order fall by about the same height. Where the area that
    makes a channel is set too small, hillslopes count as streams of the first order, and these fall by a
    different height than the rest. The smallest area at which the two means no longer differ is taken.

    Parameters
    ----------
    conditioned_m : ndarray of float32, shape (rows, cols)
        Heights without pits, metres.
    directions : ndarray of uint8, shape (rows, cols)
        From `washgrade.land.flow.flow_directions`.
    upstream_cells : ndarray of int32, shape (rows, cols)
        From `washgrade.land.flow.upstream_cells`.
    cell_m : float
        Side of a cell, metres.

    Returns
    -------
    DropTest
        The table and the choice.

    Raises
    ------
    InputError
        If the cell size is not above 0.
    GroundError
        If the three arrays differ in shape.

    Warns
    -----
    GroundWarning
        If no candidate passes; a hundredth of the largest catchment is then taken.

    Notes
    -----
    ``t = (m1 - mh) / (s sqrt(1/n1 + 1/nh))`` with the pooled variance
    ``s^2 = ((n1 - 1) s1^2 + (nh - 1) sh^2) / (n1 + nh - 2)``; a candidate passes with ``|t| < 2``. A stream
    runs from its head, or from where two of the order below meet, to where it joins a higher order or leaves
    the map. Candidates are 24 areas evenly spaced in logarithm, up to a tenth of the largest catchment. The
    smallest is one hectare, or a hundredth of the largest catchment where that is less, and never below 25
    cells: rills on hillsides may pass the test too, but nobody shovels them.

    References
    ----------
    Tarboton, D. G., Bras, R. L., Rodriguez-Iturbe, I. (1991). On the extraction of channel networks from
    digital elevation data. Hydrological Processes 5, 81-100.

    Examples
    --------
    >>> from washgrade.land import fill, flow
    >>> rough = np.random.default_rng(1).random((80, 80)) - 0.1 * np.arange(80)[:, None]
    >>> ground = fill.fill(rough.astype(np.float32))
    >>> ways = flow.flow_directions(ground)
    >>> found = constant_drop(ground, ways, flow.upstream_cells(ways), cell_m=10)
    >>> found.passed, bool(np.all(np.abs(found.t[found.area_m2 < found.channel_area_m2]) >= 2))
    (True, True)
    >>> [row["first_order_streams"] for row in found.rows() if row["taken"]]
    [30]
    """
    cell_m = number("cell_m", cell_m, above=0)
    if not conditioned_m.shape == directions.shape == upstream_cells.shape:
        raise GroundError(
            f"Invalid arrays of shapes {conditioned_m.shape}, {directions.shape} and {upstream_cells.shape}. "
            "Heights, directions and counts must have one shape."
        )
    count = upstream_cells.ravel()

    def network(least_cells: int) -> Network:
        cell, downstream, _ = walk_down(np.flatnonzero(count >= least_cells), directions)
        return downstream, conditioned_m.ravel()[cell].astype(np.float64), count[cell]

    return pick_area(network, cell_m=cell_m, largest=int(upstream_cells.max()))


def pick_area(network: Callable[[int], Network], *, cell_m: float, largest: int) -> DropTest:
    """Make the test of `constant_drop` on a network whose cells are given, however they were collected.

    Parameters
    ----------
    network : callable
        Called once with the fewest cells that must drain through a cell of the network; gives for its cells,
        upstream before downstream, the next one downstream (int32, -1 at an outlet), the height without pits
        (float64, metres) and the number of cells that drain through it.
    cell_m : float
        Side of a cell, metres.
    largest : int
        Most cells that drain through one cell of the ground.

    Returns
    -------
    DropTest
        The table and the choice.

    Warns
    -----
    GroundWarning
        If no candidate passes; a hundredth of the largest catchment is then taken.
    """
    cell_m2 = cell_m**2
    largest_m2 = float(largest) * cell_m2
    smallest_m2 = max(LEAST_CELLS * cell_m2, min(LEAST_AREA_M2, SMALLEST_SHARE * largest_m2))
    if largest_m2 * LARGEST_SHARE > smallest_m2:
        area_m2 = np.geomspace(smallest_m2, largest_m2 * LARGEST_SHARE, CANDIDATES)
    else:
        area_m2 = np.empty(0)
    table = np.empty((len(area_m2), 7))
    if len(area_m2):
        downstream, height_m, count = network(math.ceil(area_m2[0] / cell_m2 - 1e-9))
        for place, candidate_m2 in enumerate(area_m2):
            # Of nodes in order, those above a larger area are in order too.
            keep = count * cell_m2 >= candidate_m2 * (1 - 1e-12)
            rank = np.cumsum(keep) - 1
            below = downstream[keep]
            below = np.where(below < 0, -1, rank[below]).astype(np.int32)
            order, drop_m = stream_drops(below, strahler_order(below), height_m[keep])
            table[place] = _compare(drop_m[order == 1], drop_m[order > 1])
    agrees = np.abs(table[:, 6]) < T_LIMIT
    good = np.flatnonzero(agrees)
    if len(good):
        chosen_m2 = float(area_m2[good[0]])
    else:
        chosen_m2 = float(max(min(largest_m2, smallest_m2), largest_m2 * FALLBACK_SHARE))
        # Without the area: who reads it may count in acres, and the report tells it.
        warnings.warn(
            f"The constant-drop test found no area at which channels begin; one is taken, {_GUESSED}",
            GroundWarning,
            stacklevel=3,
        )
    return DropTest(
        area_m2=area_m2,
        first_count=table[:, 0].astype(np.int64),
        first_mean_m=table[:, 1].copy(),
        first_sd_m=table[:, 2].copy(),
        higher_count=table[:, 3].astype(np.int64),
        higher_mean_m=table[:, 4].copy(),
        higher_sd_m=table[:, 5].copy(),
        t=table[:, 6].copy(),
        p=2.0 * stdtr(np.maximum(table[:, 0] + table[:, 3] - 2.0, 1.0), -np.abs(table[:, 6])),
        agrees=agrees,
        channel_area_m2=chosen_m2,
        passed=len(good) > 0,
    )


# Counts, means and standard deviations of two sets of drops, and Student's t.
def _compare(first_m: NDArray[np.float64], higher_m: NDArray[np.float64]) -> tuple[float, ...]:
    parts: list[float] = []
    for drop_m in (first_m, higher_m):
        size = len(drop_m)
        parts += [
            size,
            float(drop_m.mean()) if size else np.nan,
            float(drop_m.std(ddof=1)) if size > 1 else np.nan,
        ]
    n1, mean1, sd1, n2, mean2, sd2 = parts
    if min(n1, n2) < LEAST_STREAMS:
        return (*parts, np.nan)
    pooled = ((n1 - 1) * sd1**2 + (n2 - 1) * sd2**2) / (n1 + n2 - 2)
    spread = np.sqrt(pooled * (1 / n1 + 1 / n2))
    if spread == 0:
        return (*parts, 0.0 if mean1 == mean2 else np.inf)
    return (*parts, float((mean1 - mean2) / spread))
