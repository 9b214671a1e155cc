"""Who may use the desk, and what it takes in: every refusal with its whole sentence."""

from __future__ import annotations

import html
import socket
import subprocess
import sys
from pathlib import Path

import httpx
import pytest

from washgrade.desk import serve, uploads
from washgrade.desk.access import POLICY
from washgrade.errors import InputError, SiteError


@pytest.fixture
def running(start_desk, site, tmp_path):
    folder = tmp_path / "mine"
    folder.mkdir()
    (folder / "in.csv").write_text("time,lon,lat\n")
    (folder / "secret.key").write_text("no")
    return start_desk(site, picked_folder=folder)


def said(answer: httpx.Response) -> str:
    return html.unescape(answer.text)


def test_the_start_link_works_once(running):
    assert running.desk.session.start_path == ""
    answer = httpx.get(f"{running.base}/start?token=guess", trust_env=False)
    assert answer.status_code == 403
    assert "This start link is wrong or was used already; it works once." in said(answer)
    # The browser that was let in is let in again.
    assert running.client.get("/start?token=guess").url.path == "/"


def test_the_cookie_is_out_of_reach_of_scripts_and_other_sites(start_desk, tmp_path):
    from washgrade.desk.access import Session

    session = Session(8000)
    token = session.start_path.partition("=")[2]
    cookie = session.open_with(token)
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert session.knows(cookie.partition(";")[0])
    assert session.open_with(token) == ""
    assert not session.knows("washgrade-desk-8000=guess")
    assert not Session(8000).knows(cookie.partition(";")[0])


def test_without_the_cookie_nothing_is_shown(running):
    answer = httpx.get(f"{running.base}/notebook", trust_env=False)
    assert answer.status_code == 403
    assert (
        "This browser has not been let in. Open the link that was printed when the desk started; it works "
        "once. If it was used already, close the desk and start it again with: washgrade desk SITE."
    ) in said(answer)


@pytest.mark.parametrize("host", ["desk.example", "127.0.0.1", "127.0.0.1:1", "localhost.example:80"])
def test_another_host_is_refused(running, host):
    answer = running.client.get("/", headers={"Host": host})
    assert answer.status_code == 421
    own = running.base.removeprefix("http://")
    assert f"The request calls the desk by another name. It must be sent to {own}." in said(answer)


@pytest.mark.parametrize("origin", ["http://example.org", "null", "http://127.0.0.1:1", None])
def test_a_foreign_origin_is_refused(running, site, origin):
    before = (site / "site.gpkg").read_bytes()
    headers = {} if origin is None else {"Origin": origin}
    answer = running.client.post("/units", data={"form_secret": running.secret, "to": "us"}, headers=headers)
    assert answer.status_code == 403
    assert (
        "The request comes from another page than the desk's own. Nothing was done; open the desk by its own "
        "address and try there."
    ) in said(answer)
    assert (site / "site.gpkg").read_bytes() == before


def test_a_page_that_another_site_leads_to_is_refused(running):
    answer = running.client.get("/rank", headers={"Sec-Fetch-Site": "cross-site"})
    assert answer.status_code == 403
    assert "Another web page sent the browser here. Nothing was done;" in said(answer)


POSTS = (
    "/units", "/stop", "/ground", "/ground/demo", "/notebook/new/samples", "/notebook/files",
    "/notebook/files/x", "/notebook/strike/x", "/notebook/undo/x", "/settings", "/jobs/1/cancel",
)  # fmt: skip


@pytest.mark.parametrize("path", POSTS)
def test_a_form_without_the_secret_is_refused(running, path):
    answer = running.client.post(path, data={"form_secret": "guess"}, headers={"Origin": running.base})
    assert answer.status_code == 403
    assert (
        "The form is not one of this run of the desk. Nothing was done; open the page again and send it once "
        "more."
    ) in said(answer)


def test_every_post_is_in_the_list_above(running):
    from washgrade.desk.app import make_app

    posts = {route.path for route in make_app(running.desk).routes if "POST" in route.methods}
    shapes = {path.replace("samples", "{kind}").replace("/1/", "/{name}/") for path in POSTS}
    assert posts == {
        shape.replace("files/x", "files/{name}")
        .replace("strike/x", "strike/{record_id}")
        .replace("undo/x", "undo/{record_id}")
        for shape in shapes
    }


def test_every_page_forbids_what_is_not_the_desks(running):
    for path in ("/", "/settings", "/nothing", "/assets/desk.css", "/state"):
        headers = running.client.get(path).headers
        assert headers["content-security-policy"] == POLICY
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "same-origin"
    assert "unsafe" not in POLICY
    assert "http" not in POLICY


def test_the_start_link_is_answered_as_soon_as_it_is_told():
    # It is told before the server has started: a connection must wait for it instead of being refused.
    listening = serve._bind(0)
    try:
        socket.create_connection(listening.getsockname(), timeout=5).close()
    finally:
        listening.close()


