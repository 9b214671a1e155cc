"""What has become of the ground: floods, digs and looks of the notebook turned to what the estimates heed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cached_property
from typing import TYPE_CHECKING, Any

from washgrade.errors import InputError
from washgrade.survey.floods import (
    DIG_HOUR,
    LOOK_HOUR,
    SAMPLE_HOUR,
    Event,
    Floods,
    ground_of,
    moment_of,
    reckon_floods,
    storms_of,
)

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from washgrade.dig.ledger import Asks, Digs, Reckoning
    from washgrade.files.dig import Dig
    from washgrade.files.look import Look
    from washgrade.files.sample import Sample
    from washgrade.files.settings import Settings
    from washgrade.files.storm import Storm
    from washgrade.land.channels import Channels
    from washgrade.land.shape import Shape
    from washgrade.sand.sample import Observations
    from washgrade.storm.flood import Ground
    from washgrade.storm.learn import Learnt
    from washgrade.survey.refound import Refound

__all__ = ["DRAWS", "DugPart", "Past", "SeenLook", "past_of"]

# Ways the floods may have been: enough that a P10 is good to a few percent (our choice), and few enough that
# a hundred storms on ten thousand reaches take seconds.
DRAWS = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class DugPart:
    """The part of one dig that fell to one reach.

    Parameters
    ----------
    record : Dig
        The record.
    moment_days : float
        Day number with its part of the day.
    node : int
        Node of the place that was written down.
    offset_m : float
        From that place to the node, metres.
    reach : int
        Index of the reach.
    loads : float
        Shovel loads; NaN where only the product was weighed.
    magnetics_kg : float
        Magnetics dug, told by the product; NaN where it was not weighed.
    """

    record: Dig
    moment_days: float
    node: int
    offset_m: float
    reach: int
    loads: float
    magnetics_kg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenLook:
    """A look that lies on a channel.

    Parameters
    ----------
    record : Look
        The record.
    moment_days : float
        Day number with its part of the day.
    node, reach : int
        Where.
    """

    record: Look
    moment_days: float
    node: int
    reach: int


@dataclass(frozen=True, kw_only=True)
class Past:
    """The past of a site up to one day: a pure function of ground, notebook, settings and day.

    Parameters
    ----------
    day : date
        The day.
    channels : Channels
        The network.
    settings : Settings
        The site's settings.
    ground : Ground or None
        What the storm's reckoning knows of the ground; None where there was no storm.
    floods : Floods or None
        The floods with the severity that was learnt, at the middles of the reaches, the outlets, and every
        node with a reading or a look.
    learnt : Learnt
        What the record says of severity and refill.
    severity_log : ndarray of float64, shape (draws,)
        Logarithm of severity over its median.
    refill_scale : ndarray of float64, shape (draws,)
        S0.
    scatter : ndarray of float64, shape (storms, draws)
        Each storm's own departure, in standard deviations.
    middle : ndarray of int64, shape (reaches,)
        Middle node of each reach.
    loads_held : ndarray of float64, shape (reaches,)
        Loads of a fresh reach: by the settings, or more where more was dug.
    more_held : ndarray of float64, shape (reaches,)
        How many times more it holds than by the settings.
    dug : tuple of DugPart
        Digs by reach.
    looks : tuple of SeenLook
        Looks on channels.
    readings : Observations
        Samples and weighed products, as they tell of the bed of the day.
    untold : tuple of str
        Sentences on records that do not count.
    refound : Refound or None
        What samples and digs of dug reaches tell of what the digging left; None where there are none.
    """

    day: date
    channels: Channels
    settings: Settings
    ground: Ground | None
    floods: Floods | None
    learnt: Learnt
    severity_log: NDArray[np.float64]
    refill_scale: NDArray[np.float64]
    scatter: NDArray[np.float64]
    middle: NDArray[np.int64]
    loads_held: NDArray[np.float64]
    more_held: NDArray[np.float64]
    dug: tuple[DugPart, ...]
    looks: tuple[SeenLook, ...]
    readings: Observations
    untold: tuple[str, ...] = ()
    refound: Refound | None = None

    @property
    def sentences(self) -> tuple[str, ...]:
        """What floods and digs have to do with an estimate, in plain words."""
        lasting = self.learnt.lasting_share
        told = []
        # What is left of the bed itself: half of what can fade has faded.
        faded = int((self.readings.carried < lasting + 0.5 * (1.0 - lasting)).sum())
        if self.events:
            counted = f"{len(self.events)} storm{'s' if len(self.events) != 1 else ''}"
            told.append(
                f"{counted} counted, the last on {self.events[-1].day}; {faded} of {len(self.readings)} "
                "readings are of a bed that floods have more than half laid anew."
            )
        return (*told, *self.untold)

    @property
    def events(self) -> tuple[Event, ...]:
        """The storms, by moment."""
        return self.floods.events if self.floods is not None else ()

    def renewed(self, storm: int, node: NDArray[np.integer]) -> NDArray[np.float64]:
        """Share of the bite's sand that a storm laid anew, in every draw.

        Parameters
        ----------
        storm : int
            Which storm.
        node : ndarray of int, shape (places,)
            Nodes among those asked for.

        Returns
        -------
        ndarray of float64, shape (draws, places)
            0 to 1.

        Raises
        ------
        InputError
            If there is no such storm.

        Notes
        -----
        `washgrade.storm.rework.refill_share` with the scour times the square root of what the draw's flow is
        of the computed one, as in `washgrade.storm.learn.learn`.
        """
        import numpy as np

        from washgrade.storm.learn import Prior

        if self.floods is None:
            raise InputError(f"There is no storm {storm}: none is known up to {self.day}.")
        at = self.floods.at(node)
        strength = self.floods.scour_m[storm, at] / self.settings.bite_m
        z = self.scatter[storm][:, None]
        if self.floods.source[storm] == "rain":
            flow_log = self.severity_log[:, None] + Prior().storm_log_sd * z
        else:
            flow_log = self.floods.log_sd[storm, at] * z
        scale = np.exp(0.5 * flow_log) / self.refill_scale[:, None]
        found: NDArray[np.float64] = self.floods.wetted_share[storm, at] * -np.expm1(-strength * scale)
        return found

    @cached_property
    def renewed_mean(self) -> NDArray[np.float64]:
        """Share of each reach that each storm laid anew, on the mean, shape (storms, reaches)."""
        import numpy as np

        found = np.zeros((len(self.events), len(self.middle)))
        for storm in range(len(self.events)):
            found[storm] = self.renewed(storm, self.middle).mean(axis=0)
        return found

    @property
    def new_sand_share(self) -> NDArray[np.float64]:
        """Share of what a flood lays in each reach that is new to it (`washgrade.storm.refill`)."""
        from washgrade.storm.refill import new_sand_share

        network = self._network()
        return new_sand_share(
            downstream=network["downstream"],
            held_kg=self.loads_held,
            travels=network["travels"],
            settles=network["settles"],
        )

    @property
    def fresh_share(self) -> NDArray[np.float64] | None:
        """Share of each reach that the last storm laid anew; None without a storm."""
        return self.renewed_mean[-1] if self.events else None

    def reckon(
        self,
        held_kg: NDArray[np.float64],
        asks: Asks | None = None,
        *,
        loads_held: NDArray[np.float64] | None = None,
    ) -> Reckoning:
        """Play floods and digs through the reaches, in every draw.

        Parameters
        ----------
        held_kg : ndarray of float64, shape (reaches,)
            Magnetics in the loads of each fresh reach, kilograms.
        asks : Asks, optional
            Moments at which the depletion of a reach is wanted.
        loads_held : ndarray of float64, shape (reaches,), optional
            Loads of each fresh reach; those of the settings unless told.

        Returns
        -------
        Reckoning
            The state on the day.
        """
        from washgrade.dig.ledger import reckon

        return reckon(
            **self._network(),
            held_kg=held_kg,
            flood_day=[event.moment_days for event in self.events],
            renewed=lambda storm: self.renewed(storm, self.middle),
            draws=DRAWS,
            digs=_digs(self.dug, self.loads_held if loads_held is None else loads_held, held_kg),
            asks=asks,
        )

    def _network(self) -> dict[str, Any]:
        return _network(self.channels, self.settings)


def _network(channels: Channels, settings: Settings) -> dict[str, Any]:
    """What a ledger wants to know of the network."""
    from washgrade.storm.refill import settle_share, travel_share

    reaches = channels.reaches
    return {
        "downstream": reaches.downstream,
        "travels": travel_share(reaches.length_m, travel_m=settings.sand_travel_m),
        "settles": settle_share(reaches.length_m, travel_m=settings.sand_travel_m),
        "within_sd": settings.within_sd,
    }


def _digs(dug: Sequence[DugPart], loads_held: NDArray[np.float64], held_kg: NDArray[np.float64]) -> Digs:
    import numpy as np

    from washgrade.dig.ledger import Digs

    reach = np.array([part.reach for part in dug], np.int64)
    loads = np.array([part.loads for part in dug], np.float64)
    weighed = np.array([part.magnetics_kg for part in dug], np.float64)
    return Digs(
        day=np.array([part.moment_days for part in dug], np.float64),
        reach=reach,
        loads_share=loads / loads_held[reach],
        taken_share=np.clip(weighed / np.maximum(held_kg[reach], 1e-9), 0.0, 1.0),
    )


def past_of(
    *,
    day: date,
    channels: Channels,
    shape: Shape,
    settings: Settings,
    seen: Observations,
    samples: Sequence[Sample],
    storms: Sequence[Storm],
    digs: Sequence[Dig],
    looks: Sequence[Look],
    ground: Ground | None = None,
) -> Past:
    """Work out the past of a site up to a day.

    Parameters
    ----------
    day : date
        The day; the records must be those up to it.
    channels : Channels
        The network.
    shape : Shape
        Shape of the channels.
    settings : Settings
        The site's settings.
    seen : Observations
        What the samples say, each of the bed of its own day.
    samples, storms, digs, looks : sequence of Sample, Storm, Dig, Look
        The standing records, in any order.
    ground : Ground, optional
        What the storm's reckoning knows of the ground, where it was worked out before.

    Returns
    -------
    Past
        With the readings as they tell of the bed of the day.
    """
    import numpy as np

    from washgrade.land.channels import middle_nodes
    from washgrade.land.reachshape import reach_shape
    from washgrade.storm.learn import learn
    from washgrade.survey.heeded import readings_of, scatter_of
    from washgrade.survey.taught import learn_from

    nodes, reaches = channels.nodes, channels.reaches
    middle = np.asarray(middle_nodes(channels), np.int64)
    width_m = reach_shape(channels, shape, given_width_m=settings.bed_width_m or None).width_m
    streak = settings.streak
    volume_m3 = reaches.length_m * width_m * streak.streak_share * streak.bite_m
    loads_held = volume_m3 / (settings.shovel_litres * 1e-3)
    dug, untold = _dug(digs, channels, settings, loads_held)
    seen_looks, too_far = _looks(looks, channels, settings)
    events = storms_of(storms, channels, settings)
    moments = {sample.id: moment_of(sample.time, SAMPLE_HOUR) for sample in samples}
    taken = np.array([max(moments[one] for one in ids) for ids in seen.sample_ids], np.float64)
    floods = None
    learnt = learn()
    if events:
        ground = ground or ground_of(channels, shape, settings)
        outlets = np.flatnonzero(nodes.downstream < 0)
        dug_nodes = [part.node for part in dug]
        asked = np.unique(
            np.concatenate([middle, outlets, seen.node, [look.node for look in seen_looks], dug_nodes])
        ).astype(np.int64)
        floods = reckon_floods(ground, events, asked)
        learnt = learn_from(
            ground, floods, seen, taken, seen_looks, dug, loads_held, _network(channels, settings), settings
        )
        if learnt.records:
            # Computed anew, because the threshold of motion and the width do not go with a power of the flow.
            floods = reckon_floods(ground, events, asked, severity_factor=learnt.severity(0.5))
    severity, refill_scale = learnt.draws(DRAWS)
    plain = Past(
        day=day,
        channels=channels,
        settings=settings,
        ground=ground if events else None,
        floods=floods,
        learnt=learnt,
        severity_log=np.log(severity / learnt.severity(0.5)),
        refill_scale=refill_scale,
        scatter=scatter_of(events, DRAWS),
        middle=middle,
        loads_held=loads_held,
        more_held=np.ones(len(reaches)),
        dug=dug,
        looks=seen_looks,
        readings=seen,
        untold=(*untold, *too_far),
    )
    if not (events or dug):
        return plain
    if dug:
        # What was dug was there: a reach that gave more than was thought holds more.
        over = plain.reckon(loads_held).over_share
        if (over > 0.0).any():
            more = np.ones(len(reaches))
            np.add.at(more, np.array([part.reach for part in dug]), over)
            plain = replace(plain, loads_held=loads_held * more, more_held=more)
    heeded, refound = readings_of(plain, taken)
    return replace(plain, readings=heeded, refound=refound)


def _snapped(places: Sequence[tuple[float, float]], channels: Channels) -> list[tuple[int, float]]:
    # All at once, because the search tree over the nodes is made anew each time.
    import numpy as np

    from washgrade.sand.along import snap

    if not places:
        return []
    at = np.array(places, np.float64)
    node, away_m = snap(channels.nodes, easting_m=at[:, 0], northing_m=at[:, 1])
    return list(zip(node.tolist(), away_m.tolist(), strict=True))


def _dug(
    digs: Sequence[Dig], channels: Channels, settings: Settings, loads_held: NDArray[np.float64]
) -> tuple[tuple[DugPart, ...], list[str]]:
    """Share digs out among the reaches."""
    import numpy as np

    parts, untold = [], []
    nodes, reaches = channels.nodes, channels.reaches
    ordered = sorted(digs, key=lambda one: (moment_of(one.time, DIG_HOUR), one.id))
    begins = _snapped([(dig.easting_m, dig.northing_m) for dig in ordered], channels)
    stretched = [dig for dig in ordered if dig.end_easting_m is not None and dig.end_northing_m is not None]
    ends = dict(
        zip(
            (dig.id for dig in stretched),
            _snapped([(dig.end_easting_m or 0.0, dig.end_northing_m or 0.0) for dig in stretched], channels),
            strict=True,
        )
    )
    for dig, (node, away_m) in zip(ordered, begins, strict=True):
        if not away_m <= settings.snap_max_m:
            untold.append(f"Dig {dig.id[:8]} lies {away_m:.0f} m from the nearest channel, too far to count.")
            continue
        on = np.array([nodes.reach[node]])
        if dig.id in ends and ends[dig.id][1] <= settings.snap_max_m:
            on = np.unique(nodes.reach[_between(nodes.downstream, node, ends[dig.id][0])])
        on = on[loads_held[on] > 0.0]
        if not len(on):
            untold.append(f"Dig {dig.id[:8]} lies on a reach without length and does not count.")
            continue
        share = reaches.length_m[on] / reaches.length_m[on].sum()
        loads = np.nan if dig.dug_litres is None else dig.dug_litres / settings.shovel_litres
        weighed = np.nan
        if dig.product_mass_kg is not None:
            purity = settings.product_purity if dig.purity is None else dig.purity
            weighed = dig.product_mass_kg * purity / settings.product_recovery
        parts += [
            DugPart(
                record=dig,
                moment_days=moment_of(dig.time, DIG_HOUR),
                node=node,
                offset_m=away_m,
                reach=int(reach),
                loads=float(loads * part),
                magnetics_kg=float(weighed * part),
            )
            for reach, part in zip(on, share, strict=True)
        ]
    return tuple(parts), untold


def _between(downstream: NDArray[np.integer], one: int, other: int) -> list[int]:
    """Nodes of the channel from one place to another; the two alone if no water runs between them."""
    upper, lower = min(one, other), max(one, other)
    way, at = [upper], upper
    while 0 <= at < lower:
        at = int(downstream[at])
        way.append(at)
    return way if at == lower else [one, other]


def _looks(
    looks: Sequence[Look], channels: Channels, settings: Settings
) -> tuple[tuple[SeenLook, ...], list[str]]:
    """Lay looks on the channels."""
    found, untold = [], []
    ordered = sorted(looks, key=lambda one: (moment_of(one.time, LOOK_HOUR), one.id))
    places = _snapped([(look.easting_m, look.northing_m) for look in ordered], channels)
    for look, (node, away_m) in zip(ordered, places, strict=True):
        if not away_m <= settings.snap_max_m:
            untold.append(
                f"Look {look.id[:8]} lies {away_m:.0f} m from the nearest channel, too far to count."
            )
            continue
        found.append(
            SeenLook(
                record=look,
                moment_days=moment_of(look.time, LOOK_HOUR),
                node=node,
                reach=int(channels.nodes.reach[node]),
            )
        )
    return tuple(found), untold
