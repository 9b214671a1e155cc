"""The desk's side of the heavy work: jobs that wait, run, tell how far they are, and can be cancelled."""

from __future__ import annotations

import itertools
import multiprocessing
import queue
import shutil
import tempfile
import threading
from collections import OrderedDict
from collections.abc import Hashable, Mapping
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

from washgrade.desk.work import ABOUT_TO_WRITE, DONE, FAILED, GO, PROGRESS, REFUSED, work

__all__ = ["CANCELLED", "Job", "Jobs"]

WAITING, RUNNING, CANCELLED = "waiting", "running", "cancelled"
"""States of a job beside `washgrade.desk.work.DONE` and `REFUSED`."""

# So many results are kept: our choice, because a person goes back and forth between some views of one day.
MOST_KEPT = 60
_LOOK_EVERY_S = 0.1


class Job:
    """One piece of heavy work.

    Parameters
    ----------
    name : str
        Its name in addresses.
    task : str
        Key of `washgrade.desk.tasks.TASKS`.
    arguments : mapping
        What the task takes, plain data.
    title : str
        What a person waits for.
    leads_to : str
        Address of the page that shows what came of it.
    """

    def __init__(
        self, name: str, task: str, arguments: Mapping[str, Any], *, title: str, leads_to: str
    ) -> None:
        self.name, self.task, self.arguments = name, task, dict(arguments)
        self.title, self.leads_to = title, leads_to
        self.state, self.step, self.share = WAITING, "", 0.0
        self.result: Any = None
        self.notes: tuple[str, ...] = ()
        self.faults: tuple[str, ...] = ()
        self.may_cancel = True
        self.cancel_asked = False
        self.lock = threading.Lock()
        self.over = threading.Event()

    def finish(self, state: str) -> None:
        """Close the job.

        Parameters
        ----------
        state : str
            How it ended.
        """
        self.may_cancel = False
        self.state = state
        self.over.set()


