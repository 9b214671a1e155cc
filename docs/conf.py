"""How Sphinx turns the Markdown of this folder into pages: `make docs`."""

from __future__ import annotations

from importlib.metadata import version as version_of
from typing import TYPE_CHECKING

from docutils import nodes
from docutils.utils.math import MathError
from docutils.utils.math.latex2mathml import tex2mathml
from sphinx.util import logging

if TYPE_CHECKING:
    from sphinx.application import Sphinx
    from sphinx.writers.html5 import HTML5Translator

logger = logging.getLogger(__name__)

project = "washgrade"
author = "The washgrade maintainers"
version = release = version_of("washgrade")

extensions = ["myst_parser", "numpydoc", "sphinx.ext.autodoc"]
# Headings of one page may be linked to from another.
myst_heading_anchors = 3

autodoc_typehints = "none"  # numpydoc writes them with the parameters
autodoc_member_order = "bysource"
numpydoc_show_class_members = False
numpydoc_class_members_toctree = False

html_theme = "alabaster"
html_theme_options = {
    "description": "Where to dig black sand in a dry wash, and how sure that is",
    "fixed_sidebar": True,
    "page_width": "1100px",
    "body_max_width": "none",
}
html_sidebars = {"**": ["about.html", "searchfield.html", "navigation.html"]}
html_show_sourcelink = False
html_copy_source = False
html_math_renderer = "mathml"


def setup(app: Sphinx) -> None:
    """Write formulas as MathML, which browsers draw themselves: the usual renderer fetches a script."""

    def written(node: nodes.Element, *, as_block: bool) -> str:
        try:
            return tex2mathml(node.astext(), as_block=as_block)
        except MathError as error:
            logger.warning("formula: %s", error, location=node)
            return ""

    def inline(self: HTML5Translator, node: nodes.math) -> None:
        self.body.append(written(node, as_block=False))
        raise nodes.SkipNode

    def block(self: HTML5Translator, node: nodes.math_block) -> None:
        self.body.append(written(node, as_block=True))
        raise nodes.SkipNode

    app.add_html_math_renderer("mathml", (inline, None), (block, None))
