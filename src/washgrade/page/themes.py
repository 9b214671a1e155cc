"""What the colours of the washes may tell, and the classes and colours of each: the one table of the page."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

__all__ = ["CLASS_LIMITS", "COLOURS", "DOUBT_LIMITS", "THEMES", "Theme", "colours_css"]

CLASS_LIMITS = (0.02, 0.05, 0.10, 0.20)
"""Grades between the five classes of colour.

Our choice: steps of about two, so that one class more is worth a walk."""

DOUBT_LIMITS = (3.0, 8.0)
"""P90 over P10 of the grade up to which a line is solid, and up to which it is dashed; beyond, it is dotted.

Our choice: for small grades a spread of 0.43 on the logit (samples near by) and of 0.81 (about that of one
wash seen from far), as P90 / P10 = exp(2.563 spread)."""

COLOURS: Mapping[str, str] = MappingProxyType(
    {
        # Light to dark, so that dark is rich, also in grey and to colour-blind eyes.
        "grade-0": "#f6cf5b",
        "grade-1": "#e8893a",
        "grade-2": "#bf3f3b",
        "grade-3": "#74195a",
        "grade-4": "#16091f",
        # Dark is what is known, light is doubt.
        "doubt-0": "#0d2f45",
        "doubt-1": "#4d83a3",
        "doubt-2": "#bfd9e6",
        # Dark is what the flood laid anew.
        "fresh-0": "#dfe6c4",
        "fresh-1": "#a3c46c",
        "fresh-2": "#4a9150",
        "fresh-3": "#0c4a3d",
        # Dark is what is full yet.
        "left-0": "#e6d9cf",
        "left-1": "#c7a083",
        "left-2": "#8c5a36",
        "left-3": "#402010",
        # Down in blue, up in red, little change between them.
        "change-0": "#123c73",
        "change-1": "#6f9fcc",
        "change-2": "#e9e2d2",
        "change-3": "#dd7f58",
        "change-4": "#84190f",
        "unknown": "#9a948c",
        "casing-light": "#fffaf0",
        "casing-dark": "#4a3a2c",
    }
)
"""Colours of lines by name; the page's style and script take them from here."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Theme:
    """Something that the colour of a wash may tell.

    Parameters
    ----------
    key : str
        Its name in the page.
    title : str
        What people choose.
    head : str
        What stands over the classes.
    what : {"percent", "mass", "times", "change"}
        How the limits are written.
    limits : tuple of float
        Between the classes, SI units.
    colours : tuple of str
        One for each class, keys of `COLOURS`, from the lowest class up.
    words : tuple of str
        What is said of each class, where numbers alone say little.
    dashed : bool
        Whether the style of the line tells the doubt at the same time.
    """

    key: str
    title: str
    head: str
    what: str
    limits: tuple[float, ...]
    colours: tuple[str, ...]
    words: tuple[str, ...] = ()
    dashed: bool = True


_RAMP = tuple(f"grade-{n}" for n in range(5))

THEMES = (
    Theme(
        key="grade", title="Grade", head="Expected grade", what="percent", limits=CLASS_LIMITS, colours=_RAMP
    ),
    Theme(
        key="yield",
        title="Yield of a load",
        head="Magnetics in one load",
        what="mass",
        # Our choice: what the classes of grade give with a load of four litres, rounded.
        limits=(0.125, 0.25, 0.5, 1.0),
        colours=_RAMP,
    ),
    Theme(
        key="doubt",
        title="Doubt",
        head="High guess against low",
        what="times",
        limits=DOUBT_LIMITS,
        colours=("doubt-0", "doubt-1", "doubt-2"),
        words=("fairly sure", "rough", "a guess"),
        dashed=False,
    ),
    Theme(
        key="fresh",
        title="Fresh since the storm",
        head="Laid anew by the last storm",
        what="percent",
        # Our choice: quarters of the bed.
        limits=(0.25, 0.5, 0.75),
        colours=("fresh-0", "fresh-1", "fresh-2", "fresh-3"),
        dashed=False,
    ),
    Theme(
        key="left",
        title="Left after digging",
        head="Left of what it held",
        what="percent",
        limits=(0.25, 0.5, 0.75),
        colours=("left-0", "left-1", "left-2", "left-3"),
        dashed=False,
    ),
    Theme(
        key="change",
        title="Change between the days",
        head="Grade against the other day",
        what="change",
        # Our choice: by a third up or down is more than rounding, by half more than most samples differ.
        limits=(0.67, 0.9, 1.1, 1.5),
        colours=tuple(f"change-{n}" for n in range(5)),
        dashed=False,
    ),
)
"""All themes, in the order in which they are offered; one whose data a page lacks is left out there."""


def colours_css() -> str:
    """Write the colours as custom properties of the page's style.

    Returns
    -------
    str
        One rule.

    Examples
    --------
    >>> colours_css().splitlines()[1]
    '  --grade-0: #f6cf5b;'
    """
    lines = "\n".join(f"  --{name}: {colour};" for name, colour in COLOURS.items())
    return f":root {{\n{lines}\n}}\n"
