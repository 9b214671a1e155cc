"""What several verbs share: arguments, options, quantities with units, progress, tables."""

from __future__ import annotations

import contextlib
import json
import re
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import click

from washgrade.units import ACRE_M2, FOOT_M, GALLON_M3, INCH_M, MILE_M, OUNCE_KG, POUND_KG

__all__ = [
    "AREA",
    "DEPTH",
    "DURATION",
    "LENGTH",
    "MASS",
    "MEMORY",
    "RAIN",
    "VOLUME",
    "Quantity",
    "as_json",
    "echo_json",
    "echo_table",
    "on_day",
    "progress_bar",
    "site_folder",
    "unit_choice",
]

# Each family's first unit is the one meant where none is written.
_LENGTH_M = {"m": 1.0, "km": 1000.0, "ft": FOOT_M, "feet": FOOT_M, "mi": MILE_M}
_DEPTH_M = {"m": 1.0, "cm": 0.01, "mm": 0.001, "in": INCH_M, "inches": INCH_M, "ft": FOOT_M}
_AREA_M2 = {"m2": 1.0, "ha": 1e4, "km2": 1e6, "ft2": FOOT_M**2, "mi2": MILE_M**2}
_AREA_M2 |= dict.fromkeys(("acre", "acres"), ACRE_M2)
_MASS_KG = {"kg": 1.0, "g": 0.001}
_MASS_KG |= dict.fromkeys(("lb", "lbs", "pounds"), POUND_KG)
_MASS_KG |= dict.fromkeys(("oz", "ounces"), OUNCE_KG)
_RAIN_MM = {"mm": 1.0, "cm": 10.0, "in": 25.4, "inches": 25.4}
_TIME_H = dict.fromkeys(("h", "hours"), 1.0) | dict.fromkeys(("min", "minutes"), 1.0 / 60.0)
_TIME_H |= dict.fromkeys(("d", "days"), 24.0)
_VOLUME_LITRES = dict.fromkeys(("l", "litres", "liters"), 1.0) | {"m3": 1000.0, "ft3": FOOT_M**3 * 1000.0}
_VOLUME_LITRES |= dict.fromkeys(("gal", "gallons"), GALLON_M3 * 1000.0)
_MEMORY_BYTES = {"GB": 1e9, "MB": 1e6, "GiB": 2.0**30, "MiB": 2.0**20}


class Quantity(click.ParamType[float]):
    """A number with its unit, such as ``1.2 lb`` or ``5 acres``.

    Parameters
    ----------
    name : str
        What is measured, shown in the help.
    per_unit : dict of str to float
        How many SI units each allowed unit is; the first entry is the one meant where none is written.
    bare : bool
        Whether the unit may be left out: not where people think in several, such as grams and pounds.
    """

    def __init__(self, name: str, per_unit: dict[str, float], *, bare: bool = True) -> None:
        self.name = name
        self.per_unit = per_unit
        self.per_lower = {unit.lower(): value for unit, value in per_unit.items()}
        self.bare = bare

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Read the text.

        Parameters
        ----------
        value : object
            What was typed.
        param, ctx : object
            Where it was typed.

        Returns
        -------
        float
            The quantity in SI units.
        """
        if isinstance(value, (int, float)):
            return float(value)
        found = re.fullmatch(r"\s*([-+]?\d*\.?\d+(?:[eE][-+]?\d+)?)\s*([A-Za-z]*[23]?)\s*", str(value))
        unit = found.group(2).lower() if found else ""
        if not found or (unit not in self.per_lower if unit else not self.bare):
            words = ", ".join(self.per_unit)
            without = f" (without a unit it means {next(iter(self.per_unit))})" if self.bare else ""
            comma = " with a decimal point" if "," in str(value) else ""
            self.fail(
                f"{value!r} is no {self.name}. Write a number{comma} and one of the units {words}{without}.",
                param,
                ctx,
            )
        return float(found.group(1)) * self.per_lower[unit or next(iter(self.per_lower))]


LENGTH = Quantity("length", _LENGTH_M)
DEPTH = Quantity("depth", _DEPTH_M, bare=False)
AREA = Quantity("area", _AREA_M2)
MASS = Quantity("mass", _MASS_KG, bare=False)
RAIN = Quantity("depth of rain", _RAIN_MM, bare=False)
DURATION = Quantity("duration", _TIME_H, bare=False)
VOLUME = Quantity("volume", _VOLUME_LITRES, bare=False)
MEMORY = Quantity("amount of memory", _MEMORY_BYTES)

site_folder = click.argument("site", type=click.Path(path_type=Path))
as_json = click.option("--json", "as_json", is_flag=True, help="Print JSON (SI units) for other programs.")
on_day = click.option(
    "--on", "on", metavar="DATE", help="As of this date (YYYY-MM-DD): later records are left out. [today]"
)
unit_choice = click.option(
    "--units", type=click.Choice(["us", "metric"]), help="Units shown. [the site's own setting]"
)


def echo_json(value: Any) -> None:
    """Print a value as JSON with stable keys; a number that is not one becomes null.

    Parameters
    ----------
    value : object
        Made of dicts, lists, texts and numbers.
    """
    click.echo(json.dumps(_plain(value), ensure_ascii=False, indent=1))


def _plain(value: Any) -> Any:
    """Turn NumPy scalars into Python's own, and what is not finite into None."""
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    if isinstance(value, float) and not (value == value and abs(value) != float("inf")):
        return None
    return value


def echo_table(title: str, heads: Sequence[str], rows: Sequence[Sequence[str]], *, left: int = 1) -> None:
    """Print a table that fits the terminal.

    Parameters
    ----------
    title : str
        Its heading.
    heads : sequence of str
        Names of the columns.
    rows : sequence of sequence of str
        Its cells.
    left : int
        How many columns from the left are words; the others are numbers and stand to the right.
    """
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    wide = sys.stdout.isatty()
    console = Console(width=None if wide else 140)
    table = Table(title=title, title_justify="left", header_style="bold")
    for place, head in enumerate(heads):
        table.add_column(head, justify="left" if place < left else "right", overflow="fold")
    for row in rows:
        table.add_row(*(Text(cell) for cell in row))
    console.print(table)


@contextlib.contextmanager
def progress_bar(words: str) -> Iterator[Callable[[str, float], None]]:
    """Show how far long work has come, on a terminal only.

    Parameters
    ----------
    words : str
        What is being done.

    Yields
    ------
    callable
        Takes the name of the step and the share of the work done, 0 to 1.
    """
    if not sys.stderr.isatty():
        yield lambda step, share: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.percentage:>3.0f} %"))
    with Progress(*columns, TimeElapsedColumn(), console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(words, total=1.0)
        yield lambda step, share: bar.update(task, description=f"{words}: {step}", completed=share)
