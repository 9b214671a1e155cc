"""Names: every float carries its unit or is known to have none; no shorthand."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

SOURCE = Path(__file__).resolve().parents[2] / "src" / "washgrade"
MODULES = sorted(SOURCE.rglob("*.py"))

# A unit at the end of a name; `_per_` joins two.
UNITS = (
    "m m2 m3 km km2 mm cm pt kg g s h days m3_s m_s mm_h mm_day pa kg_m3 litres deg lon lat kg_draws hours "
    "minutes"
).split()
# Quantities without a unit, and things that are not quantities.
PLAIN = (
    "grade slope porosity recovery share moisture chance mean p10 p50 p90 value draws weight weights draw "
    "lon lat mix noise order rank support quantile probability level variance sd logit z effective_samples "
    "effective_size loads buckets purity columns regressors coefficients residual beta gram likelihood "
    "covariance gain curve_number found_by_eye "
    "factor per_unit scale exaggeration score at_least at_most above below size count shade width_px"
).split()
FORBIDDEN = {"idx", "elevtn", "tmp", "tmp2", "arr", "df", "gdf", "xs", "ys", "x", "y"}


def float_names(tree: ast.AST):
    """Names annotated as a float in public signatures and in the fields of records."""
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
            arguments = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
            for argument in arguments:
                if argument.annotation is not None:
                    yield node.lineno, argument.arg, ast.unparse(argument.annotation)
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            for item in node.body:
                if isinstance(item, ast.AnnAssign) and isinstance(item.target, ast.Name):
                    yield item.lineno, item.target.id, ast.unparse(item.annotation)


def has_unit(name: str) -> bool:
    if any(name == unit or name.endswith(f"_{unit}") for unit in UNITS):
        return True
    words = set(name.split("_"))
    return bool(words & set(PLAIN)) or name in PLAIN


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.relative_to(SOURCE).as_posix())
def test_floats_carry_their_unit(path):
    bare = [
        f"{path.name}:{line} {name}"
        for line, name, annotation in float_names(ast.parse(path.read_text(encoding="utf-8")))
        if re.fullmatch(r"float( \| None)?", annotation) and not has_unit(name)
    ]
    assert bare == []


def test_a_bare_float_would_be_caught():
    tree = ast.parse("def depth(discharge: float, slope: float) -> float: ...")
    assert [name for _, name, _ in float_names(tree) if not has_unit(name)] == ["discharge"]


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.relative_to(SOURCE).as_posix())
def test_no_shorthand_names(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    arguments = {argument.arg for argument in ast.walk(tree) if isinstance(argument, ast.arg)}
    assert arguments & FORBIDDEN == set()