class Jobs:
    """All the jobs of one desk, done one after the other in a process of their own.

    Parameters
    ----------
    start_early : bool, default True
        Start that process before there is a job, so that the first one need not wait for it.
    """

    def __init__(self, *, start_early: bool = True) -> None:
        self._numbers = itertools.count(1)
        self._jobs: dict[str, Job] = {}
        self._kept: OrderedDict[Hashable, Job] = OrderedDict()
        self._queue: queue.Queue[Job | None] = queue.Queue()
        self._lock = threading.Lock()
        self._folder = Path(tempfile.mkdtemp(prefix="washgrade-work-"))
        self._process: BaseProcess | None = None
        self._connection: Connection | None = None
        if start_early:
            self._ready()
        self._runner = threading.Thread(target=self._run, name="desk jobs", daemon=True)
        self._runner.start()

    def ask(
        self, task: str, arguments: Mapping[str, Any], *, key: Hashable = None, title: str, leads_to: str
    ) -> Job:
        """Ask for work; the same question is answered once.

        Parameters
        ----------
        task : str
            Key of `washgrade.desk.tasks.TASKS`.
        arguments : mapping
            What it takes.
        key : hashable, optional
            What makes the question the same; each one is new if left out.
        title, leads_to : str
            See `Job`.

        Returns
        -------
        Job
            Waiting, running, or done long ago.
        """
        with self._lock:
            known = self._kept.get(key) if key is not None else None
            if known is not None and known.state in {WAITING, RUNNING, DONE, REFUSED, FAILED}:
                self._kept.move_to_end(key)
                return known
            job = Job(str(next(self._numbers)), task, arguments, title=title, leads_to=leads_to)
            self._jobs[job.name] = job
            if key is not None:
                self._kept[key] = job
                while len(self._kept) > MOST_KEPT:
                    _, old = self._kept.popitem(last=False)
                    self._jobs.pop(old.name, None)
        self._queue.put(job)
        return job

    def forget(self, job: Job) -> None:
        """Let the next one who asks the same question have it done anew.

        Parameters
        ----------
        job : Job
            What was answered.
        """
        with self._lock:
            for key in [key for key, kept in self._kept.items() if kept is job]:
                del self._kept[key]

    def find(self, name: str) -> Job | None:
        """Find a job.

        Parameters
        ----------
        name : str
            Its name.

        Returns
        -------
        Job or None
            None if there is none, or it is long forgotten.
        """
        return self._jobs.get(name)

    def running(self, task: str) -> Job | None:
        """Find a job of a task that is not over.

        Parameters
        ----------
        task : str
            Which.

        Returns
        -------
        Job or None
            The oldest, if any.
        """
        return next((job for job in self._jobs.values() if job.task == task and not job.over.is_set()), None)

    def cancel(self, job: Job) -> bool:
        """Stop a job for good.

        Parameters
        ----------
        job : Job
            Which.

        Returns
        -------
        bool
            False if it is over, or is writing what it made.
        """
        with job.lock:
            if not job.may_cancel:
                return False
            job.cancel_asked = True
            if job.state == WAITING:
                job.finish(CANCELLED)
        job.over.wait(5.0)
        return job.state == CANCELLED

    def close(self) -> None:
        """Stop everything."""
        self._queue.put(None)
        for job in list(self._jobs.values()):
            if job.may_cancel:
                job.cancel_asked = True
        # What is being written is written to its end.
        self._runner.join(30.0)
        self._stop()
        shutil.rmtree(self._folder, ignore_errors=True)

    def _run(self) -> None:
        while True:
            job = self._queue.get()
            if job is None:
                return
            with job.lock:
                if job.cancel_asked:
                    job.finish(CANCELLED)
                    continue
                job.state = RUNNING
            try:
                self._do(job)
            except (EOFError, OSError):
                self._crashed(job)

    def _do(self, job: Job) -> None:
        connection = self._ready()
        connection.send((job.task, job.arguments))
        while True:
            if not connection.poll(_LOOK_EVERY_S):
                if job.cancel_asked and job.may_cancel:
                    self._stop()
                    job.finish(CANCELLED)
                    return
                continue
            kind, *rest = connection.recv()
            if kind == PROGRESS:
                job.step, job.share = rest
            elif kind == ABOUT_TO_WRITE:
                with job.lock:
                    if job.cancel_asked:
                        self._stop()
                        job.finish(CANCELLED)
                        return
                    job.may_cancel = False
                connection.send(GO)
            elif kind == DONE:
                job.result, job.notes = rest
                job.finish(DONE)
                return
            elif kind == REFUSED:
                (job.faults,) = rest
                job.finish(REFUSED)
                return
            elif kind == FAILED:
                job.faults = (
                    "Something in washgrade broke, which is not your fault. Nothing recorded is lost. Tell "
                    f"its makers this: {rest[0]}.",
                )
                job.finish(FAILED)
                return
            if job.cancel_asked and job.may_cancel:
                self._stop()
                job.finish(CANCELLED)
                return

    def _crashed(self, job: Job) -> None:
        self._stop()
        if job.cancel_asked and job.may_cancel:
            job.finish(CANCELLED)
            return
        job.faults = (
            "The work stopped before its end; the desk goes on, and nothing recorded is lost. Most often the "
            "memory ran out: close other programs, or give larger cells.",
        )
        job.finish(FAILED)

    def _ready(self) -> Connection:
        if self._process is None or not self._process.is_alive() or self._connection is None:
            self._stop()
            # Begun afresh, because a copy of a process with threads may hang.
            context = multiprocessing.get_context("spawn")
            ours, theirs = context.Pipe()
            self._process = context.Process(
                target=work, args=(theirs, str(self._folder)), name="desk work", daemon=True
            )
            self._process.start()
            # Only the worker may hold its end, or nobody notices when it is gone.
            theirs.close()
            self._connection = ours
        return self._connection

    def _stop(self) -> None:
        process, self._process = self._process, None
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.close()
        if process is not None:
            process.kill()
            process.join(5.0)
            # What a large ground had on disk goes with it.
            for left in self._folder.iterdir():
                if left.is_dir():
                    shutil.rmtree(left, ignore_errors=True)
                else:
                    left.unlink(missing_ok=True)
