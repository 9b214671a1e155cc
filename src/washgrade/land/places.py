"""Places of reaches: every id that a site's reaches ever had, and the lines it stood for."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from washgrade.errors import GroundError

__all__ = ["Order", "Places", "id_order", "no_places", "split_id", "wash_place"]

# Sorts as people count: letters by length, letters, number, part by length, part.
Order = tuple[int, str, int, int, str]
NAME = re.compile(r"([A-Z]+)(\d+)([a-z]*)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """Every id that a site's reaches ever had, with the places it stood for; never shortened.

    An id's first line is its home; the later ones are those it inherited.

    Parameters
    ----------
    reach_id : ndarray of str, shape (places,)
        Ids such as A12 or A12b.
    edition : ndarray of int64, shape (places,)
        Which ground of the site gave this line to the id, 0 for the first; an id has one line an edition.
    upstream_area_m2 : ndarray of float64, shape (places,)
        Ground that drained through the lower end of the line, square metres.
    cell_m : ndarray of float64, shape (places,)
        Side of a cell of the DEM it was found on, metres.
    start : ndarray of int64, shape (places + 1,)
        The points of line ``i`` are ``start[i]`` to ``start[i + 1] - 1``; two or more.
    easting_m, northing_m : ndarray of float64, shape (points,)
        Where they lie, metres, downstream order, on the site's grid.

    Raises
    ------
    GroundError
        If an id is no wash's letters and number or has two lines of one edition, or the arrays do not fit.
    """

    reach_id: NDArray[np.str_]
    edition: NDArray[np.int64]
    upstream_area_m2: NDArray[np.float64]
    cell_m: NDArray[np.float64]
    start: NDArray[np.int64]
    easting_m: NDArray[np.float64]
    northing_m: NDArray[np.float64]

    def __post_init__(self) -> None:
        size = len(self.reach_id)
        sizes = (len(self.edition), len(self.upstream_area_m2), len(self.cell_m), len(self.start) - 1)
        points = int(self.start[-1]) if len(self.start) else -1
        if set(sizes) != {size} or not len(self.easting_m) == len(self.northing_m) == points:
            raise GroundError(
                f"Invalid places of {size} ids with {sizes} values and {len(self.easting_m)} points. "
                "Each id must have one value of each kind, and a line."
            )
        for name in self.reach_id.tolist():
            if NAME.fullmatch(name) is None:
                raise GroundError(
                    f"Invalid 'reach_id' of '{name}'. It must be capital letters, a number and, where a "
                    "reach was split, small letters, such as A12 or A12b."
                )
        both = list(zip(self.reach_id.tolist(), self.edition.tolist(), strict=True))
        if len(set(both)) < size:
            name, edition = max(both, key=both.count)
            raise GroundError(
                f"Invalid places: '{name}' stands twice in edition {edition}. "
                "An id must have one line an edition."
            )

    @property
    def is_home(self) -> NDArray[np.bool_]:
        """Whether a line is the first that its id was given to, shape (places,)."""
        order = np.lexsort((self.edition, self.reach_id))
        home = np.zeros(len(self), np.bool_)
        home[order[np.unique(self.reach_id[order], return_index=True)[1]]] = True
        return home

    def __len__(self) -> int:
        return len(self.reach_id)


def no_places() -> Places:
    """Places of a site that never had a ground.

    Returns
    -------
    Places
        None.

    Examples
    --------
    >>> len(no_places())
    0
    """
    return Places(
        reach_id=np.empty(0, dtype=np.str_),
        edition=np.empty(0, np.int64),
        upstream_area_m2=np.empty(0),
        cell_m=np.empty(0),
        start=np.zeros(1, np.int64),
        easting_m=np.empty(0),
        northing_m=np.empty(0),
    )


@lru_cache(maxsize=100_000)
def split_id(name: str) -> tuple[str, int, str]:
    """Split an id into the letters of its wash, its number and the letters of its part.

    Parameters
    ----------
    name : str
        Id of a reach.

    Returns
    -------
    tuple of str, int, str
        The part is empty where a reach was never split.

    Raises
    ------
    GroundError
        If it is no id.

    Examples
    --------
    >>> split_id("A12b")
    ('A', 12, 'b')
    """
    found = NAME.fullmatch(name)
    if found is None:
        raise GroundError(f"Invalid 'reach_id' of '{name}'. It must be letters and a number, such as A12.")
    return found[1], int(found[2]), found[3]


def id_order(name: str) -> Order:
    """Key to sort ids as people count: A2 before A12, A12 before A12b, Z before AA.

    Parameters
    ----------
    name : str
        Id of a reach.

    Returns
    -------
    tuple
        Compares as people count.

    Raises
    ------
    GroundError
        If it is no id.

    Examples
    --------
    >>> sorted(["AA1", "A12b", "A12", "B1", "A2"], key=id_order)
    ['A2', 'A12', 'A12b', 'B1', 'AA1']
    """
    letters, count, part = split_id(name)
    return len(letters), letters, count, len(part), part


def wash_place(letters: str) -> int:
    """Place of a wash by its letters, as `washgrade.land.channels.letters_of` gives them.

    Parameters
    ----------
    letters : str
        Capital letters.

    Returns
    -------
    int
        0 for the first.

    Examples
    --------
    >>> wash_place("A"), wash_place("Z"), wash_place("AA")
    (0, 25, 26)
    """
    place = 0
    for letter in letters:
        place = place * 26 + ord(letter) - 64
    return place - 1
