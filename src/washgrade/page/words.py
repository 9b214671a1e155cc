"""The words of the page that need no script: cautions, settings, and a plain table."""

from __future__ import annotations

from html import escape

import numpy as np

from washgrade.page.view import PageView
from washgrade.units import show_grade, show_mass

__all__ = ["CAUTIONS", "SUPPORT_WORDS", "cautions_html", "plain_table", "settings_html"]

PLAIN_ROWS = 40
"""Rows of the table for readers without script."""

CAUTIONS = (
    ("Floods", "A dry wash can fill within minutes from rain you never saw. Keep out when storms are about."),
    ("Banks", "Undercut banks fall without warning. Do not dig below them or tunnel into them."),
    (
        "Heat and dust",
        "Carry more water than you think, rest in shade, and do not breathe the dust of dry sand.",
    ),
    ("Lifting", "Black sand is about twice as heavy as the sand you know. Fill buckets by half."),
    (
        "Magnets",
        "Strong magnets crush fingers and disturb pacemakers and other implants: keep them well apart.",
    ),
    (
        "Permission",
        "Ask the owner and the authority. Claims, leases, protected ground, streambeds and cultural sites"
        " have their own law: local rules come before anything on this page. Leave what looks old where it"
        " lies, and fill your holes.",
    ),
)
"""Customary cautions; local codes come before them."""

SUPPORT_WORDS = {
    "sampled": "A sample was taken in this reach.",
    "near": "A sample was taken close by along the wash.",
    "inferred": "No sample close by: worked out from samples farther along the network.",
    "prior": "No sample tells of this reach: a general guess from the lie of the land.",
}
"""What an estimate rests on, by its word; the page's script is handed the same."""


def cautions_html(view: PageView) -> str:
    """Cautions of the site and the general ones, as list items.

    Parameters
    ----------
    view : PageView
        What to show.

    Returns
    -------
    str
        HTML, escaped.
    """
    own = [f"<li>{escape(text)}</li>" for text in view.cautions]
    general = [f"<li><b>{escape(head)}.</b> {escape(text)}</li>" for head, text in CAUTIONS]
    return "\n".join(own + general)


def settings_html(view: PageView) -> str:
    """What was assumed, as a description list.

    Parameters
    ----------
    view : PageView
        What to show.

    Returns
    -------
    str
        HTML, escaped.
    """
    rows = [
        ("Estimate for", view.day),
        ("Coordinates", f"{view.crs}; longitude and latitude in WGS 84"),
        ("Datum", view.datum),
        *view.settings,
        ("Made with", view.made_with),
    ]
    return "\n".join(f"<dt>{escape(name)}</dt><dd>{escape(value)}</dd>" for name, value in rows)


def plain_table(view: PageView) -> str:
    """Best reaches as a table that needs no script.

    Parameters
    ----------
    view : PageView
        What to show.

    Returns
    -------
    str
        HTML, escaped; the units are those that the view asks for.
    """
    rows = []
    for reach in np.argsort(view.rank)[:PLAIN_ROWS]:
        load = [
            show_mass(float(column[reach]), view.units)
            for column in (view.kg_per_load_mean, view.kg_per_load_p10, view.kg_per_load_p90)
        ]
        cells = (
            load[0],
            f"{load[1]} to {load[2]}",
            show_grade(float(view.grade_mean[reach])),
            f"{100.0 * view.chance_top[reach]:.0f} %",
            f"{view.lat[reach]:.6f}, {view.lon[reach]:.6f}",
            "closed" if view.closed[reach] else "worked out" if view.depleted[reach] else view.support[reach],
        )
        body = "".join(f"<td>{escape(cell)}</td>" for cell in cells)
        rows.append(
            f"<tr><td>{view.rank[reach]}</td><th scope=row>{escape(view.reach_id[reach])}</th>{body}</tr>"
        )
    heads = ("#", "Reach", "In one load", "8 in 10 between", "Grade", f"Chance of best {view.top}")
    head = "".join(
        f"<th scope=col>{escape(name)}</th>" for name in (*heads, "Latitude, longitude", "Rests on")
    )
    caption = f"The best {len(rows)} of {len(view.reach_id)} reaches on {escape(view.day)}"
    body = "".join(rows)
    return f"<table><caption>{caption}</caption><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
