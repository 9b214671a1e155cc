"""Names that stay: the reaches of a ground built anew keep the ids that their places had."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from washgrade.checks import number
from washgrade.land.channels import Channels, letters_of, reach_lines
from washgrade.land.links import trace_washes
from washgrade.land.places import Order, Places, id_order, split_id, wash_place

__all__ = ["Inherited", "inherit_ids"]

# Our choice, because a bed found again on another grid lies within a cell or so of where it was.
TOLERANCE_CELLS = 1.5
# Our choice: most of the shorter of the two lines must be common ground.
LEAST_SHARE = 0.5
# Our choice: an upstream area that differs by this factor counts as much as lying the tolerance apart, so
# that a wash is not taken for the gully beside it. From 4 to 1000 the share of ids kept changed by under 0.02
# on three real and made DEMs.
AREA_FACTOR = 30.0
# Points stand half a cell apart, so that a reach of one cell still has two.
SPACING_CELLS = 0.5
# New points looked at for each old one: within the tolerance lie about seven of the channel itself; the rest
# are for a neighbour.
NEAREST = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Inherited:
    """Names for the reaches of a new ground.

    Parameters
    ----------
    channels : Channels
        The network with its reaches named, each by another id.
    is_kept, is_split : ndarray of bool, shape (reaches,)
        Whether the id is an old one; whether it is a new one made from an old one's (A12b from A12). Where
        neither holds, the ground is new.
    retired : tuple of str
        Ids that no reach has now, in the order people count. They wait for their place and are given to no
        other.
    places : Places
        What to keep for the next time.
    sentence : str
        The same in words; empty for the first ground of a site.
    """

    channels: Channels
    is_kept: NDArray[np.bool_]
    is_split: NDArray[np.bool_]
    retired: tuple[str, ...]
    places: Places
    sentence: str

    @property
    def reach_id(self) -> NDArray[np.str_]:
        """Ids of the reaches, shape (reaches,)."""
        return self.channels.reaches.reach_id


def inherit_ids(
    channels: Channels, places: Places, *, cell_m: float, tolerance_m: float | None = None
) -> Inherited:
    """Name the reaches of a ground so that each place keeps the id that it had.

    Parameters
    ----------
    channels : Channels
        The new network. Its own ids stay where ``places`` is empty: so begins a site's first ground, and one
        built before places were kept.
    places : Places
        All ids the site ever gave, on the grid of the new network.
    cell_m : float
        Side of a cell of the new DEM, metres.
    tolerance_m : float, optional
        How far a channel may lie from where it was, metres. Unless told 1.5 cells of the coarser of the two
        DEMs: our choice, because a bed found again on another grid lies within a cell or so.

    Returns
    -------
    Inherited
        Ids and the places to keep.

    Raises
    ------
    InputError
        If a length is not above 0.

    Notes
    -----
    1. A reach whose line is, to the centimetre, one that an id had before gets that id, older claims first.
       So a ground built again has the same ids, and so has one that goes back to an earlier length or
       threshold.
    2. Else homes are laid over the new lines. Each stretch of a home belongs to the new reach nearest to it
       within the tolerance, where an upstream area that differs by a factor of 30 counts as much as the
       tolerance. Pairs are taken by falling share of common ground (common length over the length of both
       together); of equal shares the pair nearer the mouth comes first. Common ground must be at least half
       of the shorter line. Homes, not the last lines, are compared, so that an id cannot wander off.
    3. A reach left over, at least half of which lies on homes, is a part of what was split: it gets the id of
       the home with most of it and the next free small letter, b first, going upstream.
    4. What is left is new ground. Above the head of a wash numbers go on upwards; any other piece is a wash
       with the next free letters, numbered from its mouth.

    The rule is our own choice: whoever painted A12 on a rock finds A12 there. Ids are never given to another
    place, so numbers may have gaps, and after a rebuild neighbours need not be neighbours in number.

    Examples
    --------
    >>> from washgrade.land.channels import delineate
    >>> from washgrade.land.dem import Dem
    >>> from washgrade.land.flow import flow_directions, upstream_cells
    >>> from washgrade.land.places import no_places
    >>> ground = np.array([[9] * 9, [9, 9, 8, 7, 6, 5, 4, 3, 2], [9] * 9], np.float32)
    >>> dem = Dem(elevation_m=ground, cell_m=5, west_m=0, north_m=15, crs="EPSG:25830")
    >>> ways = flow_directions(ground)
    >>> many = upstream_cells(ways)
    >>> long, short = (
    ...     delineate(dem, ground, ways, many, channel_area_m2=150, max_reach_m=m) for m in (15, 10)
    ... )
    >>> first = inherit_ids(long, no_places(), cell_m=5)
    >>> then = inherit_ids(short, first.places, cell_m=5)
    >>> first.reach_id.tolist(), then.reach_id.tolist()
    (['A2', 'A1'], ['A2', 'A1b', 'A1'])
    >>> inherit_ids(long, then.places, cell_m=5).reach_id.tolist()
    ['A2', 'A1']
    """
    cell_m = number("cell_m", cell_m, above=0)
    if tolerance_m is not None:
        tolerance_m = number("tolerance_m", tolerance_m, above=0)
    lines = _lines(channels, cell_m)
    size = len(lines)
    names = np.full(size, "", dtype=object)
    _give_same_lines(names, lines, places)
    part_of: list[str] = [""] * size
    if not len(places):
        names[:] = channels.reaches.reach_id.tolist()
    missing = names == ""
    if missing.any():
        pairs = _common_ground(lines, places, missing, tolerance_m)
        _give_by_place(names, pairs, channels)
        part_of = _parts(names, pairs, size)
    is_kept = (names != "") & (len(places) > 0)
    if (names == "").any():
        _name_rest(names, part_of, channels, places)
    ids = np.array(names.tolist(), dtype=np.str_)
    is_split = ~is_kept & np.array([bool(parent) for parent in part_of], np.bool_)
    retired = sorted(set(places.reach_id.tolist()) - set(ids.tolist()), key=id_order)
    return Inherited(
        channels=replace(channels, reaches=replace(channels.reaches, reach_id=ids)),
        is_kept=is_kept,
        is_split=is_split,
        retired=tuple(retired),
        places=_add(places, lines, ids),
        sentence=_say(is_kept, is_split, retired) if len(places) else "",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Lines:
    """Lines one after the other, with what is known of each."""

    start: NDArray[np.int64]
    easting_m: NDArray[np.float64]
    northing_m: NDArray[np.float64]
    upstream_area_m2: NDArray[np.float64]
    cell_m: NDArray[np.float64]
    length_m: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.start) - 1


def _lines(channels: Channels, cell_m: float) -> _Lines:
    easting_m, northing_m, start = reach_lines(channels)
    return _measured(
        start, easting_m, northing_m, channels.reaches.upstream_area_m2, np.full(len(start) - 1, cell_m)
    )


def _measured(
    start: NDArray[np.int64],
    easting_m: NDArray[np.float64],
    northing_m: NDArray[np.float64],
    upstream_area_m2: NDArray[np.float64],
    cell_m: NDArray[np.float64],
) -> _Lines:
    step_m = np.hypot(np.diff(easting_m, append=0.0), np.diff(northing_m, append=0.0))
    step_m[start[1:] - 1] = 0.0
    # A lone outlet has no length, yet a place: half a cell.
    length_m = np.maximum(np.add.reduceat(step_m, start[:-1]) if len(start) > 1 else step_m, cell_m / 2.0)
    return _Lines(
        start=start,
        easting_m=easting_m,
        northing_m=northing_m,
        upstream_area_m2=upstream_area_m2,
        cell_m=cell_m,
        length_m=length_m,
    )


# Each line as bytes, to the centimetre: equal bytes are the same place.
def _keys(lines: _Lines | Places) -> list[bytes]:
    whole_cm = np.round(np.stack([lines.easting_m, lines.northing_m], axis=1) * 100.0).astype(np.int64)
    bounds = lines.start.tolist()
    return [whole_cm[bounds[k] : bounds[k + 1]].tobytes() for k in range(len(bounds) - 1)]


def _give_same_lines(names: NDArray[np.object_], lines: _Lines, places: Places) -> None:
    """Give each line that an id had before that id, the oldest claim first.

    By age, so that a network once named is named the same for ever: what its edition knew is settled as it
    was settled then, and what its edition added comes next.
    """
    where = {key: reach for reach, key in enumerate(_keys(lines))}
    claims = [
        (edition, where[key], name)
        for key, edition, name in zip(
            _keys(places), places.edition.tolist(), places.reach_id.tolist(), strict=True
        )
        if key in where
    ]
    given: set[str] = set()
    for _, reach, name in sorted(claims):
        if not names[reach] and name not in given:
            names[reach] = name
            given.add(name)


# Points evenly along some lines, about `spacing_m` apart: place, log area, line, and length stood for.
def _points(
    lines: _Lines, spacing_m: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64], NDArray[np.float64]]:
    count = np.maximum(np.round(lines.length_m / spacing_m), 1).astype(np.int64)
    line = np.repeat(np.arange(len(lines)), count)
    nth = np.arange(len(line)) - np.repeat(np.cumsum(count) - count, count)
    # Distances over all lines as if they were one; the jumps between lines count nothing.
    step_m = np.hypot(np.diff(lines.easting_m), np.diff(lines.northing_m))
    step_m[lines.start[1:-1] - 1] = 0.0
    along_m = np.concatenate([[0.0], np.cumsum(step_m)])
    first_m, last_m = along_m[lines.start[:-1]], along_m[lines.start[1:] - 1]
    wanted_m = first_m[line] + (nth + 0.5) / count[line] * (last_m - first_m)[line]
    # A lone outlet's two points are one place: interpolation needs distances that rise.
    below = np.clip(np.searchsorted(along_m, wanted_m, side="right") - 1, lines.start[line], None)
    below = np.minimum(below, lines.start[line + 1] - 2)
    gap_m = along_m[below + 1] - along_m[below]
    part = np.divide(wanted_m - along_m[below], gap_m, out=np.zeros_like(gap_m), where=gap_m > 0)
    place_m = np.stack(
        [
            values[below] + part * (values[below + 1] - values[below])
            for values in (lines.easting_m, lines.northing_m)
        ],
        axis=1,
    )
    return place_m, np.log(lines.upstream_area_m2)[line], line, (lines.length_m / count)[line]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pairs:
    """Homes and new reaches that share ground."""

    home_id: list[str]
    reach: NDArray[np.int64]
    common_m: NDArray[np.float64]
    home_m: NDArray[np.float64]
    reach_m: NDArray[np.float64]


def _common_ground(
    lines: _Lines, places: Places, missing: NDArray[np.bool_], tolerance_m: float | None
) -> _Pairs:
    """Length of each home that lies on each new reach without a name."""
    first = np.flatnonzero(places.is_home)
    homes, ids = _some(places, first), places.reach_id[first]
    pairs: list[tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]] = []
    # Homes found on one size of cell are laid over the new lines together, at the spacing of the coarser.
    for home_cell_m in np.unique(homes.cell_m).tolist():
        chosen = np.flatnonzero(homes.cell_m == home_cell_m)
        old = _measured(*_cut(homes, chosen), homes.upstream_area_m2[chosen], homes.cell_m[chosen])
        coarser_m = max(home_cell_m, float(lines.cell_m[0]))
        within_m = TOLERANCE_CELLS * coarser_m if tolerance_m is None else tolerance_m
        new_m, new_log, new_line, _ = _points(lines, SPACING_CELLS * coarser_m)
        old_m, old_log, old_line, weight_m = _points(old, SPACING_CELLS * coarser_m)
        away_m, near = KDTree(new_m).query(
            old_m, k=NEAREST, distance_upper_bound=within_m * (1 + 1e-9), workers=-1
        )
        found = np.isfinite(away_m)
        near = np.where(found, near, 0)
        unlike = np.abs(new_log[near] - old_log[:, None]) / np.log(AREA_FACTOR)
        cost = np.where(found, away_m / within_m + unlike, np.inf)
        best = np.argmin(cost, axis=1)
        rows = np.flatnonzero(found.any(axis=1))
        reach = new_line[near[rows, best[rows]]]
        key = chosen[old_line[rows]].astype(np.int64) * len(lines) + reach
        pair, where = np.unique(key, return_inverse=True)
        common_m = np.bincount(where, weights=weight_m[rows], minlength=len(pair)).astype(np.float64)
        pairs.append((pair // len(lines), pair % len(lines), common_m))
    home, reach, common_m = (np.concatenate(part) for part in zip(*pairs, strict=True))
    keep = missing[reach]
    home, reach = home[keep], reach[keep]
    common_m = np.minimum(common_m[keep], lines.length_m[reach])
    return _Pairs(
        home_id=ids[home].tolist(),
        reach=reach,
        common_m=common_m,
        home_m=homes.length_m[home],
        reach_m=lines.length_m[reach],
    )


# Some lines out of many, one after the other.
def _cut(
    lines: _Lines | Places, chosen: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    count = np.diff(lines.start)[chosen]
    start = np.concatenate([np.zeros(1, np.int64), np.cumsum(count)])
    point = np.arange(start[-1]) + np.repeat(lines.start[:-1][chosen] - start[:-1], count)
    return start, lines.easting_m[point], lines.northing_m[point]


def _some(places: Places, chosen: NDArray[np.int64]) -> _Lines:
    return _measured(*_cut(places, chosen), places.upstream_area_m2[chosen], places.cell_m[chosen])


def _give_by_place(names: NDArray[np.object_], pairs: _Pairs, channels: Channels) -> None:
    """Give ids to the reaches that share most ground with their homes, best pair first."""
    given = {name for name in names if name}
    share = pairs.common_m / (pairs.home_m + pairs.reach_m - pairs.common_m)
    enough = pairs.common_m >= LEAST_SHARE * np.minimum(pairs.home_m, pairs.reach_m) - 1e-9
    nodes, reaches = channels.nodes, channels.reaches
    to_mouth_m = np.round(nodes.distance_to_outlet_m[reaches.last_node], 3)[pairs.reach]
    ranked = sorted(
        (-round(float(share[k]), 9), float(to_mouth_m[k]), id_order(pairs.home_id[k]), int(pairs.reach[k]), k)
        for k in np.flatnonzero(enough).tolist()
    )
    for *_, reach, k in ranked:
        name = pairs.home_id[k]
        if not names[reach] and name not in given:
            names[reach] = name
            given.add(name)


def _parts(names: NDArray[np.object_], pairs: _Pairs, size: int) -> list[str]:
    """For each reach without a name, if half of it lies on homes, the id of the home with most of it."""
    covered_m = np.bincount(pairs.reach, weights=pairs.common_m, minlength=size)[pairs.reach]
    enough = covered_m >= LEAST_SHARE * pairs.reach_m - 1e-9
    best: dict[int, tuple[float, Order, str]] = {}
    for k in np.flatnonzero(enough).tolist():
        reach, name = int(pairs.reach[k]), pairs.home_id[k]
        if not names[reach]:
            claim = (-round(float(pairs.common_m[k]), 6), id_order(name), name)
            best[reach] = min(best.get(reach, claim), claim)
    return [best[reach][2] if reach in best else "" for reach in range(size)]


def _name_rest(names: NDArray[np.object_], part_of: list[str], channels: Channels, places: Places) -> None:
    """Name what was split and what is new, from the mouths upstream."""
    reaches = channels.reaches
    wash, _, _ = trace_washes(reaches.downstream, reaches.upstream_area_m2)
    last_letter = -1
    highest: dict[str, int] = {}
    small: dict[str, int] = {}
    for name in sorted(set(places.reach_id.tolist())):
        letters, count, part = split_id(name)
        last_letter = max(last_letter, wash_place(letters))
        highest[letters] = max(highest.get(letters, 0), count)
        base = f"{letters}{count}"
        small[base] = max(small.get(base, 0), wash_place(part.upper()) if part else 0)
    piece = np.full(len(names), -1, np.int64)
    number_in = np.zeros(len(names), np.int64)
    mouths: list[int] = []
    below_of, wash_of = reaches.downstream.tolist(), wash.tolist()
    for reach in range(len(names) - 1, -1, -1):
        if names[reach]:
            continue
        if part_of[reach]:
            letters, count, _ = split_id(part_of[reach])
            base = f"{letters}{count}"
            small[base] += 1
            names[reach] = base + letters_of(small[base]).lower()
            continue
        below = below_of[reach]
        is_stem = below >= 0 and wash_of[below] == wash_of[reach]
        if is_stem and piece[below] >= 0:
            piece[reach], number_in[reach] = piece[below], number_in[below] + 1
            continue
        if is_stem and names[below]:
            letters, count, _ = split_id(names[below])
            if count == highest[letters]:
                # Above the head of a wash, or above what was just put there.
                highest[letters] += 1
                names[reach] = f"{letters}{highest[letters]}"
                continue
        piece[reach], number_in[reach] = len(mouths), 1
        mouths.append(reach)
    rank = np.empty(len(mouths), np.int64)
    rank[np.lexsort((np.array(mouths, np.int64), -reaches.upstream_area_m2[mouths]))] = np.arange(len(mouths))
    for reach in np.flatnonzero(piece >= 0).tolist():
        names[reach] = letters_of(last_letter + 1 + int(rank[piece[reach]])) + str(number_in[reach])


def _add(places: Places, lines: _Lines, ids: NDArray[np.str_]) -> Places:
    """Add what the places do not hold yet: homes of new ids, and new lines of old ones."""
    held = set(zip(places.reach_id.tolist(), _keys(places), strict=True))
    new = np.array([pair not in held for pair in zip(ids.tolist(), _keys(lines), strict=True)], np.bool_)
    chosen = np.flatnonzero(new)
    start, easting_m, northing_m = _cut(lines, chosen)
    return Places(
        reach_id=np.concatenate([places.reach_id, ids[chosen]]),
        edition=np.concatenate([places.edition, np.full(len(chosen), places.edition.max(initial=-1) + 1)]),
        upstream_area_m2=np.concatenate([places.upstream_area_m2, lines.upstream_area_m2[chosen]]),
        cell_m=np.concatenate([places.cell_m, lines.cell_m[chosen]]),
        start=np.concatenate([places.start, places.start[-1] + start[1:]]),
        easting_m=np.concatenate([places.easting_m, easting_m]),
        northing_m=np.concatenate([places.northing_m, northing_m]),
    )


def _say(is_kept: NDArray[np.bool_], is_split: NDArray[np.bool_], retired: list[str]) -> str:
    size = len(is_kept)
    sentence = f"{int(is_kept.sum())} of {size} reaches keep the id their place had"
    if is_kept.all():
        return sentence + "."
    parts, new = int(is_split.sum()), int((~is_kept & ~is_split).sum())
    sentence += (
        f"; {parts} are parts of reaches that were split (A12b is a part of A12), {new} lie on new ground"
    )
    if retired:
        few = ", ".join(retired[:5]) + (" and others" if len(retired) > 5 else "")
        sentence += f". No reach is called {few} now; no other place will get such an id"
    return sentence + "."
