"""The page with five and with fifty thousand reaches: weight, time to make, time to the first drawing.

The measure beside it, in the same run: what folium makes of the same lines by itself, one object for each
reach (`folium.PolyLine`), as bytes and seconds; and for the first drawing, how long the same browser takes to
show a page of the same weight that does nothing with it. What is aimed at is under 5 MB and 1.5 s for fifty
thousand reaches; the weight is tested, the clock is only told here. Run: python benchmarks/page.py
"""

from __future__ import annotations

import importlib.util
import shutil
import statistics
import sys
import tempfile
import time
from pathlib import Path

from washgrade.page.build import render_page

HERE = Path(__file__).resolve().parent


def sample_views():
    path = HERE.parent / "tests" / "page" / "dendritic.py"
    spec = importlib.util.spec_from_file_location("dendritic", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def plain_folium(view):
    import folium

    shell = folium.Map(location=[float(view.line_lat.mean()), float(view.line_lon.mean())], tiles=None)
    for n in range(len(view.reach_id)):
        part = slice(view.line_start[n], view.line_start[n + 1])
        line = list(zip(view.line_lat[part].tolist(), view.line_lon[part].tolist(), strict=True))
        folium.PolyLine(line, tooltip=view.reach_id[n]).add_to(shell)
    return shell.get_root().render().encode()


def idle_page(weight):
    """A heading, and as many bytes as the page has, which nobody reads."""
    return b"<!DOCTYPE html><h1>idle</h1><script type='text/plain'>" + b"x" * weight + b"</script>"


def first_draws_ms(page_bytes, repeats=5, *, ours=True):
    from playwright.sync_api import sync_playwright

    found = {}
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as play:
        path = Path(folder) / "page.html"
        path.write_bytes(page_bytes)
        for name, (width, height) in {"1280x800": (1280, 800), "390x844": (390, 844)}.items():
            times = []
            for _ in range(repeats):
                # A new browser each time: nothing compiled or decoded before.
                browser = play.chromium.launch(
                    executable_path=shutil.which("chromium"),
                    args=[
                        "--no-sandbox",
                        "--disable-gpu",
                        "--no-first-run",
                        "--disable-background-networking",
                    ],
                )
                context = browser.new_context(viewport={"width": width, "height": height}, offline=True)
                page = context.new_page()
                page.goto(path.as_uri())
                # The page's policy forbids the evaluated text with which Playwright would wait.
                marks = ["first-contentful-paint", *(["washgrade-first-draw"] if ours else [])]
                while not page.evaluate(
                    "(marks) => marks.every((n) => performance.getEntriesByName(n).length)", marks
                ):
                    page.wait_for_timeout(50)
                times.append(
                    page.evaluate(
                        "(marks) => marks.map((n) => performance.getEntriesByName(n)[0].startTime)", marks
                    )
                )
                browser.close()
            found[name] = [(statistics.median(column), max(column)) for column in zip(*times, strict=True)]
    return found


def main():
    views = sample_views()
    render_page(views.sample_view())  # folium's import is not what is measured
    good = True
    for view in (views.large_view(), views.huge_view()):
        good = measure(view) and good
    return 0 if good else 1


def measure(view):
    start = time.perf_counter()
    data = render_page(view)
    made = time.perf_counter() - start
    relief = 4 * ((len(view.relief_png) + 2) // 3)
    print(f"{len(view.reach_id)} reaches, {len(view.line_lon)} points")
    print(f"page {len(data):,} bytes, beside the relief {len(data) - relief:,} bytes, made in {made:.2f} s")
    start = time.perf_counter()
    plain = plain_folium(view)
    took = time.perf_counter() - start
    print(
        f"folium, one object for each reach: {len(plain):,} bytes without Leaflet, table"
        f" or relief ({len(plain) / (len(data) - relief):.1f} times ours),"
        f" made in {took:.2f} s ({took / made:.0f} times ours)"
    )
    if shutil.which("chromium") is None:
        print("no Chromium: first drawing not measured")
        return False
    idle = first_draws_ms(idle_page(len(data)), ours=False)
    for name, ((paint, worst_paint), (draw, worst)) in first_draws_ms(data).items():
        ((none, _),) = idle[name]
        print(
            f"{name}: first drawing of the washes {draw:.0f} ms (worst {worst:.0f}), {draw / none:.1f} times"
            f" an idle page of the same weight ({none:.0f} ms); first contentful paint {paint:.0f} ms (worst"
            f" {worst_paint:.0f}); new browser each time, medians of 5"
        )
    return True


if __name__ == "__main__":
    sys.exit(main())
