"""Straight paths on even slopes: the compiled loops that choose directions by least transversal deviation.

`washgrade.land.flow.flow_directions` says what they compute.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from washgrade.land.descent import FACET, OUTLET, VOID
from washgrade.land.kernel import kernel, neighbour_steps

__all__ = ["count_facet_donors", "straighten"]

# A cell that has had its turn waits for nothing.
DONE = 255


@kernel
def count_facet_donors(direction: NDArray[np.uint8], waiting: NDArray[np.uint8]) -> None:
    """Count the neighbours that pour, or may pour, into each cell.

    Parameters
    ----------
    direction : ndarray of uint8, shape (rows, cols)
        Ways, `FACET` marks, outlets and voids.
    waiting : ndarray of uint8, shape (rows, cols)
        All 0; takes the counts.
    """
    code = direction.ravel()
    count = waiting.ravel()
    steps = neighbour_steps(direction.shape[1])
    for cell in range(len(code)):
        way = code[cell]
        if way < OUTLET:
            count[cell + steps[way]] += 1
        elif way != OUTLET and way != VOID:
            count[cell + steps[way - FACET]] += 1
            count[cell + steps[(way - FACET + 1) & 7]] += 1


@kernel
def straighten(
    heights: NDArray[np.float32],
    direction: NDArray[np.uint8],
    waiting: NDArray[np.uint8],
    count: NDArray[np.int32],
) -> int:
    """Choose one of the two ways of every marked cell, and count what drains through all cells.

    Parameters
    ----------
    heights : ndarray of float32, shape (rows, cols)
        Heights in metres, NaN on voids.
    direction : ndarray of uint8, shape (rows, cols)
        Ways and `FACET` marks; the marks are replaced by ways.
    waiting : ndarray of uint8, shape (rows, cols)
        From `count_facet_donors`; used up.
    count : ndarray of int32, shape (rows, cols)
        All 0; takes the number of cells that drain through each, itself included.

    Returns
    -------
    int
        How many cells were passed: all that are not void, if nothing runs in a circle.

    Notes
    -----
    A cell's turn comes when all neighbours that may pour into it have had theirs, so its choice hangs on the
    ground above it alone and not on the order in which cells are taken up.
    """
    ground = heights.ravel()
    code = direction.ravel()
    left = waiting.ravel()
    total = count.ravel()
    steps = neighbour_steps(heights.shape[1])
    # What the donor with the largest area hands on lies side by side: that area, and the deviation.
    handed = np.zeros(2 * len(code), np.int32)
    deviation = handed.view(np.float32)
    # Room for every cell; only what is written to takes memory.
    stack = np.empty(len(code), np.int32)
    stacked = 0
    passed = 0
    for head in range(len(code)):
        if left[head] != 0 or code[head] == VOID:
            continue
        cell = np.int64(head)
        while True:
            left[cell] = DONE
            total[cell] += 1
            passed += 1
            way = np.int64(code[cell])
            off = deviation[2 * cell + 1]
            ready = np.int64(-1)
            if way >= FACET:
                facet = way - FACET
                # Straight ways are even; the facet's side tells which way round the deviation counts.
                if facet & 1:
                    straight, across, side = (facet + 1) & 7, facet, np.float32(-1.0)
                else:
                    straight, across, side = facet, facet + 1, np.float32(1.0)
                beside = ground[cell + steps[straight]]
                along_m = ground[cell] - beside
                aside_m = beside - ground[cell + steps[across]]
                scale = side / np.float32(math.sqrt(along_m * along_m + aside_m * aside_m))
                if_straight = off - aside_m * scale
                if_across = off + (along_m - aside_m) * scale
                if abs(if_straight) <= abs(if_across):
                    way, other, off = straight, across, if_straight
                else:
                    way, other, off = across, straight, if_across
                code[cell] = way
                ready = cell + steps[other]
                left[ready] -= 1
                if left[ready] != 0:
                    ready = np.int64(-1)
            if way < OUTLET:
                below = cell + steps[way]
                area = total[cell]
                total[below] += area
                # A path over a flat follows no slope, so what it had gone astray before counts no longer.
                if ground[below] == ground[cell]:
                    off = np.float32(0.0)
                most = handed[2 * below]
                known = deviation[2 * below + 1]
                if area > most or (
                    area == most and (abs(off) < abs(known) or (abs(off) == abs(known) and off > known))
                ):
                    handed[2 * below] = area
                    deviation[2 * below + 1] = off
                left[below] -= 1
                if left[below] == 0:
                    if ready >= 0:
                        stack[stacked] = ready
                        stacked += 1
                    ready = below
            if ready < 0:
                if stacked == 0:
                    break
                stacked -= 1
                ready = np.int64(stack[stacked])
            cell = ready
    return passed
