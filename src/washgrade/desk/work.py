"""The process that does the heavy work of the desk, so that it can be stopped and cannot take the desk along.

It takes one task at a time from a pipe and answers with messages: how far it is, that it is about to write,
what came of it. Everything that goes over the pipe is plain data.
"""

from __future__ import annotations

import signal
import sys
import tempfile
import time
import traceback
import warnings
from importlib import import_module
from multiprocessing.connection import Connection
from typing import Any

from washgrade.errors import WashgradeError, WashgradeWarning

__all__ = ["ABOUT_TO_WRITE", "DONE", "FAILED", "GO", "PROGRESS", "REFUSED", "work"]

PROGRESS, ABOUT_TO_WRITE, DONE, REFUSED, FAILED = "progress", "about to write", "done", "refused", "failed"
"""First entries of the messages to the desk."""

GO = "go"
"""The desk's answer to `ABOUT_TO_WRITE`; before it nothing of the site is changed."""

# Loaded while a person still reads the first page.
_HEAVY = (
    "washgrade.files.groundstore",
    "washgrade.files.rasters",
    "washgrade.sand.grade",
    "washgrade.dig.rank",
)
# No person sees more of it.
_TELL_EVERY_S = 0.1


def work(connection: Connection, folder: str) -> None:
    """Do tasks until the desk closes the pipe.

    Parameters
    ----------
    connection : Connection
        This end of it.
    folder : str
        Where scratch files go; the desk clears it when it has stopped this process.
    """
    tempfile.tempdir = folder
    # The desk stops this process itself; a Ctrl-C in the terminal is meant for the desk.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    from washgrade.desk.tasks import TASKS, Memory

    memory = Memory()
    for name in _HEAVY:
        import_module(name)
    while True:
        try:
            task, arguments = connection.recv()
        except (EOFError, OSError):
            return
        told = _Teller(connection)
        try:
            with warnings.catch_warnings(record=True) as doubts:
                warnings.simplefilter("always", WashgradeWarning)
                result = TASKS[task](memory=memory, tell=told, **arguments)
            notes = tuple(str(one.message) for one in doubts if issubclass(one.category, WashgradeWarning))
            message: tuple[Any, ...] = (DONE, result, notes)
        except WashgradeError as error:
            message = (REFUSED, tuple(str(error).splitlines()))
        except (BrokenPipeError, EOFError):
            return
        except Exception as error:  # the desk goes on, whatever breaks here
            traceback.print_exc(file=sys.stderr)
            message = (FAILED, f"{type(error).__name__}: {error}")
        try:
            connection.send(message)
        except (BrokenPipeError, OSError):
            return


class _Teller:
    """Tells the desk how far a task is, and asks it before anything is written."""

    def __init__(self, connection: Connection) -> None:
        self.connection = connection
        self.told_at_s = 0.0
        self.step = ""

    def __call__(self, step: str, share: float) -> None:
        """Tell of a step, now and then."""
        from washgrade.survey.land import WRITING

        if step == WRITING and self.step != WRITING:
            self.connection.send((ABOUT_TO_WRITE,))
            # Returns when the desk says go; a desk that was told to stop ends this process instead.
            self.connection.recv()
        now_s = time.monotonic()
        if step != self.step or now_s - self.told_at_s >= _TELL_EVERY_S:
            self.step, self.told_at_s = step, now_s
            self.connection.send((PROGRESS, step, float(share)))
