"""Lay out the sources of the documentation: the pages of this folder, and the reference made from the code.

Run: python docs/reference.py FOLDER
The reference of the commands is what `washgrade VERB --help` says; that of the library is made by Sphinx from
the docstrings of the modules.
"""

from __future__ import annotations

import importlib
import pkgutil
import shutil
import sys
from pathlib import Path

DOCS = Path(__file__).resolve().parent
# Packages of the library, and what an engineer finds in each.
PACKAGES = {
    "land": "from a DEM to channels, reaches and their shape",
    "sand": "from samples to grade",
    "storm": "from rain to what a flood did to the bed",
    "dig": "loads, stock, ranking, and plans",
}


def heading(words: str, under: str = "=") -> list[str]:
    """A heading of reStructuredText, and an empty line."""
    return [words, under * len(words), ""]


def commands_page() -> str:
    """Every verb with its help text, in the order of the job."""
    from click import Context

    from washgrade.cli import main

    lines = heading("Every command")
    lines += ["The same stands on the terminal after ``washgrade VERB --help``.", ""]
    top = Context(main, info_name="washgrade")
    for verb in main.list_commands(top):
        text = main.commands[verb].get_help(Context(main.commands[verb], info_name=verb, parent=top))
        lines += heading(verb, "-")
        lines += ["::", "", *(f"    {line}".rstrip() for line in text.splitlines()), ""]
    return "\n".join(lines)


def survey_page() -> str:
    """The whole job as functions: what `washgrade.survey` offers."""
    lines = heading("washgrade.survey: the whole job")
    lines += [".. automodule:: washgrade.survey", "   :members:", "   :imported-members:", ""]
    return "\n".join(lines)


def package_page(name: str, words: str) -> str:
    """Every module of a package that offers something."""
    lines = heading(f"washgrade.{name}: {words}")
    package = importlib.import_module(f"washgrade.{name}")
    lines += [f".. automodule:: {package.__name__}", ""]
    for found in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
        module = importlib.import_module(found.name)
        if getattr(module, "__all__", None):
            lines += heading(found.name.removeprefix("washgrade."), "-")
            lines += [f".. automodule:: {found.name}", "   :members:", ""]
    return "\n".join(lines)


def lay_out(folder: Path) -> None:
    """Copy the pages into a folder and write the reference beside them."""
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(DOCS, folder, ignore=shutil.ignore_patterns("*.py", "__pycache__"))
    shutil.copy(DOCS / "conf.py", folder)
    reference = folder / "reference"
    reference.mkdir()
    (reference / "commands.rst").write_text(commands_page(), encoding="utf-8")
    (reference / "survey.rst").write_text(survey_page(), encoding="utf-8")
    for name, words in PACKAGES.items():
        (reference / f"{name}.rst").write_text(package_page(name, words), encoding="utf-8")


if __name__ == "__main__":
    lay_out(Path(sys.argv[1]))
