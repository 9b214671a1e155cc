"""How much of the sand's pattern lasts through floods, taught by all readings together."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from washgrade.sand.hyper import Readings
    from washgrade.sand.weighed import Weighed
    from washgrade.storm.learn import Learnt
    from washgrade.survey.past import Past

__all__ = ["weigh_past"]

# Ranges and variances are averaged over anew where the lasting share moves by more than this from what they
# were averaged with. Our choice, because averaging takes the longest of all that is weighed.
ANEW_BEYOND = 0.05


def weigh_past(
    past: Past, *, like: tuple[Weighed, Learnt] | None = None, **given: Any
) -> tuple[Weighed, Past]:
    """Weigh the readings of a past, and let them say how much of the pattern lasts.

    Parameters
    ----------
    past : Past
        What has become of the ground.
    like : tuple of Weighed and Learnt, optional
        A model of the same ground and what was learnt with it: ranges, variances and lasting share stand.
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

    if like is not None:
        past = _with_lasting_share(past, like[1].lasting_weights)
        return weigh(past.channels, past.readings, like=like[0], **given), past
    weighed = weigh(past.channels, past.readings, **given)
    if not (past.readings.carried < 1.0).any():
        return weighed, past
    unmoved = _unmoved_between(past, weighed.read)
    told = past.learnt.with_lasting(lasting_log_likelihood(weighed, unmoved, lasting_shares()[0]))
    moved = abs(told.lasting_share - past.learnt.lasting_share)
    past = _with_lasting_share(past, told.lasting_weights)
    again = None if moved > ANEW_BEYOND else weighed
    return weigh(past.channels, past.readings, like=again, **given), past


def _with_lasting_share(past: Past, lasting_weights: NDArray[np.float64]) -> Past:
    """Fade the readings of a past, and those of dug reaches, with another lasting share."""
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


def _unmoved_between(past: Past, read: Readings) -> NDArray[np.float64]:
    """Share of the bed that the floods between the days of two places left, on the mean of all places."""
    # One share for each flood, so that the matrix is positive semidefinite whatever the floods did where. A
    # flood on a reading's own day came before it.
    import numpy as np

    node = read.node.astype(np.int64)
    kept_log = [
        float(np.log1p(-np.minimum(past.renewed(storm, node).mean(axis=0), 1.0 - 1e-6)).mean())
        for storm in range(len(past.events))
    ]
    so_far = np.concatenate([[0.0], np.cumsum(kept_log)])
    flood_day = np.array([event.day for event in past.events], "datetime64[D]")
    moved = so_far[np.searchsorted(flood_day, read.last_day, side="right")]
    return np.asarray(np.exp(-np.abs(moved[:, None] - moved)))
