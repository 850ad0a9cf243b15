"""Data flows one way: a module imports only what stands above it, imports inside functions included."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "mineralize"
PHANTOMS = PACKAGE.parent / "phantoms"

LAYERS: tuple[tuple[str, ...], ...] = (
    # ground
    ("errors", "geometry", "scan", "settings"),
    # reading
    ("dicom",),
    # time
    ("timeline",),
    # science
    ("reference",),
    ("comparability", "inspection"),
    ("skeleton", "align"),
    ("candidates", "outline", "lesion", "zones"),
    ("estimate", "rim_map", "measure", "change", "maturation"),
    ("statements", "sources", "wording", "evidence"),
    ("findings", "tissue", "biopsy", "correlate"),
    # whole
    ("study",),
    # results
    ("texts", "views", "shown", "record", "tables", "impression", "concordance", "figures", "page", "pdf"),
    ("codes", "identity", "seg", "sr"),
    # doors
    ("cases", "batch", "cohort", "web", "progress", "cli"),
    ("__main__",),
)
ORDER = [name for layer in LAYERS for name in layer]
NOT_PURE = {"pydicom", "matplotlib", "dask", "http", "socketserver", "flask", "aiohttp", "highdicom"}
PURE = ORDER[: ORDER.index("study") + 1]


def room(name: str) -> str:
    """The entry of the order that a module belongs to: its own, or that of the module it was split from.

    ``align_search`` belongs to ``align``; inside a room imports must only be free of circles.
    """
    while name not in ORDER and "_" in name:
        name = name.rpartition("_")[0]
    return name


def modules() -> dict[str, list[Path]]:
    """Python files by the name that stands in the order; a folder is one name."""
    found: dict[str, list[Path]] = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE).with_suffix("").parts
        if parts[0] != "__init__":
            found.setdefault(parts[0], []).append(path)
    return found


def imports(path: Path) -> tuple[set[str], set[str]]:
    """(own modules, outside packages) that a file imports anywhere in it."""
    depth = len(path.relative_to(PACKAGE).parts) if path.is_relative_to(PACKAGE) else 1
    own: set[str] = set()
    outside: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names = [alias.name.split(".") for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            names = [[*str(node.module).split("."), *([node.names[0].name] if node.module == "mineralize" else [])]]
        elif isinstance(node, ast.ImportFrom):
            if node.level == depth:
                own |= {str(node.module).split(".")[0]} if node.module else {alias.name for alias in node.names}
            continue
        else:
            continue
        for parts in names:
            if parts[0] == "mineralize":
                own |= set(parts[1:2])
            else:
                outside.add(parts[0])
    return own - {"__version__"}, outside


@pytest.mark.parametrize("name", sorted(modules()))
def test_imports_only_what_stands_above(name: str) -> None:
    home = room(name)
    assert home in ORDER, f"{name} has no place in the order of modules; give it one"
    above = set(ORDER[: ORDER.index(home)])
    for path in modules()[name]:
        own, _ = imports(path)
        wrong = {other for other in own if room(other) not in above | {home}}
        assert not wrong, f"{path.name} imports {sorted(wrong)}, which do not stand above it"


def test_no_circles() -> None:
    """Also inside a room: whatever imports nothing unvisited is taken away until nothing is left."""
    waiting = {name: {o for path in paths for o in imports(path)[0]} - {name} for name, paths in modules().items()}
    while free := {name for name, own in waiting.items() if not own & waiting.keys()}:
        waiting = {name: own for name, own in waiting.items() if name not in free}
    assert not waiting, f"these modules import each other in a circle: {sorted(waiting)}"


@pytest.mark.parametrize("name", [n for n in sorted(modules()) if room(n) in PURE and n not in ("dicom", "inspection")])
def test_pure_modules_touch_no_files_or_pictures(name: str) -> None:
    for path in modules()[name]:
        _, outside = imports(path)
        assert not outside & NOT_PURE, f"{path.name} imports {sorted(outside & NOT_PURE)}"


def test_phantoms_and_measuring_share_nothing() -> None:
    for path in PHANTOMS.rglob("*.py"):
        assert not imports_package(path, "mineralize")
    for paths in modules().values():
        for path in paths:
            assert not imports_package(path, "phantoms")


def imports_package(path: Path, package: str) -> bool:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import) and any(a.name.split(".")[0] == package for a in node.names):
            return True
        if isinstance(node, ast.ImportFrom) and node.level == 0 and str(node.module).split(".")[0] == package:
            return True
    return False


def test_the_check_sees_imports_inside_functions(tmp_path: Path) -> None:
    path = tmp_path / "planted.py"
    path.write_text("def f():\n    from mineralize import cli\n    import phantoms.build\n", encoding="utf-8")
    own, outside = imports(path)
    assert own == {"cli"}
    assert outside == {"phantoms"}
    assert imports_package(path, "phantoms")
