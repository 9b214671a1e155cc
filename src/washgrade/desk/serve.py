"""Starting the desk: on the loopback only, with a link that works once."""

from __future__ import annotations

import signal
import socket
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from washgrade.errors import InputError, SiteError

if TYPE_CHECKING:
    from washgrade.desk.state import Desk

__all__ = ["run_desk"]

LOOPBACK = "127.0.0.1"


def _need_extra() -> None:
    # Each is imported where it is used; here it is only seen whether all are there.
    from importlib.util import find_spec

    missing = [name for name in ("starlette", "uvicorn", "jinja2", "python_multipart") if not find_spec(name)]
    if missing:
        raise InputError(
            f"The desk needs {' and '.join(missing)}, not installed here. Install what it needs with: "
            "pip install 'washgrade[desk]'."
        )


def _bind(port: int) -> socket.socket:
    found = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    # Without this a desk that was just closed would block its port for a minute.
    if hasattr(socket, "SO_EXCLUSIVEADDRUSE"):
        found.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
    else:
        found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        found.bind((LOOPBACK, port))
        # From here on a browser waits: the link is told before the server has started.
        found.listen()
    except OSError as error:
        found.close()
        raise InputError(
            f"Port {port} of this machine cannot be used ({error.strerror}). Perhaps a desk runs there "
            "already; close it, or choose another with --port."
        ) from None
    return found


def _check_folders(site: Path, picked_folder: Path | None) -> None:
    if site.is_file():
        raise SiteError(f"{site} is a file. A site must be a folder.")
    if not site.resolve().parent.is_dir():
        raise SiteError(
            f"There is no folder {site.resolve().parent} to make {site.name} in. Make it first, or check the "
            "path."
        )
    if picked_folder is not None and not picked_folder.is_dir():
        raise InputError(f"There is no folder {picked_folder} to pick files from. Check the path.")


def run_desk(
    site: Path,
    *,
    picked_folder: Path | None = None,
    port: int = 0,
    announce: Callable[[str], None],
    open_browser: bool = True,
) -> None:
    """Run the desk until its user closes it.

    Parameters
    ----------
    site : Path
        The site folder; it may be missing or empty, and is made when its ground is built.
    picked_folder : Path, optional
        A folder whose files may be picked in the browser.
    port : int, default 0
        Port on the loopback; any free one if 0.
    announce : callable
        Told the start link.
    open_browser : bool, default True
        Open the link in the machine's own browser.

    Raises
    ------
    InputError
        If the extra is not installed, the port is taken, or there is no such folder.
    SiteError
        If the site is a file, or its parent is missing.
    """
    _check_folders(site, picked_folder)
    _need_extra()
    import uvicorn

    from washgrade.desk.access import Session
    from washgrade.desk.app import make_app
    from washgrade.desk.jobs import Jobs
    from washgrade.desk.state import Desk

    listening = _bind(port)
    session = Session(listening.getsockname()[1])
    desk: Desk = Desk(site=site, jobs=Jobs(), session=session, picked_folder=picked_folder)
    try:
        app = make_app(desk)
        server = uvicorn.Server(
            uvicorn.Config(
                app,
                log_level="warning",
                access_log=False,
                server_header=False,
                lifespan="off",
                timeout_graceful_shutdown=2,
            )
        )

        def stop() -> None:
            server.should_exit = True

        app.state.stop = stop
        link = f"http://{session.hosts[0]}{session.start_path}"
        announce(link)
        if open_browser:
            import webbrowser

            webbrowser.open(link)
        # The server hands a signal on when it has stopped; what is only for this run is cleared away then.
        signal.signal(signal.SIGTERM, lambda _number, _frame: sys.exit(0))
        with suppress(KeyboardInterrupt):
            server.run(sockets=[listening])
    finally:
        desk.close()
        listening.close()
