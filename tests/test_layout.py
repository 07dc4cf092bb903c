"""Packages stand in one order, import what stands before them, and use what others declare."""

import ast
import importlib
from pathlib import Path

import pytest

import layermotion

SOURCE = Path(layermotion.__file__).parent
ROOT = SOURCE.parent.parent
GENERATOR = ROOT / "synthetic" / "layermotion_synthetic"
# Modules of their own, which everything may use, the gate that uses of pictures and weights pass,
# and the packages in the order of the flow.
GROUND = ("labels", "errors", "limits", "normal", "places", "ways", "caution", "provenance")
ABOVE_GROUND = ("geometry", "files", "images", "rows", "stored", "extras", "options")
GATE = ("consent",)
FLOW = ("clip", "network", "edges", "tissue", "series", "efforts", "measures", "analysis")
USERS = ("api", "report", "exchange", "session", "serving", "record")
OWNERS = ("agreement", "training", "models", "lab", "review", "live")
ENDS = ("evaluation", "commands", "cli", "weights")
ORDER = (*GROUND, *ABOVE_GROUND, *GATE, *FLOW, *USERS, *OWNERS, *ENDS)
# Who may draw synthetic pictures.
DRAW = {"training", "lab", "evaluation", "commands", "cli"}
PACKAGES = sorted(path.parent.name for path in SOURCE.glob("*/__init__.py"))


def imports_of(path: Path) -> list[str]:
    """Every module that a file imports, at its top or later, with the names taken from it."""
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [name.name for name in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            found += [f"{node.module}.{name.name}" for name in node.names]
    return found


def modules() -> list[Path]:
    """Every module but ``__init__.py`` of the whole, which only points to public names."""
    return sorted(path for path in SOURCE.rglob("*.py") if path != SOURCE / "__init__.py")


def place_of(path: Path) -> str:
    """Name in ``ORDER`` of what a module belongs to."""
    return path.relative_to(SOURCE).parts[0].removesuffix(".py")


def test_everything_has_a_place_in_the_order() -> None:
    assert {place_of(path) for path in modules()} == set(ORDER)


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(SOURCE)))
def test_a_module_imports_only_what_stands_before_it(path: Path) -> None:
    own = place_of(path)
    for name in imports_of(path):
        first, *rest = name.split(".")
        if first == "layermotion_synthetic":
            assert own in DRAW, f"{own} imports {name}"
        if first != "layermotion" or rest[:1] == [] or rest[0] in ("__version__", own):
            continue
        assert ORDER.index(rest[0]) < ORDER.index(own), f"{own} imports {name}"


def test_no_two_modules_of_a_package_import_each_other() -> None:
    graph: dict[str, set[str]] = {}
    for path in modules():
        own = ".".join(("layermotion", *path.relative_to(SOURCE).with_suffix("").parts))
        graph[own] = {
            target
            for name in imports_of(path)
            for target in (name, name.rpartition(".")[0])
            if name.startswith("layermotion.") and target != own
        }
    finished: set[str] = set()

    def visit(name: str, way: tuple[str, ...]) -> None:
        assert name not in way, " imports ".join((*way[way.index(name) :], name))
        if name not in finished:
            for target in sorted(graph.get(name, ())):
                visit(target, (*way, name))
            finished.add(name)

    for name in graph:
        visit(name, ())


def test_the_generator_imports_only_the_base_and_the_types_of_a_clip() -> None:
    allowed = {*GROUND, *ABOVE_GROUND}
    for path in GENERATOR.glob("*.py"):
        for name in imports_of(path):
            first, *rest = name.split(".")
            if first == "layermotion":
                is_type = len(rest) == 2 and rest[0] == "clip" and rest[1][0].isupper()
                assert rest[0] in allowed or is_type, f"{path.name} imports {name}"


@pytest.mark.parametrize("package", PACKAGES)
def test_a_package_says_in_one_line_what_it_owns(package: str) -> None:
    found = importlib.import_module(f"layermotion.{package}")
    assert found.__doc__ and "\n" not in found.__doc__.strip()
    assert isinstance(found.__all__, tuple)


def test_others_use_only_what_a_package_declares() -> None:
    declared = {p: set(importlib.import_module(f"layermotion.{p}").__all__) for p in PACKAGES}
    used: dict[str, set[str]] = {package: set() for package in PACKAGES}
    files = [
        *modules(),
        *GENERATOR.glob("*.py"),
        *(ROOT / "scripts").glob("*.py"),
    ]
    for path in files:
        own = place_of(path) if path.is_relative_to(SOURCE) else ""
        for name in imports_of(path):
            first, *rest = name.split(".")
            if first == "layermotion" and rest and rest[0] in used and rest[0] != own:
                used[rest[0]].add(rest[1])
    api = ast.parse((SOURCE / "__init__.py").read_text(encoding="utf-8"))
    for node in ast.walk(api):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("layermotion."):
            parts = node.module.split(".")[1:]
            if parts[0] in used:
                used[parts[0]].update(parts[1:2] or (name.name for name in node.names))
    assert used == declared
