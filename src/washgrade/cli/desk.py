"""The verb that opens the desk: the whole job in a browser on this machine."""

from __future__ import annotations

from pathlib import Path

import click

from washgrade.cli.options import site_folder

__all__ = ["desk"]


@click.command(short_help="Do the whole job in a browser on this machine, without a terminal.")
@site_folder
@click.option(
    "--files",
    "picked_folder",
    type=click.Path(path_type=Path),
    help="Folder whose files may be picked in the browser: DEMs too large to upload, records, shapes.",
)
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Port on this machine. [any free one]")
@click.option("--no-browser", is_flag=True, help="Only print the link; open it yourself.")
def desk(site: Path, picked_folder: Path | None, port: int, no_browser: bool) -> None:
    """Open a desk for SITE in the browser: choose the DEM, enter records, rank, plan, print.

    SITE may be an empty or a new folder. Only this machine can reach the desk, and only the browser that
    opens the link, which works once. Nothing leaves the machine. Close it on its own pages, or with Ctrl-C.

    \b
    Examples:
      washgrade desk mysite
      washgrade desk mysite --files ~/Downloads
    """  # noqa: D301 - click reads the backspace
    from washgrade.desk.serve import run_desk

    def announce(link: str) -> None:
        click.echo(f"The desk for {site} is open. If no browser shows it, open this link, which works once:")
        click.echo(link)
        click.echo("To close it: the button at the foot of its pages, or Ctrl-C here.")

    run_desk(site, picked_folder=picked_folder, port=port, announce=announce, open_browser=not no_browser)
