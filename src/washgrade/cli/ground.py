"""The verb that reads the land."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from washgrade.cli.options import (
    AREA,
    LENGTH,
    MEMORY,
    as_json,
    echo_json,
    echo_table,
    progress_bar,
    site_folder,
    unit_choice,
)

if TYPE_CHECKING:
    from washgrade.survey import GroundMade

__all__ = ["ground"]

# As `washgrade.files.reference.Z_UNITS`, too heavy to load for the help text; a test holds them equal.
Z_UNITS = ("m", "dm", "cm", "ft", "us-ft")

FILE = click.Path(path_type=Path)


@click.command(short_help="Read the land: build or rebuild a site from a DEM.")
@site_folder
@click.option(
    "--dem",
    "dems",
    type=FILE,
    multiple=True,
    required=True,
    help="DEM file (GeoTIFF or another raster), folder of tiles or pattern; may be given several times.",
)
@click.option("--property", "property_file", type=FILE, help="Where one may dig: polygons, any vector file.")
@click.option("--no-go", "no_go_file", type=FILE, help="Where one must not go: polygons.")
@click.option("--access", "access_file", type=FILE, help="Where one can park or enter: points.")
@click.option(
    "--channel",
    "channel_file",
    type=FILE,
    help="Washes that you drew or walked with a GPS: lines, GPX tracks.",
)
@click.option(
    "--keep-dam",
    "keep_dam_file",
    type=FILE,
    help="Dams that really stand: a vector file, or the name of a cut in the last report.",
)
@click.option(
    "--sink",
    "sink_file",
    type=FILE,
    help="Where water sinks or stays: points or areas, or the name of a hollow in the last report.",
)
@click.option(
    "--sources",
    "source_file",
    type=FILE,
    help="Rock whose sand has a known grade: polygons with a field grade_percent.",
)
@click.option("--z-unit", type=click.Choice(list(Z_UNITS)), help="Unit of heights. [the file's own]")
@click.option("--dem-crs", metavar="CRS", help="Projection of a DEM that says none, such as EPSG:26912.")
@click.option("--crs", metavar="CRS", help="Projection of the site, in metres. [the ground's UTM zone]")
@click.option("--cell", "cell_m", type=LENGTH, help="Cell size to work with. [the DEM's own]")
@click.option(
    "--channel-area",
    "channel_area_m2",
    type=AREA,
    help='Ground that feeds the head of a channel, such as "5 acres". [by the constant-drop test]',
)
@click.option(
    "--heads",
    type=click.Choice(["area", "slope-area"]),
    help="Channels begin by area, or by area and slope as on gullied hills. [site.toml: area]",
)
@click.option("--drop-table", is_flag=True, help="Show the table of the constant-drop test.")
@click.option("--max-reach", "max_reach_m", type=LENGTH, help="Longest reach. [site.toml: 50 m]")
@click.option("--max-breach", "max_breach_m", type=LENGTH, help="Longest cut through a dam. [site.toml]")
@click.option(
    "--max-breach-depth", "max_breach_depth_m", type=LENGTH, help="Deepest cut through a dam. [site.toml]"
)
@click.option(
    "--memory",
    "memory_bytes",
    type=MEMORY,
    help='Most memory to take, such as "4 GB"; larger grounds go by tiles. [7 tenths of what is free]',
)
@unit_choice
@as_json
def ground(site: Path, as_json: bool, **options: object) -> None:
    """Read the land: build or rebuild the ground of SITE from a DEM.

    Rebuilding never touches the records in the notebook, and a place keeps the name of its reach. What was
    drawn for a site stays when it is built again; the word none in place of a file takes it away.

    \b
    Examples:
      washgrade ground mysite --dem valley.tif
      washgrade ground mysite --dem north.tif --dem south.tif --z-unit ft --property land.geojson
      washgrade ground mysite --dem tiles/ --channel track.gpx --keep-dam dams.geojson
    """  # noqa: D301 - click reads the backspace
    from washgrade import survey

    with progress_bar("Reading the land") as progress:
        made = survey.build_ground(site, progress=progress, **options)  # type: ignore[arg-type]
    if as_json:
        echo_json(made.as_json())
        return
    for sentence in made.sentences:
        click.echo(sentence)
    if options["drop_table"]:
        _show_drop_test(made)
    click.echo(f"Next: write down samples (washgrade add {site} FILE), then washgrade rank {site}.")


def _show_drop_test(made: GroundMade) -> None:
    """Show at which areas streams of the first order fall as the others do."""
    from washgrade.units import show_head_area, show_height

    def fall(value: float | None) -> str:
        return "" if value is None else show_height(value, made.units)

    heads = ("area", "first order", "mean fall", "others", "mean fall", "t", "p", "")
    rows = [
        (
            show_head_area(row["channel_area_m2"], made.units),
            str(row["first_order_streams"]),
            fall(row["first_order_mean_drop_m"]),
            str(row["higher_order_streams"]),
            fall(row["higher_order_mean_drop_m"]),
            "" if row["t"] is None else f"{row['t']:.2f}",
            "" if row["p"] is None else f"{row['p']:.3f}",
            "taken" if row["taken"] else "agrees" if row["agrees"] else "",
        )
        for row in made.drop_rows
    ]
    echo_table("Constant-drop test", heads, rows, left=0)
    for sentence in made.drop_sentences:
        click.echo(sentence)
