"""Plans as the page shows them."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from washgrade.page.view import DayPlanView, WalkView
    from washgrade.survey.dayplan import DayPlan
    from washgrade.survey.walks import WalkPlan

__all__ = ["day_view", "walk_view"]


def walk_view(plan: WalkPlan) -> WalkView:
    """Lay a sampling walk out for the page.

    Parameters
    ----------
    plan : WalkPlan
        The walk.

    Returns
    -------
    WalkView
        Stops, way and sentences.
    """
    import numpy as np

    from washgrade.page.view import WalkStop, WalkView

    walk = plan.walk
    way = np.concatenate([np.empty((0, 2)), *plan.legs_lonlat])
    return WalkView(
        stops=tuple(
            WalkStop(
                reach=plan.reach(k),
                lon=float(plan.lon[k]),
                lat=float(plan.lat[k]),
                leg_minutes=float(walk.leg_minutes[k]),
                arrival_minutes=float(walk.arrival_minutes[k]),
                two=bool(walk.duplicate[k]),
                settled_share=float(walk.settled_share[k]),
            )
            for k in range(len(plan))
        ),
        lon=way[:, 0],
        lat=way[:, 1],
        sentences=plan.sentences,
    )


def day_view(plan: DayPlan) -> DayPlanView:
    """Lay a digging day out for the page.

    Parameters
    ----------
    plan : DayPlan
        The day.

    Returns
    -------
    DayPlanView
        Reaches in the order of the work; the way goes out to each of them and back to the vehicle.
    """
    import numpy as np

    from washgrade.page.view import DayPlanView, DayStop

    there = [dug.way_lonlat for dug in plan.dug]
    way = np.concatenate([np.empty((0, 2)), *(part for out in there for part in (out, out[::-1]))])
    return DayPlanView(
        stops=tuple(
            DayStop(
                reach=dug.reach,
                lon=dug.lon,
                lat=dug.lat,
                leg_minutes=dug.out_minutes,
                arrival_minutes=dug.arrival_minutes,
                loads=float(dug.loads),
                carries=dug.carries,
                product_kg=dug.product_kg,
            )
            for dug in plan.dug
        ),
        lon=way[:, 0],
        lat=way[:, 1],
        sentences=(plan.sentences("us"), plan.sentences("metric")),
    )
