"""From recorded layers to readings: snap to the channel, composite over the bite, go to the logit scale."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washgrade.land.channels import Nodes
from washgrade.sand.along import snap
from washgrade.sand.gy import (
    gy_relative_variance,
    layer_error_variance,
    least_grades,
    logit_error_variance,
    masses_kg,
)
from washgrade.sand.layers import (
    Samples,
    SamplingSettings,
    grain_density_kg_m3,
)

__all__ = [
    "Observations",
    "Samples",
    "SamplingSettings",
    "grain_density_kg_m3",
    "gy_relative_variance",
    "holes_of",
    "observations",
    "spots_of",
]

# Our choice, because two fixes of one spot, each with a radius that holds two thirds of a round normal, lie
# farther apart than this only one time in 170: exp(-(3 · 1.51)² / 4).
APART_ACCURACIES = 3.0
# Our choices, because a second scoop is taken a step or two beside the first, and two fixes of one spot lie
# farther apart than twice the poorer accuracy one time in ten: exp(-(2 · 1.51)² / 4). Samples closer than
# that cannot be told apart by where they lie.
BESIDE_ACCURACIES = 2.0
BESIDE_M = 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Observations:
    """Readings of the bite on channel nodes, and what could not be used.

    Parameters
    ----------
    node : ndarray of int32, shape (holes,)
        Node each hole was snapped to, rising.
    value : ndarray of float64, shape (holes,)
        Logit of the grade over the bite; NaN where censored.
    error_variance : ndarray of float64, shape (holes,)
        Variance of the logit by Gy's error, weighing, splitting and moisture, and by what of the bite the
        layers do not tell; where censored, as for a grade at the limit.
    censored : ndarray of bool, shape (holes,)
        Nothing weighable: the grade is below the limit.
    limit : ndarray of float64, shape (holes,)
        Logit of the least grade that could have been weighed.
    accuracy_m : ndarray of float64, shape (holes,)
        Radius that holds the true place two times in three, metres.
    offset_m : ndarray of float64, shape (holes,)
        From the recorded place to the node, metres.
    covered : ndarray of float64, shape (holes,)
        Share of the bite that the hole's layers cover, 0 to 1.
    day : ndarray of datetime64[D], shape (holes,)
        Day of sampling.
    sample_ids : tuple of tuple of str
        Records that make up each hole.
    unplaced : tuple of (str, float)
        Record and distance in metres of samples too far from any channel.
    left_out : tuple of (str, str)
        Record and reason of samples that say nothing about the bite.
    split : tuple of (str, float)
        Name of a place whose layers of one day lie too far apart to be of one hole, and how far in metres.
    carried : ndarray of float64, shape (holes,), optional
        Share of the moving sand that each hole met and that the floods since have left, 0 to 1; 1 for all if
        left out.
    """

    node: NDArray[np.int32]
    value: NDArray[np.float64]
    error_variance: NDArray[np.float64]
    censored: NDArray[np.bool_]
    limit: NDArray[np.float64]
    accuracy_m: NDArray[np.float64]
    offset_m: NDArray[np.float64]
    covered: NDArray[np.float64]
    day: NDArray[np.datetime64]
    sample_ids: tuple[tuple[str, ...], ...]
    unplaced: tuple[tuple[str, float], ...]
    left_out: tuple[tuple[str, str], ...]
    split: tuple[tuple[str, float], ...] = ()
    carried: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))

    def __post_init__(self) -> None:
        if len(self.carried) != len(self.node):
            object.__setattr__(self, "carried", np.ones(len(self.node)))

    def __len__(self) -> int:
        return len(self.node)


def spots_of(
    samples: Samples, settings: SamplingSettings, *, members: NDArray[np.integer[Any]] | None = None
) -> list[list[int]]:
    """Group layers by the spot and day they were taken at.

    Parameters
    ----------
    samples : Samples
        Recorded layers.
    settings : SamplingSettings
        Typical accuracy, and how far layers of one name may lie apart.
    members : ndarray of int, optional
        The layers to group; all if left out.

    Returns
    -------
    list of list of int
        Layers of each spot: one name and day and not too far apart (see :func:`observations`), or without a
        name one day and within 8 m and twice the poorer accuracy of the spot's surest fix.

    Examples
    --------
    >>> spots_of(Samples.none(), SamplingSettings())
    []
    """
    accuracy_m = np.where(np.isnan(samples.accuracy_m), settings.typical_accuracy_m, samples.accuracy_m)
    groups: dict[tuple[str, str], list[int]] = defaultdict(list)
    for layer in range(len(samples)) if members is None else members.tolist():
        groups[str(samples.place[layer]).strip(), str(samples.day[layer])].append(layer)
    return [spot for group in groups.values() for spot in _spots(samples, group, accuracy_m, settings)]


def holes_of(samples: Samples, settings: SamplingSettings) -> list[list[int]]:
    """Group layers by the hole they were taken from, wherever the channels are.

    Parameters
    ----------
    samples : Samples
        Recorded layers.
    settings : SamplingSettings
        As for :func:`spots_of`; and the bite, which a sample without depths stands for.

    Returns
    -------
    list of list of int
        Layers of each hole from the top down; no two of one hole overlap.

    Examples
    --------
    >>> holes_of(Samples.none(), SamplingSettings())
    []
    """
    return [hole for spot in spots_of(samples, settings) for hole in _holes(samples, spot, settings)]


def _spots(
    samples: Samples, members: list[int], accuracy_m: NDArray[np.float64], settings: SamplingSettings
) -> list[list[int]]:
    # Parts layers of one day by where they lie: each goes to the surest fix that it may be one with.
    named = bool(str(samples.place[members[0]]).strip())

    def allowed_m(one: int, other: int) -> float:
        poorer_m = float(max(accuracy_m[one], accuracy_m[other]))
        if named:
            return max(settings.snap_max_m, APART_ACCURACIES * poorer_m)
        return min(BESIDE_M, BESIDE_ACCURACIES * poorer_m)

    order = sorted(members, key=lambda m: (accuracy_m[m], str(samples.sample_id[m])))
    if len(order) == 1:
        return [order]
    # Only those about as far east can be near: a look through all of them for each would take too long.
    farthest_m = max(allowed_m(one, order[-1]) for one in order) * (1 + 1e-9)
    east_m = samples.easting_m[order]
    eastward = np.argsort(east_m, kind="stable")
    first_near = np.searchsorted(east_m[eastward], east_m - farthest_m, side="left")
    last_near = np.searchsorted(east_m[eastward], east_m + farthest_m, side="right")
    free = np.ones(len(order), dtype=np.bool_)
    spots = []
    for first, middle in enumerate(order):
        if not free[first]:
            continue
        around = np.sort(eastward[first_near[first] : last_near[first]])
        spot = [
            k
            for k in around
            if free[k] and _apart_m(samples, order[k], middle) <= allowed_m(order[k], middle)
        ]
        free[spot] = False
        spots.append([order[k] for k in spot])
    return spots


def _apart_m(samples: Samples, one: int, other: int) -> float:
    return math.hypot(
        samples.easting_m[one] - samples.easting_m[other], samples.northing_m[one] - samples.northing_m[other]
    )


def _parted_by_branch(
    samples: Samples,
    spots: list[list[int]],
    nodes: Nodes,
    node: NDArray[np.int32],
    surest: Callable[[list[int]], int],
) -> list[list[int]]:
    # Nearness joins no samples of two branches that have not met; a name does.
    parted = []
    for spot in spots:
        rest = spot
        while rest:
            middle = surest(rest)
            joined = rest
            if not str(samples.place[middle]).strip():
                joined = [m for m in rest if _one_line(nodes, int(node[m]), int(node[middle]))]
                rest = [m for m in rest if m not in joined]
            else:
                rest = []
            parted.append(joined)
    return parted


def _one_line(nodes: Nodes, one: int, other: int) -> bool:
    # Whether water flows from one node to the other: nodes stand upstream before downstream.
    upper, lower = min(one, other), max(one, other)
    while 0 <= upper < lower:
        upper = int(nodes.downstream[upper])
    return upper == lower


def _holes(samples: Samples, members: list[int], settings: SamplingSettings) -> list[list[int]]:
    # Shares layers taken at one place on one day among holes in which no two layers overlap.
    top = np.nan_to_num(samples.depth_top_m, nan=0.0)
    bottom = np.where(np.isnan(samples.depth_bottom_m), settings.bite_m, samples.depth_bottom_m)
    holes: list[list[int]] = []
    for layer in sorted(members, key=lambda m: (top[m], bottom[m], str(samples.sample_id[m]))):
        for hole in holes:
            # Sorted by top, so only the hole's last layer can reach into this one; a hair is not an overlap.
            if bottom[hole[-1]] <= top[layer] + 1e-9:
                hole.append(layer)
                break
        else:
            holes.append([layer])
    return holes


def _composite(
    samples: Samples, hole: list[int], settings: SamplingSettings
) -> tuple[float, float, bool, float, float]:
    # Logit, its variance, whether censored, the share of the bite that is covered, and logit of the limit.
    layers = np.array(hole)
    top_m = np.nan_to_num(samples.depth_top_m[layers], nan=0.0)
    bottom_m = np.where(
        np.isnan(samples.depth_bottom_m[layers]), settings.bite_m, samples.depth_bottom_m[layers]
    )
    inside_m = np.minimum(bottom_m, settings.bite_m) - top_m
    of_bite = inside_m > 0
    layers, inside_m, thick_m = layers[of_bite], inside_m[of_bite], (bottom_m - top_m)[of_bite]
    if not len(layers):
        return np.nan, np.nan, False, 0.0, np.nan
    least = least_grades(samples, layers, settings)
    covered = float(min(1.0, inside_m.sum() / settings.bite_m))
    # What lies outside a layer's part in the bite, or outside all layers, differs from it by layer_sd.
    unseen = ((1.0 - covered) * settings.layer_sd) ** 2
    cut = ((1.0 - np.minimum(inside_m / thick_m, 1.0)) * settings.layer_sd) ** 2
    written = samples.grade[layers]
    faint = samples.trace[layers] | (written < least)
    if np.all(faint):
        part = inside_m / inside_m.sum()
        limit = float(part @ least)
        variance = logit_error_variance(
            np.array([limit]), np.array([masses_kg(samples, layers, settings).sum()]), settings
        )
        return np.nan, float(variance[0] + part**2 @ cut) + unseen, True, covered, _logit(limit)
    # A faint layer beside richer ones: anywhere from nothing to the limit, all alike.
    grade = np.where(faint, least / 2, np.clip(written, least, 1 - least))
    error = layer_error_variance(samples, layers, grade, settings)
    slope = grade * (1 - grade)
    variance = np.where(faint, least**2 / 12, error * slope**2) + cut * slope**2
    density = grain_density_kg_m3(
        grade,
        light_density_kg_m3=settings.light_density_kg_m3,
        heavy_density_kg_m3=settings.heavy_density_kg_m3,
    )
    share = inside_m * density / np.sum(inside_m * density)
    limit = float(share @ least)
    whole = float(np.clip(share @ grade, limit, 1 - limit))
    steep = 1 / (whole * (1 - whole))
    error_variance = float(share**2 @ variance) * steep**2 + unseen
    return _logit(whole), error_variance, False, covered, _logit(limit)


def _logit(grade: float) -> float:
    return math.log(grade / (1 - grade))


def observations(samples: Samples, settings: SamplingSettings, nodes: Nodes) -> Observations:
    r"""Turn layers into one reading of the bite for each hole.

    Layers of one hole share the name of the place and the day; without a name, the day and the spot: within
    8 m and twice the poorer accuracy. Layers that overlap in depth cannot be of one hole: they are
    duplicates, and become readings of their own, at the node of the surest fix of the spot, so that they
    share the place and teach how far one scoop differs from the next. Layers of one name farther apart than
    ``snap_max_m`` and than three times the poorer accuracy cannot be of one hole, whatever they are called:
    they are parted, and the place is listed in ``split``. A hole's grade is the mean of its layers within
    the bite, weighted by length and density (porosity is taken as equal).

    Parameters
    ----------
    samples : Samples
        Recorded layers.
    settings : SamplingSettings
        Bite, error model and the farthest distance to a channel.
    nodes : Nodes
        Nodes of the channels.

    Returns
    -------
    Observations
        Sorted by node, day and record; independent of the order of the samples.

    Notes
    -----
    Where the layers cover a share c of the bite, the rest is taken to have their grade on the median, and to
    differ from it with standard deviation ``layer_sd`` on the logit: to first order the variance grows by
    :math:`((1-c)\,s)^2`. A layer that reaches below the bite with all but a share f of its thickness tells of
    its part within by the same rule, :math:`((1-f)\,s)^2`. That richer parts raise a mean by more than
    poorer ones lower it (by some :math:`c(1-c)s^2/2` of the logit, 0.08 at worst) is left out. A hole that
    lies below the bite altogether is left out too: someone dug there because of what was seen.
    """
    node, offset_m = snap(nodes, easting_m=samples.easting_m, northing_m=samples.northing_m)
    accuracy_m = np.where(np.isnan(samples.accuracy_m), settings.typical_accuracy_m, samples.accuracy_m)
    placed = offset_m <= settings.snap_max_m
    unplaced = [
        (str(samples.sample_id[layer]), float(offset_m[layer])) for layer in np.flatnonzero(~placed).tolist()
    ]
    rows = []
    left_out = []
    spots = spots_of(samples, settings, members=np.flatnonzero(placed))
    apart_m: dict[str, float] = {}
    middles: dict[tuple[str, str], list[int]] = defaultdict(list)
    for spot in spots:
        middles[str(samples.place[spot[0]]).strip(), str(samples.day[spot[0]])].append(spot[0])
    for (name, _), found in middles.items():
        for one, other in combinations(found if name else [], 2):
            apart_m[name] = max(apart_m.get(name, 0.0), _apart_m(samples, one, other))

    def surest(spot: list[int]) -> int:
        return min(spot, key=lambda m: (accuracy_m[m], offset_m[m], str(samples.sample_id[m])))

    for spot in _parted_by_branch(samples, spots, nodes, node, surest):
        # All of a spot was taken at one place: believe the surest fix.
        best = surest(spot)
        for hole in _holes(samples, spot, settings):
            ids = tuple(str(samples.sample_id[layer]) for layer in hole)
            value, variance, censored, covered, limit = _composite(samples, hole, settings)
            if covered <= 0:
                left_out += [(one, f"deeper than the bite of {settings.bite_m:g} m") for one in ids]
                continue
            rows.append(
                (int(node[best]), samples.day[best], ids, best, value, variance, censored, covered, limit)
            )
    rows.sort(key=lambda row: (row[0], str(row[1]), row[2]))
    best_layer = np.array([row[3] for row in rows], dtype=np.int64)
    return Observations(
        node=np.array([row[0] for row in rows], dtype=np.int32),
        value=np.array([row[4] for row in rows], dtype=np.float64),
        error_variance=np.array([row[5] for row in rows], dtype=np.float64),
        censored=np.array([row[6] for row in rows], dtype=np.bool_),
        limit=np.array([row[8] for row in rows], dtype=np.float64),
        accuracy_m=accuracy_m[best_layer],
        offset_m=offset_m[best_layer],
        covered=np.array([row[7] for row in rows], dtype=np.float64),
        day=samples.day[best_layer],
        sample_ids=tuple(row[2] for row in rows),
        unplaced=tuple(sorted(unplaced)),
        left_out=tuple(sorted(left_out)),
        split=tuple(sorted(apart_m.items())),
    )
