"""How much of the sand's pattern lasts through floods, taught by all readings together."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from washgrade.sand.sample import Observations
    from washgrade.sand.weighed import Weighed
    from washgrade.storm.learn import Learnt
    from washgrade.survey.past import Past

__all__ = ["weigh_past", "with_lasting_share"]

# Ranges and variances are averaged over anew where the lasting share moves by more than this from what they
# were averaged with. Our choice, because less moves their middles by little against their doubt.
ANEW_BEYOND = 0.05


def weigh_past(
    past: Past, *, like: Weighed | None = None, learnt: Learnt | None = None, **given: Any
) -> tuple[Weighed, Past]:
    """Weigh the readings of a past, and let them say how much of the pattern lasts.

    Parameters
    ----------
    past : Past
        What has become of the ground.
    like : Weighed, optional
        A model of the same ground whose ranges and variances stand.
    learnt : Learnt, optional
        What was learnt with that model: its lasting share stands too.
    **given
        Further arguments of `washgrade.sand.weighed.weigh`.

    Returns
    -------
    weighed : Weighed
        The model.
    past : Past
        The same, its readings held with the lasting share that all of them speak for.

    Notes
    -----
    Reaches that are read again are few. But an old reading of one reach and a young one of the next agree the
    better, the more of the pattern lasts, and old ones among themselves agree in any case: so all readings
    speak (`washgrade.sand.lasting.lasting_log_likelihood`). The model is weighed with what reaches read again
    say, and again with what comes of it.
    """
    from washgrade.sand.lasting import lasting_log_likelihood
    from washgrade.sand.weighed import weigh
    from washgrade.storm.learn import lasting_shares

    if like is not None and learnt is not None:
        past = with_lasting_share(past, learnt.lasting_weights)
        return weigh(past.channels, past.readings, like=like, **given), past
    weighed = weigh(past.channels, past.readings, like=like, **given)
    if not (past.readings.carried < 1.0).any():
        return weighed, past
    unmoved = _unmoved_between(past, weighed.observations)
    told = past.learnt.with_lasting(lasting_log_likelihood(weighed, unmoved, lasting_shares()[0]))
    moved = abs(told.lasting_share - past.learnt.lasting_share)
    past = with_lasting_share(past, told.lasting_weights)
    again = None if like is None and moved > ANEW_BEYOND else weighed
    return weigh(past.channels, past.readings, like=again, **given), past


def with_lasting_share(past: Past, lasting_weights: NDArray[np.float64]) -> Past:
    """Hold a past with another lasting share.

    Parameters
    ----------
    past : Past
        The past.
    lasting_weights : ndarray of float64, shape (shares,)
        Weights of `washgrade.storm.learn.lasting_shares`.

    Returns
    -------
    Past
        With its readings, and those of dug reaches, faded accordingly.
    """
    learnt = replace(past.learnt, lasting_weights=lasting_weights)
    before, now = past.learnt.lasting_share, learnt.lasting_share

    def faded(carried: NDArray[np.float64]) -> NDArray[np.float64]:
        import numpy as np

        # Exactly 1 where no flood came.
        unmoved = np.clip((carried - before) / (1.0 - before), 0.0, 1.0)
        return np.where(carried >= 1.0, 1.0, now + (1.0 - now) * unmoved)

    refound = past.refound
    return replace(
        past,
        learnt=learnt,
        readings=replace(past.readings, carried=faded(past.readings.carried)),
        refound=refound and replace(refound, carried=faded(refound.carried)),
    )


def _unmoved_between(past: Past, seen: Observations) -> NDArray[np.float64]:
    """Share of the bed that the floods between the days of two places left, on the mean of all places."""
    # One share for each flood, so that the matrix is positive semidefinite whatever the floods did where. A
    # flood on a reading's own day came before it.
    import numpy as np

    # As `washgrade.sand.hyper.readings` puts readings together in places.
    kinds, member = np.unique(np.column_stack([seen.node, -seen.carried]), axis=0, return_inverse=True)
    node = kinds[:, 0].astype(np.int64)
    last_day = np.zeros(len(node), np.int64)
    # Days since 1970 turned to those of `date.toordinal`.
    np.maximum.at(last_day, member.ravel(), seen.day.astype(np.int64) + 719_163)
    kept_log = [
        float(np.log1p(-np.minimum(past.renewed(storm, node).mean(axis=0), 1.0 - 1e-6)).mean())
        for storm in range(len(past.events))
    ]
    so_far = np.concatenate([[0.0], np.cumsum(kept_log)])
    flood_day = np.array([int(event.moment_days) for event in past.events])
    moved = so_far[np.searchsorted(flood_day, last_day, side="right")]
    return np.asarray(np.exp(-np.abs(moved[:, None] - moved)))