def test_the_desk_listens_on_the_loopback_only(running):
    port = running.desk.session.port
    addresses = {found[4][0] for found in socket.getaddrinfo(socket.gethostname(), port, socket.AF_INET)}
    for address in addresses - {"127.0.0.1", "127.0.1.1"}:
        with socket.socket() as caller:
            caller.settimeout(2)
            assert caller.connect_ex((address, port)) != 0
    listening = serve._bind(0)
    assert listening.getsockname()[0] == "127.0.0.1"
    listening.close()


@pytest.mark.parametrize("name", ["../site.gpkg", "a/b.csv", "..\\x.csv", "C:x.csv", "/etc/x.csv", ".."])
def test_a_name_that_is_a_path_is_refused(running, site, tmp_path, name):
    before = sorted(path for path in tmp_path.rglob("*") if path.is_file())
    # By hand, because a client may mend the name.
    mark = "xxMARKxx"
    body = (
        f'--{mark}\r\nContent-Disposition: form-data; name="form_secret"\r\n\r\n{running.secret}\r\n'
        f'--{mark}\r\nContent-Disposition: form-data; name="dem"; filename="{name}"\r\n'
        f"Content-Type: image/tiff\r\n\r\nnothing\r\n--{mark}--\r\n"
    )
    answer = running.client.post(
        "/ground",
        content=body.encode(),
        headers={"Origin": running.base, "Content-Type": f"multipart/form-data; boundary={mark}"},
    )
    assert answer.status_code == 422
    assert f"Invalid file name {name!r}. It must be a plain name, without a path." in said(answer)
    assert sorted(path for path in tmp_path.rglob("*") if path.is_file()) == before


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("Valley (north) 2025.tif", "Valley (north) 2025.tif"),
        ("<b>ground</b>.tif", "_b_ground__b_.tif"),
        ("..hidden.csv", "hidden.csv"),
        ("a\nb.csv", "a_b.csv"),
        ("x" * 300 + ".tif", "x" * 116 + ".tif"),
        ("cafe\u0301.csv", "café.csv"),
    ],
)
def test_other_names_are_written_plainly(name, kept):
    if "/" in name:
        with pytest.raises(InputError):
            uploads.safe_name(name)
        return
    assert uploads.safe_name(name) == kept


@pytest.mark.parametrize("name", ["con.tif", "LPT1", "...", "--"])
def test_a_name_of_nothing_is_refused(name):
    with pytest.raises(InputError, match=r"^Invalid file name .* It must have letters, and be no name of a"):
        uploads.safe_name(name)


def test_an_upload_beyond_the_limit_is_refused_and_leaves_nothing(start_desk, tmp_path, monkeypatch):
    small = uploads.Limits(most_bytes=300_000, most_files=2, instead="Split them.")
    monkeypatch.setattr("washgrade.desk.ground_pages.GROUND_LIMITS", small)
    site = tmp_path / "new"
    running = start_desk(site)
    sentence = "The files are larger than 0 MB together. Split them."
    answer = running.upload("/ground", {}, [("dem", ("big.tif", b"x" * 400_000, "image/tiff"))])
    assert answer.status_code == 413
    assert sentence in said(answer)
    assert not site.exists()

    # One that does not say beforehand how long it is is stopped on its way.
    def endless():
        mark = "xxMARKxx"
        yield (
            f'--{mark}\r\nContent-Disposition: form-data; name="form_secret"\r\n\r\n{running.secret}\r\n'
            f'--{mark}\r\nContent-Disposition: form-data; name="dem"; filename="big.tif"\r\n\r\n'
        ).encode()
        for _ in range(100):
            yield b"x" * 50_000

    answer = running.client.post(
        "/ground",
        content=endless(),
        headers={"Origin": running.base, "Content-Type": "multipart/form-data; boundary=xxMARKxx"},
    )
    assert answer.status_code == 413
    assert sentence in said(answer)
    assert not site.exists()


def test_more_files_than_the_limit_are_refused(running, monkeypatch):
    small = uploads.Limits(most_bytes=10**6, most_files=2, instead="Split them.")
    monkeypatch.setattr("washgrade.desk.record_pages.RECORD_LIMITS", small)
    files = [("files", (f"{number}.csv", b"time\n", "text/csv")) for number in range(3)]
    answer = running.upload("/notebook/files", {}, files)
    assert answer.status_code == 413
    assert "There are more than 2 files. Split them." in said(answer)


def test_a_file_before_the_secret_is_refused_unread(running, site):
    files = [("dem", ("a.tif", b"x", "image/tiff")), ("form_secret", (None, running.secret))]
    answer = running.client.post("/ground", files=files, headers={"Origin": running.base})
    assert answer.status_code == 403
    assert not (site / "files").exists()


@pytest.mark.parametrize("name", ["../valley/site.gpkg", "/etc/passwd", "secret.key", "missing.tif"])
def test_only_files_on_the_list_can_be_picked(running, name):
    answer = running.post("/ground", {"picked_dem": name})
    assert f"The file {name!r} is not one of those on offer. Pick one from the list, or upload it." in said(
        answer
    )
    answer = running.upload("/notebook/files", {"picked": name}, [])
    assert f"The file {name!r} is not one of those on offer." in said(answer)


