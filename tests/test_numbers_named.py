"""Numbers that decide stand outside functions, under a name with unit and origin: how many do not, and may not grow.

Counted is a decimal number written inside a function that is part of a comparison, or of an argument of a function
that bounds or chooses (`DECIDING`): such a number is a limit. What is arithmetic is not counted: 0, 1/2, 1 and 2 (a
middle, a diameter), powers of ten from 10 on (units), 1e-3 and less (guards against a division by nothing), degrees of
a turn, and the default of a parameter, which has the parameter's name. Whole numbers are counts, and not looked at.
"""

from __future__ import annotations

import ast
import math
from collections import Counter
from pathlib import Path

PACKAGE = Path(__file__).parents[1] / "mineralize"
DECIDING = {"clip", "minimum", "maximum", "min", "max", "percentile", "quantile", "where", "gaussian_filter"}
TURNS = {90.0, 180.0, 360.0}
LEFT = 0
"""Numbers that still decide without a name; lower it with every one that gets a name, and never raise it."""


def arithmetic(value: float) -> bool:
    """Whether a number is one that decides nothing by itself."""
    power_of_ten = value >= 10.0 and math.isclose(math.log10(value), round(math.log10(value)), abs_tol=1e-9)
    return value in {0.0, 0.5, 1.0, 2.0} or 0.0 < value <= 1e-3 or power_of_ten or value in TURNS


def deciding(text: str) -> list[tuple[int, float]]:
    """(line, number) of all that decide without a name in a module's text."""
    tree = ast.parse(text)
    parents = {child: node for node in ast.walk(tree) for child in ast.iter_child_nodes(node)}
    found = []
    for node in ast.walk(tree):
        if not isinstance(node, ast.Constant) or not isinstance(node.value, float) or arithmetic(node.value):
            continue
        above, within, decides, default = node, False, False, False
        while above in parents:
            below, above = above, parents[above]
            decides |= isinstance(above, ast.Compare)
            if isinstance(above, ast.Call):
                called = above.func
                decides |= getattr(called, "attr", getattr(called, "id", "")) in DECIDING
            default |= isinstance(above, ast.arguments) and below in (*above.defaults, *above.kw_defaults)
            within |= isinstance(above, ast.FunctionDef | ast.AsyncFunctionDef)
        if within and decides and not default:
            found.append((node.lineno, node.value))
    return found


def test_numbers_that_decide_have_names() -> None:
    found = {
        f"{path.relative_to(PACKAGE).as_posix()}:{line}": value
        for path in sorted(PACKAGE.rglob("*.py"))
        for line, value in deciding(path.read_text(encoding="utf-8"))
    }
    by_package = Counter(place.split("/")[0] for place in found)
    assert len(found) <= LEFT, f"{len(found)} numbers decide without a name: {dict(by_package)}; {found}"


def test_what_counts_as_deciding() -> None:
    text = """
LIMIT = 3.7
def f(x, clip_mm=4.0):
    y = 0.75 * x + max(x, LIMIT)
    if x > 0.35 or 1.5 < x < 0.5:
        return min(x, 1.2 * y, 100.0, 1e-6, 180.0)
    return [clip(v, -2.5, 2.0) for v in x]
"""
    assert deciding(text) == [(5, 0.35), (5, 1.5), (6, 1.2), (7, 2.5)]
