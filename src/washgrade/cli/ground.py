"""The verb that reads the land."""

from __future__ import annotations

from pathlib import Path

import click

from washgrade.cli.options import AREA, LENGTH, as_json, echo_json, progress_bar, site_folder, unit_choice

__all__ = ["ground"]

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
@click.option("--z-unit", type=click.Choice(["m", "ft", "us-ft"]), help="Unit of heights. [the file's own]")
@click.option("--dem-crs", metavar="CRS", help="Projection of a DEM that says none, such as EPSG:26912.")
@click.option("--crs", metavar="CRS", help="Projection of the site, in metres. [the ground's UTM zone]")
@click.option("--cell", "cell_m", type=LENGTH, help="Cell size to work with. [the DEM's own]")
@click.option(
    "--channel-area",
    "channel_area_m2",
    type=AREA,
    help='Ground that feeds the head of a channel, such as "5 acres". [by the constant-drop test]',
)
@click.option("--max-reach", "max_reach_m", type=LENGTH, help="Longest reach. [site.toml: 50 m]")
@click.option("--max-breach", "max_breach_m", type=LENGTH, help="Longest cut through a dam. [site.toml]")
@unit_choice
@as_json
def ground(site: Path, as_json: bool, **options: object) -> None:
    """Read the land: build or rebuild the ground of SITE from a DEM.

    Rebuilding never touches the records in the notebook.

    \b
    Examples:
      washgrade ground mysite --dem valley.tif
      washgrade ground mysite --dem north.tif --dem south.tif --z-unit ft --property land.geojson
    """  # noqa: D301 - click reads the backspace
    from washgrade import survey

    with progress_bar("Reading the land") as progress:
        made = survey.build_ground(site, progress=progress, **options)  # type: ignore[arg-type]
    if as_json:
        echo_json(made.as_json())
        return
    for sentence in made.sentences:
        click.echo(sentence)
    click.echo(f"Next: write down samples (washgrade add {site} FILE), then washgrade rank {site}.")
