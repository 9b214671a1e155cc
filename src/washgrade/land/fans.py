"""Fans: where a wash leaves its valley, spreads and may take another bed at the next storm."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.errors import GroundError
from washgrade.land.channels import Channels
from washgrade.land.dem import Dem
from washgrade.land.kernel import kernel
from washgrade.land.line import channel_line, look_along, main_donors
from washgrade.land.sections import cross_sections

__all__ = ["IN_VALLEY", "ON_FAN", "ON_PLAIN", "UNKNOWN", "FanRules", "Fans", "find_fans"]

UNKNOWN, IN_VALLEY, ON_PLAIN, ON_FAN = 0, 1, 2, 3
# Sections taken at once: bounds the memory.
BLOCK = 20_000


ON_FAN_NOTE = (
    "On a fan: the bed may shift between storms. The line shown is the one the DEM has; look for the bed "
    "that carried the last flood."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FanRules:
    """What counts as a fan; every default is our choice, for the reason given, but where a source is named.

    Parameters
    ----------
    half_section_m : float, optional
        How far sections go to each side, metres. Unless told 150 m or 15 cells, whichever is more: a valley
        that is wider than 300 m is open ground to who digs in it.
    valley_height_m : float
        Rise above the bed that counts as a side of a valley, metres. 2 m is above what floods of small washes
        reach, and the same as in `washgrade.land.shape.ShapeRules`.
    least_bulge_m : float
        How much lower the ground lies at the ends of a section than it does a quarter of the way out, as the
        mean of both sides, for it to count as domed, metres. 0.2 m stands clear of the noise of lidar (0.1 to
        0.15 m) averaged over a section.
    least_slope : float
        Fall along the channel below which ground is no fan. 0.01: slopes of fans that water builds lessen
        from 0.04 to 0.10 at the head to about 0.01 at the foot (Stock, Schmidt and Miller 2008).
    valley_above_m : float
        Length of channel with valley sides left and right that must lie upstream, metres; without a valley to
        leave, domed ground is the nose of a hill. 100 m, two reaches.
    window_m : float
        Distance up and down the channel within which most nodes must agree, metres. 100 m, so that a single
        gap in a valley side, or a mound on a fan, does not count.

    Raises
    ------
    InputError
        If a value is out of its limits.

    References
    ----------
    Stock, J. D., Schmidt, K. M., Miller, D. M. (2008). Controls on alluvial fan long-profiles. Geological
    Society of America Bulletin 120(5-6), 619-640.

    Examples
    --------
    >>> FanRules().half_m(cell_m=30)
    450.0
    """

    half_section_m: float | None = None
    valley_height_m: float = 2.0
    least_bulge_m: float = 0.2
    least_slope: float = 0.01
    valley_above_m: float = 100.0
    window_m: float = 100.0

    def __post_init__(self) -> None:
        if self.half_section_m is not None:
            number("half_section_m", self.half_section_m, above=0)
        number("valley_height_m", self.valley_height_m, above=0)
        number("least_bulge_m", self.least_bulge_m, at_least=0)
        number("least_slope", self.least_slope, at_least=0)
        number("valley_above_m", self.valley_above_m, at_least=0)
        number("window_m", self.window_m, above=0)

    def half_m(self, *, cell_m: float) -> float:
        """Half length of a section, told or by the size of a cell.

        Parameters
        ----------
        cell_m : float
            Side of a cell, metres.

        Returns
        -------
        float
            Metres.
        """
        return max(150.0, 15.0 * cell_m) if self.half_section_m is None else float(self.half_section_m)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fans:
    """On what ground the channels run.

    Parameters
    ----------
    ground : ndarray of uint8, shape (nodes,)
        `IN_VALLEY` (1) where at least one side stands above the channel; `ON_FAN` (3) where neither does, the
        ground is domed and steep enough and a valley lies upstream; `ON_PLAIN` (2) on other open ground below
        a valley; `UNKNOWN` (0) where the map ends too near, and on slopes above all valleys.
    bulge_m : ndarray of float64, shape (nodes,)
        How much lower the ends of the section lie than the ground near its middle, metres; below 0 in a
        hollow, NaN where unknown.
    fan_share, plain_share : ndarray of float64, shape (reaches,)
        Share of a reach's nodes on a fan, and on a plain.
    reach_on_fan : ndarray of bool, shape (reaches,)
        Whether at least half of a reach lies on a fan.
    """

    ground: NDArray[np.uint8]
    bulge_m: NDArray[np.float64]
    fan_share: NDArray[np.float64]
    plain_share: NDArray[np.float64]
    reach_on_fan: NDArray[np.bool_]

    @property
    def note(self) -> str:
        """What to say of a reach on a fan."""
        return ON_FAN_NOTE

    @property
    def sentence(self) -> str:
        """What to say of the ground."""
        count = int(self.reach_on_fan.sum())
        if not count:
            return "No reach runs over a fan."
        return (
            f"{count} of {len(self.reach_on_fan)} reaches {'run' if count > 1 else 'runs'} over fans, where "
            "a bed may shift between storms: the lines shown are those that the DEM has."
        )


def find_fans(
    dem: Dem,
    channels: Channels,
    *,
    rules: FanRules | None = None,
) -> Fans:
    """Find the stretches of channel that have left their valley and run over a fan.

    Parameters
    ----------
    dem : Dem
        The ground on which sections are taken, raw or conditioned.
    channels : Channels
        The network of the same ground.
    rules : FanRules, optional
        What counts as a fan.

    Returns
    -------
    Fans
        Marks of nodes and reaches.

    Raises
    ------
    GroundError
        If the network has a node off the DEM.

    Notes
    -----
    A fan begins where a steep channel leaves the sides that held it; water spreads, and the ground it builds
    is a piece of a cone, domed across and straight or hollow along (Bull 1977; Blair and McPherson 1994). So
    we ask, at each node, over a section across the smoothed channel:

    - *open*: the ground stands ``valley_height_m`` above the bed on neither side;
    - *domed*: with ``e(w)`` the mean height of both sides at distance w, a line through e against w squared,
      from a quarter of the section outward (which leaves the channel's own banks out), falls by
      ``least_bulge_m`` or more. On a cone of slope s, at a distance R below its tip,
      ``e(w) = -s (sqrt(R^2 + w^2) - R)``;
    - *steep*: the channel falls by ``least_slope`` or more over the window;
    - *below a valley*: upstream lies a stretch of ``valley_above_m`` with valley sides.

    Each answer is that of most nodes within ``window_m``. The rules and their limits are our choice; the
    marks are a hint to look, not a map of hazards: fans flood suddenly, and whether ground is safe to work
    or camp on is for local authorities and licensed engineers to say.

    Where the channel lies in a fan's side, or the fan is small against the section, it is taken for a plain
    or missed. A wash that ends on a fan, in a void or in a hollow left unfilled is an outlet like any other.

    References
    ----------
    Bull, W. B. (1977). The alluvial-fan environment. Progress in Physical Geography 1(2), 222-270.
    Blair, T. C., McPherson, J. G. (1994). Alluvial fans and their natural distinction from rivers based on
    morphology, hydraulic processes, sedimentary processes, and facies assemblages. Journal of Sedimentary
    Research A64(3), 450-489.

    Examples
    --------
    >>> from washgrade.land.channels import delineate
    >>> from washgrade.land.flow import flow_directions, upstream_cells
    >>> ground = np.array([[9, 9, 9, 9], [9, 4, 3, 2], [9, 9, 9, 9]], np.float32)
    >>> dem = Dem(elevation_m=ground, cell_m=5, west_m=0, north_m=15, crs="EPSG:25830")
    >>> ways = flow_directions(ground)
    >>> channels = delineate(dem, ground, ways, upstream_cells(ways), channel_area_m2=150)
    >>> found = find_fans(dem, channels)
    >>> found.ground.tolist(), found.sentence
    ([1, 1, 1], 'No reach runs over a fan.')
    """
    rules = FanRules() if rules is None else rules
    nodes, reaches = channels.nodes, channels.reaches
    if len(nodes) and int(nodes.cell.max()) >= dem.elevation_m.size:
        raise GroundError(
            f"Invalid 'channels' with cell {int(nodes.cell.max())}. "
            f"It must belong to the DEM, whose cells go up to {dem.elevation_m.size - 1}."
        )
    window_m = max(rules.window_m, 3.0 * dem.cell_m)
    main = main_donors(nodes.downstream, nodes.upstream_area_m2)
    sides, bulge_m = _look_across(dem, channels, rules, window_m)
    walled = _most(channels, main, np.where(sides < 0, np.nan, sides > 0), window_m)
    is_open = _most(channels, main, np.where(sides < 0, np.nan, sides == 0), window_m)
    bulge_m = _mean(channels, main, bulge_m, window_m)
    slope = _fall(channels, main, window_m)
    held = _most(channels, main, np.where(sides < 0, np.nan, sides == 2), window_m)
    below = _below_valley(nodes.downstream, nodes.length_m, held >= 0.5, rules.valley_above_m)
    left = (is_open > 0.5) & below
    fan = left & (bulge_m >= rules.least_bulge_m) & (slope >= rules.least_slope)
    ground = np.where(walled >= 0.5, IN_VALLEY, UNKNOWN).astype(np.uint8)
    ground[left] = ON_PLAIN
    ground[fan] = ON_FAN
    fan_share, plain_share = (
        np.bincount(nodes.reach, ground == kind, minlength=len(reaches))
        / np.bincount(nodes.reach, minlength=len(reaches))
        for kind in (ON_FAN, ON_PLAIN)
    )
    return Fans(
        ground=ground,
        bulge_m=bulge_m,
        fan_share=fan_share,
        plain_share=plain_share,
        reach_on_fan=fan_share >= 0.5,
    )


def _look_across(
    dem: Dem, channels: Channels, rules: FanRules, smooth_m: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Sides that stand above each node, -1 where unknown, and how domed the ground is across."""
    size = len(channels.nodes)
    line = channel_line(channels, smooth_m=smooth_m)
    half_m = rules.half_m(cell_m=dem.cell_m)
    sides = np.full(size, -1.0)
    bulge_m = np.full(size, np.nan)
    for start in range(0, size, BLOCK):
        chosen = np.arange(start, min(start + BLOCK, size))
        found = cross_sections(dem, channels, line, chosen, half_m=half_m, step_m=dem.cell_m)
        middle = len(found.offset_m) // 2
        bed_m = found.elevation_m[:, middle : middle + 1]
        right_m = found.elevation_m[:, middle + 1 :] - bed_m
        left_m = found.elevation_m[:, middle - 1 :: -1] - bed_m
        out_m = found.offset_m[middle + 1 :]
        # Ground behind a void or off the map says nothing; a side that rises before that is a side.
        rises = np.stack([_rises(side, rules.valley_height_m) for side in (left_m, right_m)])
        whole = np.stack([np.isfinite(side).all(axis=1) for side in (left_m, right_m)])
        known = (rises | whole).all(axis=0)
        sides[chosen[known]] = rises[:, known].sum(axis=0)
        # Any one side is enough to be in a valley.
        sides[chosen[~known & rises.any(axis=0)]] = 1.0
        outer = out_m >= half_m / 4.0
        if outer.sum() < 3:
            continue
        even_m = (left_m[:, outer] + right_m[:, outer]) / 2.0
        far = out_m[outer] ** 2
        away = far - far.mean()
        per_m2 = (even_m * away).sum(axis=1) / (away**2).sum()
        bulge_m[chosen] = np.where(whole.all(axis=0), -per_m2 * (far[-1] - far[0]), np.nan)
    return sides, bulge_m


def _rises(side_m: NDArray[np.float64], height_m: float) -> NDArray[np.bool_]:
    """Whether a side stands above the bed by a height before it meets a void."""
    high, void = side_m >= height_m, np.isnan(side_m)
    first_high, first_void = high.argmax(axis=1), void.argmax(axis=1)
    rises: NDArray[np.bool_] = high.any(axis=1) & (~void.any(axis=1) | (first_high < first_void))
    return rises


def _mean(
    channels: Channels, main: NDArray[np.int32], value: NDArray[np.float64], window_m: float
) -> NDArray[np.float64]:
    """Mean of what is known up the main stem and down the channel, the node itself among it."""
    nodes = channels.nodes
    total, known, _, _ = look_along(nodes.downstream, main, nodes.length_m, value, window_m)
    own = ~np.isnan(value)
    summed = total.sum(axis=0) + np.where(own, value, 0.0)
    count = known.sum(axis=0) + own
    mean: NDArray[np.float64] = np.divide(summed, count, out=np.full(len(value), np.nan), where=count > 0)
    return mean


def _most(
    channels: Channels, main: NDArray[np.int32], value: NDArray[np.float64], window_m: float
) -> NDArray[np.float64]:
    """Share of the nodes around of which something holds; 0 where nothing is known."""
    return np.nan_to_num(_mean(channels, main, value, window_m))


def _fall(channels: Channels, main: NDArray[np.int32], window_m: float) -> NDArray[np.float64]:
    """Slope of the bed over the window up and down."""
    nodes = channels.nodes
    _, _, _, far = look_along(nodes.downstream, main, nodes.length_m, nodes.elevation_m, window_m)
    drop_m = nodes.elevation_m[far[0]] - nodes.elevation_m[far[1]]
    away_m = nodes.distance_to_outlet_m[far[0]] - nodes.distance_to_outlet_m[far[1]]
    slope: NDArray[np.float64] = np.divide(drop_m, away_m, out=np.zeros_like(drop_m), where=away_m > 0)
    return slope


@kernel
def _below_valley(
    downstream: NDArray[np.int32],
    length_m: NDArray[np.float64],
    walled: NDArray[np.bool_],
    least_m: float,
) -> NDArray[np.bool_]:
    """Whether a stretch of some length between valley sides lies at a node or upstream of it."""
    size = len(downstream)
    run_m = np.zeros(size)
    below = np.zeros(size, np.bool_)
    # Downwards: the longest run that any branch brings goes on as long as the sides stand.
    for node in range(size):
        if not walled[node]:
            run_m[node] = 0.0
        elif run_m[node] >= least_m:
            below[node] = True
        to = downstream[node]
        if to >= 0:
            below[to] |= below[node]
            if walled[node]:
                run_m[to] = max(run_m[to], run_m[node] + length_m[node])
    return below
