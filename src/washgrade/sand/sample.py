"""From recorded layers to readings: snap to the channel, composite over the bite, go to the logit scale."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from washgrade.land.channels import Nodes
from washgrade.sand.along import snap
from washgrade.sand.layers import (
    Samples,
    SamplingSettings,
    grain_density_kg_m3,
    gy_relative_variance,
    logit_error_variance,
)

__all__ = [
    "Observations",
    "Samples",
    "SamplingSettings",
    "grain_density_kg_m3",
    "gy_relative_variance",
    "observations",
]

# Our choice, because two fixes of one spot, each with a radius that holds two thirds of a round normal, lie
# farther apart than this only one time in 170: exp(-(3 · 1.51)² / 4).
APART_ACCURACIES = 3.0


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
        Variance of the logit by Gy's error and weighing; where censored, as for a grade at the limit.
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

    def __len__(self) -> int:
        return len(self.node)


def _spots(
    samples: Samples, members: list[int], accuracy_m: NDArray[np.float64], snap_max_m: float
) -> list[list[int]]:
    # Parts layers of one name and day by where they lie: each goes to the surest fix that it may be one with.
    spots: list[list[int]] = []
    for layer in sorted(members, key=lambda m: (accuracy_m[m], str(samples.sample_id[m]))):
        for spot in spots:
            allowed_m = max(snap_max_m, APART_ACCURACIES * max(accuracy_m[layer], accuracy_m[spot[0]]))
            if _apart_m(samples, layer, spot[0]) <= allowed_m:
                spot.append(layer)
                break
        else:
            spots.append([layer])
    return spots


def _apart_m(samples: Samples, one: int, other: int) -> float:
    return math.hypot(
        samples.easting_m[one] - samples.easting_m[other], samples.northing_m[one] - samples.northing_m[other]
    )


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
) -> tuple[float, float, bool, float]:
    # Logit, its variance, whether censored, and the share of the bite that the hole covers.
    layers = np.array(hole)
    top = np.nan_to_num(samples.depth_top_m[layers], nan=0.0)
    bottom = np.where(
        np.isnan(samples.depth_bottom_m[layers]), settings.bite_m, samples.depth_bottom_m[layers]
    )
    inside_m = np.minimum(bottom, settings.bite_m) - top
    layers, inside_m = layers[inside_m > 0], inside_m[inside_m > 0]
    if not len(layers):
        return np.nan, np.nan, False, 0.0
    least = settings.detection_grade
    covered = float(min(1.0, inside_m.sum() / settings.bite_m))
    mass_kg = np.where(
        np.isnan(samples.dry_mass_kg[layers]), settings.typical_mass_kg, samples.dry_mass_kg[layers]
    )
    written = samples.grade[layers]
    faint = samples.trace[layers] | (written < least)
    if np.all(faint):
        variance = logit_error_variance(np.array([least]), np.array([mass_kg.sum()]), settings)
        return np.nan, float(variance[0]), True, covered
    # A faint layer beside richer ones: anywhere from nothing to the limit, all alike.
    grade = np.where(faint, least / 2, np.clip(written, least, 1 - least))
    variance = np.where(
        faint, least**2 / 12, logit_error_variance(grade, mass_kg, settings) * (grade * (1 - grade)) ** 2
    )
    density = grain_density_kg_m3(
        grade,
        light_density_kg_m3=settings.light_density_kg_m3,
        heavy_density_kg_m3=settings.heavy_density_kg_m3,
    )
    share = inside_m * density / np.sum(inside_m * density)
    whole = float(np.clip(share @ grade, least, 1 - least))
    slope = 1 / (whole * (1 - whole))
    return float(np.log(whole / (1 - whole))), float(share**2 @ variance) * slope**2, False, covered


def observations(samples: Samples, settings: SamplingSettings, nodes: Nodes) -> Observations:
    """Turn layers into one reading of the bite for each hole.

    Layers of one hole share the name of the place and the day; without a name, the nearest node and the day.
    Layers that overlap in depth cannot be of one hole: they are duplicates, and become readings of their
    own. Layers farther apart than ``snap_max_m`` and than three times the poorer accuracy cannot be of one
    hole either, whatever they are called: they are parted, and the place is listed in ``split``. A hole's
    grade is the mean of its layers within the bite, weighted by length and density (porosity is taken as
    equal). Where the layers cover the bite only in part, the hole stands for the part they cover, and nothing
    is added to its variance for the rest: ``covered`` says how much that is.

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
    """
    node, offset_m = snap(nodes, easting_m=samples.easting_m, northing_m=samples.northing_m)
    accuracy_m = np.where(np.isnan(samples.accuracy_m), settings.typical_accuracy_m, samples.accuracy_m)
    groups: dict[tuple[str, int, str], list[int]] = defaultdict(list)
    unplaced = []
    for layer in range(len(samples)):
        name = str(samples.place[layer]).strip()
        if offset_m[layer] > settings.snap_max_m:
            unplaced.append((str(samples.sample_id[layer]), float(offset_m[layer])))
        else:
            groups[name, -1 if name else int(node[layer]), str(samples.day[layer])].append(layer)
    rows = []
    left_out = []
    limit = np.log(settings.detection_grade / (1 - settings.detection_grade))
    apart_m: dict[str, float] = {}
    spots = []
    for (name, _, _), group in groups.items():
        parted = _spots(samples, group, accuracy_m, settings.snap_max_m) if name else [group]
        spots += parted
        for one, other in combinations([spot[0] for spot in parted], 2):
            apart_m[name] = max(apart_m.get(name, 0.0), _apart_m(samples, one, other))
    for spot in spots:
        for hole in _holes(samples, spot, settings):
            ids = tuple(str(samples.sample_id[layer]) for layer in hole)
            value, variance, censored, covered = _composite(samples, hole, settings)
            if covered <= 0:
                left_out += [(one, f"deeper than the bite of {settings.bite_m:g} m") for one in ids]
                continue
            # The layers of a hole were taken at one spot: believe the surest fix.
            best = min(
                hole, key=lambda layer: (accuracy_m[layer], offset_m[layer], str(samples.sample_id[layer]))
            )
            rows.append((int(node[best]), samples.day[best], ids, best, value, variance, censored, covered))
    rows.sort(key=lambda row: (row[0], str(row[1]), row[2]))
    best_layer = np.array([row[3] for row in rows], dtype=np.int64)
    return Observations(
        node=np.array([row[0] for row in rows], dtype=np.int32),
        value=np.array([row[4] for row in rows], dtype=np.float64),
        error_variance=np.array([row[5] for row in rows], dtype=np.float64),
        censored=np.array([row[6] for row in rows], dtype=np.bool_),
        limit=np.full(len(rows), limit),
        accuracy_m=accuracy_m[best_layer],
        offset_m=offset_m[best_layer],
        covered=np.array([row[7] for row in rows], dtype=np.float64),
        day=samples.day[best_layer],
        sample_ids=tuple(row[2] for row in rows),
        unplaced=tuple(sorted(unplaced)),
        left_out=tuple(sorted(left_out)),
        split=tuple(sorted(apart_m.items())),
    )
