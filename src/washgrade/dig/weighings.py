"""What a pass over the magnets takes, from the user's own weighings of feed, concentrate and tailings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from washgrade.checks import number
from washgrade.dig.cleanup import MagnetPass, two_product
from washgrade.errors import InputError
from washgrade.units import show_share

__all__ = ["PassFit", "Weighing", "fit_pass"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighing:
    """One batch over the magnets, as far as it was weighed; dry masses.

    Parameters
    ----------
    feed_kg, concentrate_kg, tailings_kg : float, optional
        Masses of the batch and of what it became, kilograms.
    feed_grade, concentrate_grade, tailings_grade : float, optional
        Grades of well mixed samples of the three, 0 to 1.

    Raises
    ------
    InputError
        If a value is outside its limits, the masses do not go together, or too little is known: it must be
        two grades and two masses, or all three grades.
    """

    feed_kg: float | None = None
    concentrate_kg: float | None = None
    tailings_kg: float | None = None
    feed_grade: float | None = None
    concentrate_grade: float | None = None
    tailings_grade: float | None = None

    def __post_init__(self) -> None:
        for name in ("feed_kg", "concentrate_kg", "tailings_kg"):
            if getattr(self, name) is not None:
                number(name, getattr(self, name), above=0)
        for name in ("feed_grade", "concentrate_grade", "tailings_grade"):
            if getattr(self, name) is not None:
                number(name, getattr(self, name), at_least=0, at_most=1)
        masses = sum(one is not None for one in (self.feed_kg, self.concentrate_kg, self.tailings_kg))
        grades = sum(
            one is not None for one in (self.feed_grade, self.concentrate_grade, self.tailings_grade)
        )
        if not (grades == 3 or (grades == 2 and masses >= 2)):
            raise InputError(
                f"Invalid weighing of {masses} masses and {grades} grades. It must have all three grades, or "
                "two of them and two masses."
            )
        if masses >= 2 and self.yield_share is not None and not 0 < self.yield_share < 1:
            raise InputError("Invalid masses of a weighing. The concentrate must weigh less than the feed.")

    @property
    def yield_share(self) -> float | None:
        """Concentrate per feed by the masses; None where fewer than two are known."""
        if self.concentrate_kg is not None and self.tailings_kg is not None:
            # What was lost on the way is in neither.
            return self.concentrate_kg / (self.concentrate_kg + self.tailings_kg)
        if self.feed_kg is None:
            return None
        if self.concentrate_kg is not None:
            return self.concentrate_kg / self.feed_kg
        return None if self.tailings_kg is None else 1.0 - self.tailings_kg / self.feed_kg

    @property
    def lost_share(self) -> float | None:
        """Share of the feed that is in neither product; None where not all three were weighed."""
        if self.feed_kg is None or self.concentrate_kg is None or self.tailings_kg is None:
            return None
        return 1.0 - (self.concentrate_kg + self.tailings_kg) / self.feed_kg

    @property
    def weight_kg(self) -> float:
        """Mass of the feed, by which batches are pooled; 1 where none was weighed."""
        if self.concentrate_kg is not None and self.tailings_kg is not None:
            return self.concentrate_kg + self.tailings_kg
        if self.feed_kg is not None:
            return self.feed_kg
        return 1.0

    def streams(self) -> tuple[float, float, float, float]:
        """Work out the magnetics and the rest in concentrate and tailings, per mass of feed.

        Returns
        -------
        tuple of float
            Magnetics in the concentrate, magnetics in the tailings, rest in the concentrate, rest in the
            tailings.

        Raises
        ------
        InputError
            If the numbers cannot be those of one pass.
        """
        f, c, t = self.feed_grade, self.concentrate_grade, self.tailings_grade
        part = self.yield_share
        if part is None:
            assert f is not None  # noqa: S101  (for mypy: all three grades are known then)
            assert c is not None  # noqa: S101
            assert t is not None  # noqa: S101
            part = float(two_product(f, c, t)[0])
        if c is None:
            assert f is not None  # noqa: S101  (for mypy: two of three)
            assert t is not None  # noqa: S101
            c = (f - t * (1.0 - part)) / part
        if t is None:
            assert f is not None  # noqa: S101
            t = (f - c * part) / (1.0 - part)
        if not (0.0 <= c <= 1.0 and 0.0 <= t <= 1.0):
            raise InputError(
                f"Invalid weighing: by its balance the concentrate would be {show_share(c, 1)} and the "
                f"tailings {show_share(t, 1)} magnetic. Both must lie between 0 and 100 %."
            )
        return part * c, (1.0 - part) * t, part * (1.0 - c), (1.0 - part) * (1.0 - t)


@dataclass(frozen=True, slots=True, kw_only=True)
class PassFit:
    """What a pass takes, by some weighings.

    Parameters
    ----------
    magnet_pass : MagnetPass
        The shares.
    weighings : int
        How many there are.
    yield_share : float
        Concentrate per feed, pooled.
    yield_share_by_grades : float or None
        The same by the two-product formula, pooled over those with all three grades, None if there is none;
        it should agree with the one by masses.
    lost_share : float or None
        Share of the feed lost on the way, pooled; None where nothing tells.
    """

    magnet_pass: MagnetPass
    weighings: int
    yield_share: float
    yield_share_by_grades: float | None
    lost_share: float | None


def fit_pass(weighings: Sequence[Weighing]) -> PassFit:
    """Fit what a pass takes to weighings of some batches.

    Parameters
    ----------
    weighings : sequence of Weighing
        At least one.

    Returns
    -------
    PassFit
        Shares, pooled by the mass of the batches.

    Raises
    ------
    InputError
        If there is none, or they cannot be those of a magnet.

    Notes
    -----
    With C, T the masses of concentrate and tailings and c, t their grades, the pass takes
    ``C c / (C c + T t)`` of the magnetics and ``C (1 - c) / (C (1 - c) + T (1 - t))`` of the rest. Masses
    come first; where there are none, the two-product formula gives their ratio.

    References
    ----------
    Wills, B. A., Finch, J. A. (2016). Wills' Mineral Processing Technology, 8th edition, chapter 3.

    Examples
    --------
    >>> found = fit_pass([Weighing(concentrate_kg=2.3, tailings_kg=7.7, concentrate_grade=0.826087,
    ...                            tailings_grade=0.012987)])
    >>> round(found.magnet_pass.magnetics_share, 3), round(found.magnet_pass.rest_share, 3)
    (0.95, 0.05)
    """
    if not weighings:
        raise InputError("Invalid weighings of none. There must be at least one.")
    sums = [0.0, 0.0, 0.0, 0.0]
    whole_kg, concentrate_kg = 0.0, 0.0
    by_grades, by_grades_kg = 0.0, 0.0
    lost_kg, tried_kg = 0.0, 0.0
    for one in weighings:
        parts = one.streams()
        sums = [total + one.weight_kg * part for total, part in zip(sums, parts, strict=True)]
        whole_kg += one.weight_kg
        concentrate_kg += one.weight_kg * (parts[0] + parts[2])
        grades = (one.feed_grade, one.concentrate_grade, one.tailings_grade)
        if None not in grades:
            by_grades += one.weight_kg * float(two_product(*grades)[0])  # type: ignore[arg-type]
            by_grades_kg += one.weight_kg
        if one.lost_share is not None and one.feed_kg is not None:
            lost_kg += one.lost_share * one.feed_kg
            tried_kg += one.feed_kg
    taken, left, dragged, passed = sums
    if taken <= 0.0:
        raise InputError("Invalid weighings: there are no magnetics in the concentrate. There must be some.")
    rest = dragged + passed
    return PassFit(
        magnet_pass=MagnetPass(
            magnetics_share=taken / (taken + left), rest_share=dragged / rest if rest > 0 else 0.0
        ),
        weighings=len(weighings),
        yield_share=concentrate_kg / whole_kg,
        yield_share_by_grades=by_grades / by_grades_kg if by_grades_kg else None,
        lost_share=lost_kg / tried_kg if tried_kg else None,
    )
