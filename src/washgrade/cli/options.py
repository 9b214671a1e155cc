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

__all__ = [
    "AREA",
    "DEPTH",
    "LENGTH",
    "MASS",
    "Quantity",
    "as_json",
    "echo_json",
    "echo_table",
    "on_day",
    "progress_bar",
    "site_folder",
    "unit_choice",
]

# How many of our unit one customary or metric unit is. International foot 0.3048 m and avoirdupois pound
# 0.45359237 kg: exact by the international yard and pound agreement of 1959.
_LENGTH_M = {"m": 1.0, "km": 1000.0, "cm": 0.01, "mm": 0.001, "ft": 0.3048, "in": 0.0254, "mi": 1609.344}
_AREA_M2 = {
    "m2": 1.0,
    "ha": 1e4,
    "km2": 1e6,
    "ft2": 0.3048**2,
    "acre": 43560 * 0.3048**2,
    "acres": 43560 * 0.3048**2,
    "mi2": 1609.344**2,
}
_MASS_KG = {"kg": 1.0, "g": 0.001, "lb": 0.45359237, "oz": 0.45359237 / 16}


class Quantity(click.ParamType[float]):
    """A number with its unit, such as ``1.2 lb`` or ``5 acres``; without a unit it is in our own.

    Parameters
    ----------
    name : str
        What is measured, shown in the help.
    per_unit : dict of str to float
        How many SI units each allowed unit is; the first entry is the one meant where none is written.
    """

    def __init__(self, name: str, per_unit: dict[str, float]) -> None:
        self.name = name
        self.per_unit = per_unit

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
        found = re.fullmatch(r"\s*([-+]?\d*\.?\d+(?:[eE][-+]?\d+)?)\s*([A-Za-z]*2?)\s*", str(value))
        unit = found.group(2).lower() if found else ""
        if not found or (unit and unit not in self.per_unit):
            words = ", ".join(self.per_unit)
            default = next(iter(self.per_unit))
            self.fail(
                f"{value!r} is no {self.name}. Write a number and one of the units {words} "
                f"(without a unit it means {default}).",
                param,
                ctx,
            )
        return float(found.group(1)) * (self.per_unit[unit] if unit else 1.0)


LENGTH = Quantity("length", _LENGTH_M)
DEPTH = Quantity("depth", _LENGTH_M)
AREA = Quantity("area", _AREA_M2)
MASS = Quantity("mass", _MASS_KG)

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
