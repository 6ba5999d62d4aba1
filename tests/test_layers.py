"""Imports point one way, and whoever breaks that is named."""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

import pytest

import fairpanel

HOME = Path(fairpanel.__file__).parent

#: What each part may import of ours, itself apart. From the drawing of the house: pure computation above, the outside
#: world below, and `jobs` the only place where the two meet.
ALLOWED = {
    "measured": set(),
    "mat": set(),
    "estimate": {"measured"},
    "picture": {"mat"},
    "methods": {"measured", "mat", "picture", "estimate"},
    "findings": {"measured", "methods"},
    "plan": {"methods"},
    "publication": {"measured", "methods", "findings"},
    "files": {"mat", "picture", "methods"},
    "storage": {"measured", "methods"},
    "rehearsal": {"mat"},
    "jobs": {"measured", "mat", "picture", "estimate", "methods", "findings", "plan", "publication", "files", "storage",
             "rehearsal"},
    "web": {"measured", "mat", "methods", "findings", "plan", "publication", "files", "storage", "rehearsal", "jobs"},
    "commands": {"measured", "methods", "findings", "publication", "files", "storage", "rehearsal", "jobs", "web"},
}  # fmt: skip

#: The drawing of the mat needs the codes of its greys: a leaf of its part.
LEAVES = {"mat": {"fairpanel.picture.colour"}}

#: Parts that open no file: what reaches outside must not be imported there.
PURE = ("measured", "mat", "estimate", "picture", "findings", "plan", "publication", "methods")
OUTSIDE = {"sqlite3", "sqlalchemy", "alembic", "subprocess", "socket", "urllib", "http", "click", "rich", "shutil",
           "tempfile"}  # fmt: skip

FILES = sorted(p for p in HOME.rglob("*.py"))


def _part(name: str) -> str:
    """The part of the house that a module's dotted name lies in; empty for the package itself."""
    return [*name.split("."), "", ""][1]


@cache
def _imports(path: Path) -> tuple[tuple[int, str], ...]:
    """Every module that a file imports, anywhere in it, with the line; what is only for types counts too."""
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [(node.lineno, a.name) for a in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno} imports relatively; write the whole name"
            found.append((node.lineno, node.module or ""))
            if node.module == "fairpanel":
                found += [(node.lineno, f"fairpanel.{a.name}") for a in node.names if (HOME / a.name).exists()]
    return tuple(found)


def _own_part(path: Path) -> str:
    return path.relative_to(HOME).parts[0].removesuffix(".py")


def test_every_part_has_its_place():
    """A new part must be added to the drawing above."""
    parts = {_own_part(p) for p in FILES} - {"__init__"}
    assert parts == set(ALLOWED)


@pytest.mark.parametrize("part", ALLOWED)
def test_imports_point_one_way(part):
    """No file imports a part that lies below its own."""
    offenders = [
        f"{path.relative_to(HOME)}:{line} imports {name}"
        for path in FILES
        if _own_part(path) == part
        for line, name in _imports(path)
        if name.startswith("fairpanel.")
        and _part(name) not in ALLOWED[part] | {part}
        and name not in LEAVES.get(part, ())
    ]
    assert offenders == []


def test_leaves_stay_leaves():
    """They import nothing of ours but from their own part, else they could carry a part into one above it."""
    for leaf in {leaf for leaves in LEAVES.values() for leaf in leaves}:
        path = HOME.joinpath(*leaf.split(".")[1:]).with_suffix(".py")
        assert {_part(n) for _, n in _imports(path) if n.startswith("fairpanel.")} <= {_part(leaf)}


def test_methods_never_import_each_other():
    """Each lives in its own folder, on what all share."""
    own = {p.name for p in (HOME / "methods").iterdir() if p.is_dir() and not p.name.startswith("_")}
    offenders = [
        f"{path.relative_to(HOME)}:{line} imports {name}"
        for path in FILES
        if _own_part(path) == "methods"
        for line, name in _imports(path)
        if (other := [*name.split("."), "", "", ""][2]) in own
        and name.startswith("fairpanel.methods.")
        and path.relative_to(HOME).parts[1] != other
    ]
    assert offenders == []


def test_reading_never_imports_the_maker_of_pictures():
    """The two share nothing but the mat's geometry."""
    for path in FILES:
        if _own_part(path) in ("picture", "estimate", "methods", "findings", "files", "storage", "publication"):
            assert not any(name.startswith("fairpanel.rehearsal") for _, name in _imports(path)), path
        if _own_part(path) == "rehearsal":
            ours = {_part(name) for _, name in _imports(path) if name.startswith("fairpanel.")}
            assert ours <= {"rehearsal", "mat"}, path


def test_pure_parts_reach_for_nothing_outside():
    """Neither files nor records nor the terminal: no import of what does, no call of open."""
    offenders = []
    for path in FILES:
        if _own_part(path) not in PURE:
            continue
        place = path.relative_to(HOME)
        offenders += [f"{place}:{line} imports {n}" for line, n in _imports(path) if n.split(".")[0] in OUTSIDE]
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "open":
                offenders.append(f"{place}:{node.lineno} opens a file")
    assert offenders == []


def test_commands_and_pages_do_no_arithmetic_on_pictures_or_numbers():
    """They parse, call a job and show: no numerical library is imported there."""
    heavy = {"numpy", "scipy", "cv2", "PIL", "sqlalchemy"}
    for path in FILES:
        if _own_part(path) in ("commands", "web"):
            assert not {n.split(".")[0] for _, n in _imports(path)} & heavy, path
