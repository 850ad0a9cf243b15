"""Data flows one way: a package imports only packages that stand above it, and only through their doors."""

from __future__ import annotations

import ast
from importlib import import_module
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "mineralize"
PHANTOMS = PACKAGE.parent / "phantoms"

FLOORS: tuple[tuple[str, ...], ...] = (
    ("base",),
    ("dicom",),
    ("timeline",),
    ("reference", "bones", "align"),
    ("surface",),
    ("lesion",),
    ("measure", "change"),
    ("correlate",),
    ("study",),
    ("results", "figures", "page", "dicom_out"),
    ("cases", "batch", "cohort", "web"),
    ("cli",),
)
ORDER = [name for floor in FLOORS for name in floor]
PURE = ORDER[: ORDER.index("study") + 1]
NOT_PURE = {"pydicom", "matplotlib", "dask", "distributed", "http", "socketserver", "starlette", "uvicorn", "highdicom"}
LARGEST_MODULE = 350
LARGEST_FUNCTION = 60
"""Lines of a function with its docstring: more than a screen holds is more than one idea."""
BETTER_WHOLE = {
    # A compiled loop over poses and points: split, its parts would hand a dozen numbers on at every point.
    "mineralize/align/kernels.py:pull_of_surface",
}
"""Functions that may be longer."""
MOST_POSITIONAL = 5
"""Arguments of a function that a call may give without their names."""
ORDER_IS_FIXED = {"mineralize/reference/tissues.py:model"}
"""Functions whose caller is a library that knows no names: a curve to be fitted takes its parameters in a row."""


def package_of(path: Path) -> str:
    """Package that a file belongs to; ``""`` for the files beside the packages."""
    parts = path.relative_to(PACKAGE).parts
    return parts[0] if len(parts) > 1 else ""


def modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def imports(path: Path) -> list[tuple[str, list[str]]]:
    """(module, names) of every import in a file, absolute; ``import x`` has no names."""
    home = ["mineralize", *path.relative_to(PACKAGE).parent.parts] if path.is_relative_to(PACKAGE) else []
    found: list[tuple[str, list[str]]] = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [(alias.name, []) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = home[: len(home) - node.level + 1] if node.level else []
            module = ".".join([*base, *([node.module] if node.module else [])])
            found.append((module, [alias.name for alias in node.names]))
    return found


def across(path: Path) -> list[tuple[str, list[str]]]:
    """What a module of a package takes from other packages of ours: (path below ``mineralize``, names)."""
    found: list[tuple[str, list[str]]] = []
    for module, names in imports(path):
        if module == "mineralize":
            found += [(name, []) for name in names if (PACKAGE / name).is_dir()]
        elif module.startswith("mineralize."):
            found.append((module.removeprefix("mineralize."), names))
    return [(module, names) for module, names in found if module.split(".")[0] != package_of(path)]


def test_every_module_has_a_room() -> None:
    assert {package_of(p) for p in modules()} - {""} <= set(ORDER)
    assert {p.name for p in modules() if not package_of(p)} == {"__init__.py", "__main__.py"}


@pytest.mark.parametrize("path", modules(), ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_imports_only_doors_that_stand_above(path: Path) -> None:
    home = package_of(path)
    above = set(ORDER[: ORDER.index(home)]) if home else set(ORDER)
    for module, names in across(path):
        assert module in above, f"{path.name} imports {module}: not above it, or past a door"
        offered = set(import_module(f"mineralize.{module}").__all__)
        assert set(names) <= offered, f"{path.name} takes {sorted(set(names) - offered)} past the door of {module}"


@pytest.mark.parametrize("name", [n for n in ORDER if (PACKAGE / n).exists()])
def test_every_door_says_what_it_offers(name: str) -> None:
    door = import_module(f"mineralize.{name}")
    assert len((door.__doc__ or "").split()) >= 10
    assert len(set(door.__all__)) == len(door.__all__)
    for offered in door.__all__:
        assert not offered.startswith("_")
        assert getattr(door, offered) is not None


@pytest.mark.parametrize("name", [n for n in ORDER if (PACKAGE / n).exists()])
def test_no_circles_inside(name: str) -> None:
    """Whatever imports nothing unvisited is taken away until nothing is left."""
    waiting: dict[str, set[str]] = {}
    inside = f"mineralize.{name}"
    for path in (PACKAGE / name).glob("*.py"):
        own: set[str] = set()
        for module, names in imports(path):
            if module == inside:
                own |= set(names)
            elif module.startswith(inside + "."):
                own.add(module.removeprefix(inside + "."))
        waiting[path.stem] = own - {path.stem}
    while free := {stem for stem, own in waiting.items() if not own & waiting.keys()}:
        waiting = {stem: own for stem, own in waiting.items() if stem not in free}
    assert not waiting, f"these modules import each other in a circle: {sorted(waiting)}"


@pytest.mark.parametrize("path", modules(), ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_pure_packages_touch_no_files_or_pictures(path: Path) -> None:
    if package_of(path) not in PURE or package_of(path) == "dicom":
        return
    outside = {module.split(".")[0] for module, _ in imports(path)}
    assert not outside & NOT_PURE


@pytest.mark.parametrize("path", modules(), ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_no_module_is_too_long(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= LARGEST_MODULE


def is_compiled(function: ast.FunctionDef | ast.AsyncFunctionDef) -> bool:
    """A compiled loop takes its arguments in a row; names would cost a new compilation."""
    return any("compiled" in ast.unparse(decorator) for decorator in function.decorator_list)


@pytest.mark.parametrize("path", modules(), ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_long_lists_of_arguments_are_named(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) or is_compiled(node):
            continue
        names = [a.arg for a in (*node.args.posonlyargs, *node.args.args) if a.arg not in ("self", "cls")]
        place = f"{path.relative_to(PACKAGE.parent).as_posix()}:{node.name}"
        assert len(names) <= MOST_POSITIONAL or place in ORDER_IS_FIXED, place


@pytest.mark.parametrize("path", modules(), ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_no_function_is_too_long(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            place = f"{path.relative_to(PACKAGE.parent).as_posix()}:{node.name}"
            length = (node.end_lineno or node.lineno) - node.lineno + 1
            assert length <= LARGEST_FUNCTION or place in BETTER_WHOLE, f"{place} has {length} lines"


def test_phantoms_and_measuring_share_nothing() -> None:
    for path in PHANTOMS.rglob("*.py"):
        assert not any(module.split(".")[0] == "mineralize" for module, _ in imports(path))
    for path in modules():
        assert not any(module.split(".")[0] == "phantoms" for module, _ in imports(path))


def test_the_check_sees_imports_inside_functions(tmp_path: Path) -> None:
    path = tmp_path / "planted.py"
    path.write_text("def f():\n    from mineralize.cli import commands\n    import phantoms.build\n", encoding="utf-8")
    assert imports(path) == [("mineralize.cli", ["commands"]), ("phantoms.build", [])]
