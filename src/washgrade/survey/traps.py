"""What in the shape of a reach may hold heavy sand, in plain words: the things an old hand looks for.

Heavy grains stay where water loses power or turns: on the inner side of bends, where a bed flattens or
widens, and just below a side wash (common practice, no source; for the physics see Slingerland, R., Smith,
N. D. (1986). Occurrence and formation of water-laid placers. Annual Review of Earth and Planetary Sciences
14, 113-147). They are places to look at, not promises: whether they raise the grade on this ground is what
the samples tell.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from washgrade.land.reachshape import ReachShape

__all__ = ["LIMITS", "traps"]

# Limits of what is told, our choice: a third of a change is seen on the ground, less is the noise of a DEM.
LIMITS = {
    # Inner bars are largest at bends of 2 to 3 widths (Hickin and Nanson 1975); from 5 on they fade.
    "bend_radius_over_width": 5.0,
    "sharp_radius_over_width": 3.0,
    # Slope or width below against above.
    "flattens_share": 0.7,
    "widens_share": 1.3,
    # Side washes of less than a tenth of the area change a bed little (Benda et al. 2004, from memory).
    "side_area_share": 0.1,
    "large_side_area_share": 0.5,
    "side_below_m": 60.0,
    # Valley over bed width of gorges.
    "hemmed_confinement": 2.0,
}


def traps(found: ReachShape, place: int) -> list[str]:
    """Say what to look for in a reach.

    Parameters
    ----------
    found : ReachShape
        Shapes of the reaches.
    place : int
        Index of the reach.

    Returns
    -------
    list of str
        Plain sentences from a small set, so that a table of thousands of reaches stays small; empty where
        the shape shows nothing.
    """
    from math import log

    told = []
    side = {-1: "left", 1: "right"}.get(int(found.inner_side[place]))
    radius = float(found.radius_over_width[place])
    if side and radius <= LIMITS["bend_radius_over_width"]:
        sharp = "sharp bend" if radius <= LIMITS["sharp_radius_over_width"] else "bend"
        told.append(f"Inside of a {sharp}: look along the {side} bank (facing downstream).")
    if found.slope_break[place] <= log(LIMITS["flattens_share"]):
        told.append("The bed flattens here: water slows and drops its load.")
    if found.expansion[place] >= log(LIMITS["widens_share"]):
        told.append("The bed widens here: look at the head of the wide part.")
    ratio = float(found.area_ratio[place])
    if ratio >= LIMITS["side_area_share"] and found.below_confluence_m[place] <= LIMITS["side_below_m"]:
        size = "large " if ratio >= LIMITS["large_side_area_share"] else ""
        told.append(f"Just below a {size}side wash: look along the bar between the two.")
    if found.confinement[place] <= LIMITS["hemmed_confinement"]:
        told.append("Hemmed in by its sides: floods scour deep here; look where it opens again.")
    return told
