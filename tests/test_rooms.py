"""Imports point one way: every room uses only the rooms below it."""

import ast
from pathlib import Path

import pytest

import lightstack

PACKAGE = Path(lightstack.__file__).parent
BASE = {"errors", "records"}
MAY_IMPORT = {
    "errors": set(),
    "records": {"records"},
    "core": {"core"} | BASE,
    "files": {"files", "core"} | BASE,
    "report": {"report", "core"} | BASE,
    "jobs": {"jobs", "core", "files", "report"} | BASE,
    "cli": {"cli", "jobs", "review"} | BASE,
    "review": {"review", "jobs"} | BASE,
    "__init__": set(),
    "__main__": {"cli"},
}
TOUCHES_THE_WORLD = {
    "datetime",
    "io",
    "logging",
    "os",
    "pathlib",
    "shutil",
    "socket",
    "subprocess",
    "tempfile",
    "time",
}
OPENS_FILES = {"open", "read_bytes", "read_text", "write_bytes", "write_text"}
SOURCES = sorted(PACKAGE.rglob("*.py"))


def room_of(path: Path) -> str:
    parts = path.relative_to(PACKAGE).parts
    return parts[0] if len(parts) > 1 else path.stem


def imported_modules(source: str, package: str = "lightstack") -> set[str]:
    """Full names of all modules that a source imports, also inside functions."""
    names = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                base = f"{package}.{base}".rstrip(".")
            names.add(base)
            if base == "lightstack":
                names |= {f"lightstack.{alias.name}" for alias in node.names}
    return names


def used_rooms(source: str) -> set[str]:
    return {name.split(".")[1] for name in imported_modules(source) if name.startswith("lightstack.")}


def test_every_room_is_known():
    assert {room_of(path) for path in SOURCES} <= set(MAY_IMPORT)
    assert {"core", "files", "jobs", "cli", "report"} <= {room_of(path) for path in SOURCES}


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_a_room_imports_only_what_lies_below_it(path):
    allowed = MAY_IMPORT[room_of(path)] | {"__version__"}
    assert used_rooms(path.read_text()) <= allowed


@pytest.mark.parametrize(
    "path", [path for path in SOURCES if room_of(path) in ("core", "report")], ids=lambda path: path.name
)
def test_arithmetic_knows_no_files_and_no_clock(path):
    source = path.read_text()
    tree = ast.parse(source)
    opens_files = OPENS_FILES
    if room_of(path) == "report":
        opens_files = OPENS_FILES - {"read_text", "read_bytes"}  # its own template and font
    else:
        assert not {name.split(".")[0] for name in imported_modules(source)} & TOUCHES_THE_WORLD
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
            assert name not in opens_files, f"line {node.lineno}"


def test_the_check_sees_every_way_to_import():
    # so that a slip cannot hide: plain, from, relative-looking, and inside a function
    assert used_rooms("import lightstack.cli.main") == {"cli"}
    assert used_rooms("from lightstack.jobs import build") == {"jobs"}
    assert used_rooms("from lightstack import files") == {"files"}
    assert used_rooms("def f():\n    from lightstack.files.read.takes import open_take") == {"files"}
    assert used_rooms("import numpy") == set()
