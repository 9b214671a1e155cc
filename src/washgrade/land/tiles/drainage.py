"""Drainage of a ground larger than memory: what is known of it, and the channels that can be had from it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.land import threshold
from washgrade.land.breach import Cuts
from washgrade.land.burn import Burned
from washgrade.land.channels import Channels
from washgrade.land.grids import MakeGrid
from washgrade.land.heads import Heads, least_cells_of_heads, pick_heads, slope_down
from washgrade.land.hollows import CutReport, HollowReport, report_cuts, report_hollows
from washgrade.land.tiles.area import TiledCounts
from washgrade.land.tiles.network import (
    ChannelCells,
    Frame,
    channel_cells,
    delineate_cells,
    least_cells_of,
)
from washgrade.land.tiles.store import Grid

if TYPE_CHECKING:
    from washgrade.land.dem import Dem

__all__ = ["TiledDrainage"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TiledDrainage:
    """Where the water of a ground goes, as `washgrade.land.drainage.Drainage`, with grids on a scratch disk.

    Parameters
    ----------
    frame : Frame
        Size and place of the grid.
    opened_m, conditioned_m : Grid
        Heights after breaching, and without pits, float32 metres; NaN on voids.
    directions : Grid
        Ways of flow, uint8.
    counts : TiledCounts
        Cells that drain through each cell, tile by tile.
    cuts : Cuts
        The cuts that show; those that lie wholly under filled ground are left out.
    cut_volume_m3, raised_volume_m3, filled_volume_m3 : float
        Ground by which the result is lower than the DEM; ground added to single cells; ground added in all.
    deepest_fill_m : float
        Largest height added to a cell, metres.
    max_breach_m, max_breach_depth_m : float
        Longest and deepest cut allowed, metres.
    burned : Burned or None
        The lines that were carved in, if any were given.
    sinks : ndarray of int64, shape (sinks,)
        Cells in which water sinks into the ground, ascending.
    pits_found, pits_filled : int
        Pits of the DEM, and those that were left to filling.
    threads : int
        How many tiles are worked on at once.
    """

    frame: Frame
    opened_m: Grid
    conditioned_m: Grid
    directions: Grid
    counts: TiledCounts
    cuts: Cuts
    cut_volume_m3: float
    raised_volume_m3: float
    filled_volume_m3: float
    deepest_fill_m: float
    max_breach_m: float
    max_breach_depth_m: float
    burned: Burned | None
    sinks: NDArray[np.int64]
    pits_found: int
    pits_filled: int
    threads: int

    def cells(self, channel_area_m2: float, *, also: NDArray[np.int64] | None = None) -> ChannelCells:
        """Collect the cells of the channels.

        Parameters
        ----------
        channel_area_m2 : float
            Smallest upstream area of a channel, square metres.
        also : ndarray of int64, shape (cells,), optional
            Flat indices of cells that are channel whatever drains through them, and all downstream of them.

        Returns
        -------
        ChannelCells
            The cells.

        Raises
        ------
        InputError
            If the area is not above 0.
        GroundError
            If a told cell is void or off the map.
        """
        channel_area_m2 = number("channel_area_m2", channel_area_m2, above=0)
        return self._cells(least_cells_of(channel_area_m2, self.frame.cell_m), also=also)

    # The cells through which at least so many drain.
    def _cells(self, least_cells: int, also: NDArray[np.int64] | None = None) -> ChannelCells:
        return channel_cells(
            self.frame,
            self.conditioned_m,
            self.counts,
            least_cells=least_cells,
            threads=self.threads,
            also=also,
        )

    def channels(
        self,
        *,
        channel_area_m2: float,
        max_reach_m: float = 50.0,
        begin: NDArray[np.int64] | None = None,
        also: NDArray[np.int64] | None = None,
    ) -> Channels:
        """Find the channels, as `washgrade.land.channels.delineate` does in memory.

        Parameters
        ----------
        channel_area_m2 : float
            Smallest upstream area of a channel, square metres.
        max_reach_m : float, optional
            Longest reach, metres.
        begin : ndarray of int64, shape (cells,), optional
            Flat indices of cells where channels begin, in place of the rule by area, at least one.
        also : ndarray of int64, shape (cells,), optional
            Flat indices of cells that are channel whatever drains through them, and all downstream of them.

        Returns
        -------
        Channels
            Nodes and reaches.

        Raises
        ------
        InputError
            If the area or the length is not above 0.
        GroundError
            If there is no channel, or a told cell is void or off the map.
        """
        if begin is None:
            cells = self.cells(channel_area_m2, also=also)
        else:
            # More than drains through any cell: only those told, and what lies downstream of them.
            told = begin if also is None else np.concatenate([begin, also])
            cells = self._cells(self.counts.largest + 1, also=told)
        return delineate_cells(cells, channel_area_m2=channel_area_m2, max_reach_m=max_reach_m)

    def heads(self, channel_area_m2: float) -> Heads:
        """Find where channels begin, as `washgrade.land.heads.slope_area_heads` does in memory.

        Parameters
        ----------
        channel_area_m2 : float
            Area that feeds a channel where area alone decides, square metres.

        Returns
        -------
        Heads
            Cells where channels begin, and the rule.

        Raises
        ------
        InputError
            If the area is not above 0.
        GroundError
            If no cell passes.
        """
        channel_area_m2 = number("channel_area_m2", channel_area_m2, above=0)
        cell_m = self.frame.cell_m
        cells = self._cells(least_cells_of_heads(channel_area_m2, cell_m))
        place, downstream, _ = cells.in_order()
        slope = slope_down(
            self.conditioned_m.mapped(writable=True),
            self.directions.mapped(writable=True),
            cells.cell[place],
            cell_m=cell_m,
        )
        return pick_heads(
            cells.cell[place],
            downstream,
            cells.count[place],
            slope,
            cell_m=cell_m,
            channel_area_m2=channel_area_m2,
            largest=self.counts.largest,
        )

    def cut_report(self, *, report_length_m: float | None = None) -> CutReport:
        """Pick the cuts that a person should confirm or forbid.

        Parameters
        ----------
        report_length_m : float, optional
            Cuts longer than this are told, metres; see `washgrade.land.hollows.report_cuts`.

        Returns
        -------
        CutReport
            Those cuts.
        """
        return report_cuts(
            cast("Dem", self.frame),
            self.cuts,
            cast("Any", _CountsAt(self.counts)),
            report_length_m=report_length_m,
        )

    def hollow_report(
        self, dem: Dem, *, keep: NDArray[np.bool_] | None = None, make: MakeGrid = np.zeros
    ) -> HollowReport:
        """Pick the filled hollows to tell of, and say why they were left.

        Parameters
        ----------
        dem : Dem
            The ground; its heights may lie in a file (`Grid.mapped`).
        keep : ndarray of bool, shape (rows, cols), optional
            Cells that no cut might lower.
        make : MakeGrid, optional
            Makes grids where they shall lie; in memory unless told.

        Returns
        -------
        HollowReport
            Those hollows.
        """
        return report_hollows(
            dem,
            self.opened_m.mapped(writable=True),
            self.conditioned_m.mapped(writable=True),
            cast("Any", _CountsAt(self.counts)),
            max_length_m=self.max_breach_m,
            max_depth_m=self.max_breach_depth_m,
            keep=keep,
            outlets=self.sinks,
            make=make,
        )

    def drop_test(self) -> threshold.DropTest:
        """Pick the area at which channels begin, as `washgrade.land.threshold.constant_drop` does in memory.

        Returns
        -------
        DropTest
            The table and the choice.

        Warns
        -----
        GroundWarning
            If no candidate passes; a hundredth of the largest catchment is then taken.
        """

        def network(least_cells: int) -> threshold.Network:
            cells = self._cells(least_cells)
            place, downstream, _ = cells.in_order()
            return downstream, cells.elevation_m[place].astype(np.float64), cells.count[place]

        return threshold.pick_area(network, cell_m=self.frame.cell_m, largest=self.counts.largest)


@dataclass(frozen=True, slots=True)
class _CountsAt:
    """Counts of the whole grid, asked for at few cells."""

    counts: TiledCounts

    def ravel(self) -> _CountsAt:
        return self

    def __getitem__(self, cells: NDArray[np.int64]) -> NDArray[np.int64]:
        return self.counts.at(cells)
