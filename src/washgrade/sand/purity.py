"""What sticks to the magnet is not all magnetite: from magnetics to magnetite, with one doubt for the site.

The **grade** of washgrade is the mass of *magnetics* per dry mass, and kilograms per load are kilograms of
magnetics: that is what a magnet and a balance measure in the field. The **purity** is the share of magnetite
in that mass. It changes no grade, no ranking and no stock; it says what the product is worth.

It is one unknown number for the whole site, not noise of each sample. So it scales everything alike: within
one way the ground may be, the order of the reaches stays, and adding reaches up or taking more samples does
not average it away. Only an assay of the magnetics makes it surer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.errors import InputError

__all__ = ["IRON_IN_MAGNETITE", "Purity", "magnetite_kg", "purity_draws", "purity_from_iron"]

IRON_IN_MAGNETITE = 3 * 55.845 / (3 * 55.845 + 4 * 15.999)
"""Mass of iron per mass of magnetite, Fe3O4, from the standard atomic weights (IUPAC): 0.7236."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Purity:
    """Share of magnetite in the magnetics of a site.

    Parameters
    ----------
    magnetite_share : float, default 0.85
        Mean, above 0 and below 1. Our choice, because one pass over a magnet that keeps 95 % of the magnetite
        of a 20 % sand and drags 5 % of the rest along gives 0.83 (mass balance), and grains of titanium-rich
        or half-altered magnetite stick as well.
    magnetite_share_sd : float, default 0.07
        Standard deviation, at least 0. Our choice, because 0.7 to 0.95 is then what is thought possible.

    Raises
    ------
    InputError
        If the mean does not lie between 0 and 1, or the standard deviation is more than a share with that
        mean can have.

    Examples
    --------
    >>> Purity(magnetite_share=0.9, magnetite_share_sd=0.3)
    Traceback (most recent call last):
    ...
    washgrade.errors.InputError: Invalid 'magnetite_share_sd' of 0.3. It must be below 0.3, what a share with
    a mean of 0.9 can have.
    """

    magnetite_share: float = 0.85
    magnetite_share_sd: float = 0.07

    def __post_init__(self) -> None:
        mean = number("magnetite_share", self.magnetite_share, above=0, below=1)
        number("magnetite_share_sd", self.magnetite_share_sd, at_least=0)
        most = (mean * (1.0 - mean)) ** 0.5
        if self.magnetite_share_sd >= most * (1 - 1e-12):
            raise InputError(
                f"Invalid 'magnetite_share_sd' of {self.magnetite_share_sd!r}. It must be below "
                f"{most:.3g}, what a share with a mean of {mean:g} can have."
            )


def purity_draws(purity: Purity, count: int, rng: np.random.Generator) -> NDArray[np.float64]:
    r"""Draw the purity of the site, one number for each draw of the ground.

    Parameters
    ----------
    purity : Purity
        Mean and standard deviation.
    count : int
        How many.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    ndarray of float64, shape (count,)
        From the beta distribution with that mean and standard deviation.

    Notes
    -----
    :math:`a = \mu n,\ b = (1-\mu) n,\ n = \mu(1-\mu)/s^2 - 1`.

    Examples
    --------
    >>> import numpy as np
    >>> drawn = purity_draws(Purity(), 4000, np.random.default_rng(1))
    >>> float(drawn.mean().round(2)), float(drawn.std().round(2))
    (0.85, 0.07)
    """
    mean, sd = purity.magnetite_share, purity.magnetite_share_sd
    if sd == 0.0:
        return np.full(count, mean)
    size = mean * (1.0 - mean) / sd**2 - 1.0
    return rng.beta(mean * size, (1.0 - mean) * size, count)


def magnetite_kg(
    magnetics_kg: NDArray[np.floating], purity: Purity, rng: np.random.Generator
) -> NDArray[np.floating]:
    """Turn draws of kilograms of magnetics into kilograms of magnetite.

    Parameters
    ----------
    magnetics_kg : ndarray of float, shape (draws, …)
        Joint draws, such as kilograms per load of every reach; NaN stays NaN.
    purity : Purity
        How much of it is magnetite.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    ndarray of float, shape (draws, …)
        Each draw times one purity, the same for all its reaches; as fine as what was given.

    Examples
    --------
    The order of two reaches stays in every draw:

    >>> import numpy as np
    >>> loads_kg = np.array([[0.5, 0.4], [0.3, 0.6]])
    >>> pure_kg = magnetite_kg(loads_kg, Purity(), np.random.default_rng(1))
    >>> (pure_kg / loads_kg).std(axis=1).round(12).tolist()
    [0.0, 0.0]
    """
    draws_kg = np.asarray(magnetics_kg)
    share = purity_draws(purity, draws_kg.shape[0], rng)
    if np.issubdtype(draws_kg.dtype, np.floating):
        # Thousands of reaches in double precision would be gigabytes for nothing.
        share = share.astype(draws_kg.dtype)
    return draws_kg * share.reshape(-1, *[1] * (draws_kg.ndim - 1))


def purity_from_iron(iron_share: float) -> float:
    """Purity from an iron assay of the magnetics.

    Parameters
    ----------
    iron_share : float
        Mass of iron per mass of magnetics, above 0 and at most that of magnetite, 0.7236.

    Returns
    -------
    float
        As if all the iron were in magnetite: an upper bound where ilmenite or haematite sticks as well.

    Raises
    ------
    InputError
        If it is more than magnetite holds, or not above 0.

    Examples
    --------
    >>> round(purity_from_iron(0.615), 2)
    0.85
    """
    found = number("iron_share", iron_share, above=0, at_most=1)
    if found > IRON_IN_MAGNETITE:
        raise InputError(
            f"Invalid 'iron_share' of {iron_share!r}. It must be at most {IRON_IN_MAGNETITE:.4f}, what pure "
            "magnetite holds."
        )
    return found / IRON_IN_MAGNETITE
