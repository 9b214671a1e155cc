"""The command line: ``washgrade VERB SITE ...``.

This module must stay light: ``washgrade --help`` answers at once because everything heavy is imported by the
verb that needs it, when it runs.
"""

from __future__ import annotations

import os
import sys
import warnings
from typing import Any

import click

from washgrade import __version__
from washgrade.errors import WashgradeError, WashgradeWarning

__all__ = ["main"]

CAUTION = (
    "A wash is a flood channel: stay out when rain is near or upstream. Dig only where you have permission, "
    "and follow the local rules on land, claims, water and cultural sites."
)


def _say_warning(message: Warning | str, *_rest: Any, **_more: Any) -> None:
    """Show our own warnings as one plain line on standard error; leave the rest to Python."""
    if isinstance(message, WashgradeWarning):
        click.echo(f"Note: {message}", err=True)


class _Verbs(click.Group):
    """The verbs in the order of the job, with our errors as one sentence and exit code 2."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.commands)

    def invoke(self, ctx: click.Context) -> Any:
        # Our matrices are small: threads of the linear algebra library only wait for each other, on a busy
        # machine for longer than all the rest takes. It looks when NumPy is loaded, which is after this.
        os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
        with warnings.catch_warnings():
            warnings.simplefilter("always", WashgradeWarning)
            warnings.showwarning = _say_warning
            try:
                return super().invoke(ctx)
            except WashgradeError as error:
                for line in str(error).splitlines():
                    click.echo(line, err=True)
                ctx.exit(2)
            except BrokenPipeError:
                sys.stderr.close()
                ctx.exit(1)


@click.group(
    cls=_Verbs,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog=CAUTION,
)
@click.version_option(__version__, prog_name="washgrade")
def main() -> None:
    """Where and when to dig black sand in a dry wash.

    A SITE is one folder that holds everything about your ground: start with "washgrade demo" to see one, or
    "washgrade ground MYSITE --dem FILE" to make your own.
    """


# Imported last, because the verbs hang themselves on `main`.
from washgrade.cli import desk, enter, ground, notebook, plans, results, storms  # noqa: E402

main.add_command(results.demo)
main.add_command(ground.ground)
main.add_command(notebook.add)
main.add_command(enter.sample)
main.add_command(enter.storm)
main.add_command(enter.dig)
main.add_command(enter.look)
main.add_command(notebook.notebook)
main.add_command(notebook.strike)
main.add_command(results.grade)
main.add_command(results.rank)
main.add_command(results.where)
main.add_command(storms.history)
main.add_command(plans.walk)
main.add_command(plans.day)
main.add_command(plans.cleanup)
main.add_command(results.page)
main.add_command(results.sheet)
main.add_command(results.export)
main.add_command(desk.desk)
main.add_command(results.check)
