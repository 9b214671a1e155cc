"""The ways of the water on a ground, found in memory or by tiles, and the channels that they make."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from washgrade.files.bigdem import Room
    from washgrade.files.memory import MemoryPlan
    from washgrade.land.channels import Channels
    from washgrade.land.dem import Dem
    from washgrade.land.drainage import Drainage
    from washgrade.land.heads import Heads
    from washgrade.land.hollows import CutReport, HollowReport
    from washgrade.land.threshold import DropTest
    from washgrade.land.tiles.drainage import TiledDrainage
    from washgrade.survey.drawn import Drawn
    from washgrade.survey.steps import Progress

__all__ = ["Network", "Ways", "find_network", "find_ways"]


@dataclass(frozen=True, slots=True, kw_only=True)
class _InMemory:
    """Ways whose grids are arrays in memory."""

    dem: Dem
    drained: Drainage

    @property
    def conditioned_m(self) -> NDArray[np.float32]:
        """Heights without pits, metres."""
        return self.drained.conditioned_m

    @property
    def directions(self) -> NDArray[np.uint8]:
        """Ways of flow."""
        return self.drained.directions

    @property
    def cut_report(self) -> CutReport:
        """The cuts to tell of."""
        return self.drained.cut_report

    @property
    def hollow_report(self) -> HollowReport:
        """The filled hollows to tell of."""
        return self.drained.hollow_report

    def drop_test(self) -> DropTest:
        """Pick the area at which channels begin."""
        from washgrade.land.threshold import constant_drop

        return constant_drop(*self._grids(), cell_m=self.dem.cell_m)

    def heads(self, channel_area_m2: float) -> Heads:
        """Find where channels begin by area and slope."""
        from washgrade.land.heads import slope_area_heads

        return slope_area_heads(*self._grids(), cell_m=self.dem.cell_m, channel_area_m2=channel_area_m2)

    def channels(
        self,
        *,
        channel_area_m2: float,
        max_reach_m: float,
        begin: NDArray[np.int64] | None,
        also: NDArray[np.int64] | None,
    ) -> Channels:
        """Draw the channels."""
        from washgrade.land.channels import delineate

        return delineate(
            self.dem,
            *self._grids(),
            channel_area_m2=channel_area_m2,
            max_reach_m=max_reach_m,
            begin=begin,
            also=also,
        )

    def _grids(self) -> tuple[NDArray[np.float32], NDArray[np.uint8], NDArray[np.int32]]:
        return self.drained.conditioned_m, self.drained.directions, self.drained.upstream_cells


@dataclass(frozen=True, slots=True, kw_only=True)
class _ByTiles:
    """Ways whose grids lie in scratch files."""

    drained: TiledDrainage
    cut_report: CutReport
    hollow_report: HollowReport
    conditioned_m: NDArray[np.float32] = field(init=False)
    directions: NDArray[np.uint8] = field(init=False)

    def __post_init__(self) -> None:
        # Writable, because the loops are compiled for arrays that are.
        object.__setattr__(self, "conditioned_m", self.drained.conditioned_m.mapped(writable=True))
        object.__setattr__(self, "directions", self.drained.directions.mapped(writable=True))

    def drop_test(self) -> DropTest:
        """Pick the area at which channels begin."""
        return self.drained.drop_test()

    def heads(self, channel_area_m2: float) -> Heads:
        """Find where channels begin by area and slope."""
        return self.drained.heads(channel_area_m2)

    def channels(
        self,
        *,
        channel_area_m2: float,
        max_reach_m: float,
        begin: NDArray[np.int64] | None,
        also: NDArray[np.int64] | None,
    ) -> Channels:
        """Draw the channels."""
        return self.drained.channels(
            channel_area_m2=channel_area_m2, max_reach_m=max_reach_m, begin=begin, also=also
        )


Ways = _InMemory | _ByTiles
"""Where the water goes, with one set of questions to it however it was found."""


def find_ways(
    dem: Dem,
    drawn: Drawn,
    *,
    plan: MemoryPlan,
    room: Room,
    max_breach_m: float | None,
    max_breach_depth_m: float | None,
    progress: Progress,
) -> Ways:
    """Breach, fill and find where the water goes, in memory or by tiles.

    Parameters
    ----------
    dem : Dem
        The ground.
    drawn : Drawn
        Dams to keep, sinks and drawn channels.
    plan : MemoryPlan
        Which it shall be.
    room : Room
        Where grids are put if it is by tiles.
    max_breach_m, max_breach_depth_m : float or None
        Longest and deepest cut, metres; by the size of a cell if None.
    progress : callable
        Told the step and the share done.

    Returns
    -------
    Ways
        The same ways either way.
    """
    if not plan.by_tiles:
        from washgrade.land.drainage import condition_and_route

        drained = condition_and_route(
            dem,
            max_breach_m=max_breach_m,
            max_breach_depth_m=max_breach_depth_m,
            keep=drawn.keep(dem),
            sinks=drawn.sinks(dem),
            lines_m=drawn.lines_m(),
            progress=progress,
        )
        return _InMemory(dem=dem, drained=drained)
    return _drain_by_tiles(
        dem,
        drawn,
        budget=plan.budget_bytes,
        room=room,
        max_breach_m=max_breach_m,
        max_breach_depth_m=max_breach_depth_m,
        progress=progress,
    )


def _drain_by_tiles(
    dem: Dem,
    drawn: Drawn,
    *,
    budget: int,
    room: Room,
    max_breach_m: float | None,
    max_breach_depth_m: float | None,
    progress: Progress,
) -> Ways:
    """Do the same as `condition_and_route`, with all grids in scratch files."""
    from washgrade.land.burn import burn
    from washgrade.land.drainage import default_breach_depth_m
    from washgrade.land.tiles.drain import drain_tiled, filled_tiled
    from washgrade.land.tiles.network import Frame

    source = room.windows(dem.elevation_m)

    def filled() -> NDArray[np.float32]:
        grid = filled_tiled(source, scratch=room.scratch, memory_bytes=budget)
        return grid.mapped(writable=True)

    keep = drawn.keep(dem, make=room.zeros)
    sinks = drawn.sinks(dem, filled=filled, make=room.zeros)
    carved = None
    if lines_m := drawn.lines_m():
        deepest_m = default_breach_depth_m(dem.cell_m) if max_breach_depth_m is None else max_breach_depth_m
        burned = burn(dem, lines_m, max_climb_m=deepest_m, make=room.zeros)
        carved = (burned, room.windows(burned.elevation_m))
    room.rest()
    drained = drain_tiled(
        source,
        Frame(shape=dem.shape, cell_m=dem.cell_m, west_m=dem.west_m, north_m=dem.north_m, crs=dem.crs),
        scratch=room.scratch,
        memory_bytes=budget,
        max_breach_m=max_breach_m,
        max_breach_depth_m=max_breach_depth_m,
        keep=None if keep is None else room.windows(keep),
        sinks=sinks,
        carved=carved,
        progress=progress,
    )
    room.rest()
    cuts = drained.cut_report()
    hollows = drained.hollow_report(dem, keep=keep, make=room.zeros)
    room.rest()
    return _ByTiles(drained=drained, cut_report=cuts, hollow_report=hollows)


@dataclass(frozen=True, slots=True, kw_only=True)
class Network:
    """The channels, and how it was decided where they begin."""

    channels: Channels
    sentences: tuple[str, ...]
    drop_rows: tuple[Mapping[str, Any], ...]
    drop_sentences: tuple[str, ...]


def find_network(
    ways: Ways,
    *,
    channel_area_m2: float,
    heads: str,
    max_reach_m: float,
    drop_table: bool,
    units: str,
) -> Network:
    """Decide where channels begin, and draw them.

    Parameters
    ----------
    ways : Ways
        Where the water goes.
    channel_area_m2 : float
        Ground that feeds the head of a channel, square metres; 0 for the constant-drop test.
    heads : {"area", "slope-area"}
        How channels begin.
    max_reach_m : float
        Longest reach, metres.
    drop_table : bool
        Make the test even where the area is told.
    units : {"us", "metric"}
        What the reader is used to.

    Returns
    -------
    Network
        The channels and what to say of them.
    """
    from washgrade.units import show_head_area

    test = None
    if drop_table or not channel_area_m2:
        test = ways.drop_test()
    told = [f"Channels begin at {show_head_area(channel_area_m2, units)} of upstream area, as told."]
    if not channel_area_m2:
        assert test is not None  # noqa: S101  (for mypy)
        channel_area_m2 = test.channel_area_m2
        told = [test.sentence(units)]
    begin = None
    if heads == "slope-area":
        found = ways.heads(channel_area_m2)
        begin = found.cell
        told.append(found.sentence(units))
    burned = ways.drained.burned
    if burned is not None:
        told += burned.sentences(units)
    channels = ways.channels(
        channel_area_m2=channel_area_m2,
        max_reach_m=max_reach_m,
        begin=begin,
        also=None if burned is None else burned.cell,
    )
    return Network(
        channels=channels,
        sentences=tuple(told),
        drop_rows=() if test is None else tuple(test.rows()),
        drop_sentences=() if test is None else test.sentences(units),
    )