def test_a_link_that_leads_out_of_the_folder_is_not_on_the_list(tmp_path):
    from washgrade.desk.folder import DEM_ENDINGS, listed_files

    outside, folder = tmp_path / "outside", tmp_path / "folder"
    outside.mkdir()
    folder.mkdir()
    (outside / "a.tif").write_bytes(b"")
    (folder / "b.tif").write_bytes(b"")
    (folder / "c.tif").symlink_to(outside / "a.tif")
    (folder / "notes.txt").write_bytes(b"")
    assert listed_files(folder, DEM_ENDINGS) == ("b.tif",)


def test_the_way_back_leads_only_to_the_desk(running):
    for back in ("http://example.org/", "//example.org", "javascript:alert(1)", "/\\example.org"):
        data = {"form_secret": running.secret, "to": "us", "back": back}
        answer = running.client.post(
            "/units", data=data, headers={"Origin": running.base}, follow_redirects=False
        )
        assert answer.headers["location"] == "/"


def test_a_port_in_use_is_said(tmp_path):
    taken = serve._bind(0)
    taken.listen()
    port = taken.getsockname()[1]
    with pytest.raises(InputError, match=f"^Port {port} of this machine cannot be used .* choose another"):
        serve.run_desk(tmp_path / "site", port=port, announce=print, open_browser=False)
    taken.close()


def test_a_wrong_folder_is_said(tmp_path):
    missing = tmp_path / "no" / "site"
    with pytest.raises(SiteError, match=r"^There is no folder .*no to make site in. Make it first"):
        serve.run_desk(missing, announce=print)
    with pytest.raises(InputError, match=r"^There is no folder .* to pick files from. Check the path.$"):
        serve.run_desk(tmp_path / "site", picked_folder=missing, announce=print)
    (tmp_path / "file").write_text("")
    with pytest.raises(SiteError, match=r"is a file. A site must be a folder.$"):
        serve.run_desk(tmp_path / "file", announce=print)


def test_without_the_extra_a_sentence_says_how_to_get_it(tmp_path):
    # The modules are hidden from the interpreter, as if they were not installed.
    code = (
        "import importlib.util, sys; real = importlib.util.find_spec; "
        "importlib.util.find_spec = lambda name, *rest: None if name == 'uvicorn' else real(name, *rest); "
        "from washgrade.cli import main; main()"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "desk", str(tmp_path / "site")], capture_output=True, text=True
    )
    assert done.returncode == 2
    assert done.stderr.strip() == (
        "The desk needs uvicorn, not installed here. Install what it needs with: pip install "
        "'washgrade[desk]'."
    )
    assert not (tmp_path / "site").exists()


def test_the_command_line_loads_the_desk_only_when_asked():
    code = (
        "import sys; from click.testing import CliRunner; from washgrade.cli import main; "
        "CliRunner().invoke(main, ['desk', '--help']); "
        "print([name for name in ('starlette', 'uvicorn', 'jinja2', 'numpy') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("signal_name", ["SIGTERM", "SIGINT"])
def test_a_desk_that_is_stopped_leaves_nothing_lying_about(site, tmp_path, signal_name):
    import os
    import signal

    scratch = tmp_path / "scratch"
    scratch.mkdir()
    process = subprocess.Popen(
        [sys.executable, "-c", "from washgrade.cli import main; main()", "desk", str(site), "--no-browser"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "TMPDIR": str(scratch)},
    )
    link = next(line.strip() for line in process.stdout if line.startswith("http://"))
    assert httpx.get(link, trust_env=False, timeout=30).status_code == 200
    assert list(scratch.iterdir())
    process.send_signal(getattr(signal, signal_name))
    _, said_last = process.communicate(timeout=60)
    assert process.returncode == 0
    assert said_last == ""
    assert list(scratch.iterdir()) == []


def test_a_form_that_is_too_long_is_refused(running):
    answer = running.post("/notebook/new/looks", {"note": "x" * 1_100_000})
    assert answer.status_code == 413
    assert "The form is longer than 1 MB. Shorten the note, or take in a file instead." in said(answer)


def test_a_form_that_ends_early_is_refused(running, site):
    mark = "xxMARKxx"
    body = (
        f'--{mark}\r\nContent-Disposition: form-data; name="form_secret"\r\n\r\n{running.secret}\r\n'
        f'--{mark}\r\nContent-Disposition: form-data; name="dem"; filename="a.tif"\r\n\r\nhalf of'
    )
    headers = {"Origin": running.base, "Content-Type": f"multipart/form-data; boundary={mark}"}
    answer = running.client.post("/ground", content=body.encode(), headers=headers)
    assert answer.status_code == 400
    assert "The form ended early. Nothing was kept; send it again." in said(answer)
    assert not list(Path(site).rglob("*.part"))
    assert not (site / "files").exists()
