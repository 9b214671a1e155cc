"""Classes of yield on paper: told apart by colour, and by width and dashes where there is no colour."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from washgrade.sheet.view import SheetView
from washgrade.units import OUNCE_KG, POUND_KG

__all__ = ["CLOSED", "STYLES", "Style", "YieldClasses", "yield_classes"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """How a line looks.

    Parameters
    ----------
    colour : str
        Red, green, blue.
    width_pt : float
        Points.
    dash_pt : tuple of float
        Lengths of dashes and gaps, points; empty for none.
    """

    colour: str
    width_pt: float
    dash_pt: tuple[float, ...] = ()


# Each class is darker and wider than the one before, so that a copy without colour shows the same order.
STYLES = (
    Style(colour="#8c8c8c", width_pt=0.7, dash_pt=(2.2, 1.6)),
    Style(colour="#b3822a", width_pt=1.1),
    Style(colour="#b8501c", width_pt=1.8),
    Style(colour="#8a1c3c", width_pt=2.6),
    Style(colour="#26082e", width_pt=3.5),
)
"""Lines of the classes, the poorest first."""

CLOSED = Style(colour="#8c8c8c", width_pt=0.5, dash_pt=(0.6, 1.8))
"""Line of a reach where one must not or cannot dig."""

_STEPS = (1.0, 2.0, 5.0)
# The best class begins at this share of the best reach's yield or below: our choice, so that it is not empty.
_BEST_SHARE = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class YieldClasses:
    """Limits between classes of yield.

    Parameters
    ----------
    limits : tuple of float
        Round numbers from small to large, one less than there are classes.
    unit : str
        Their unit.
    unit_kg : float
        Kilograms in it.
    """

    limits: tuple[float, ...]
    unit: str
    unit_kg: float

    def of(self, kg_per_load: NDArray[np.float64]) -> NDArray[np.int64]:
        """Class of some yields.

        Parameters
        ----------
        kg_per_load : ndarray of float64, shape (reaches,)
            Kilograms in one load.

        Returns
        -------
        ndarray of int64, shape (reaches,)
            0 for the poorest; a yield on a limit belongs above it.
        """
        return np.searchsorted(np.array(self.limits) * self.unit_kg, kg_per_load, side="right")

    @property
    def words(self) -> tuple[str, ...]:
        """What to write beside each class, the poorest first."""
        shown = [f"{limit:g}" for limit in self.limits]
        between = [f"{low} to {high} {self.unit}" for low, high in pairwise(shown)]
        return (f"under {shown[0]} {self.unit}", *between, f"{shown[-1]} {self.unit} and more")


def yield_classes(view: SheetView) -> YieldClasses:
    """Choose round limits that set the best reaches of a ground apart.

    Parameters
    ----------
    view : SheetView
        What is shown.

    Returns
    -------
    YieldClasses
        One less limit than there are styles; each is 2 or 2.5 times the one before.
    """
    open_kg = view.kg_per_load_mean[~view.closed]
    best_kg = float((open_kg if len(open_kg) else view.kg_per_load_mean).max())
    best_kg = max(best_kg, 1e-6)
    if view.units == "us":
        unit, unit_kg = ("lb", POUND_KG) if best_kg >= POUND_KG else ("oz", OUNCE_KG)
    else:
        unit, unit_kg = ("kg", 1.0) if best_kg >= 1.0 else ("g", 0.001)
    most = _BEST_SHARE * best_kg / unit_kg
    power = math.floor(math.log10(most))
    ladder = [step * 10.0**exponent for exponent in range(power - 2, power + 1) for step in _STEPS]
    fitting = [float(f"{limit:.3g}") for limit in ladder if limit <= most * (1 + 1e-9)]
    return YieldClasses(limits=tuple(fitting[-(len(STYLES) - 1) :]), unit=unit, unit_kg=unit_kg)
