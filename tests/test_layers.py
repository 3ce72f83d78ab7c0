"""The rule of layers: a room imports only from layers below it, or from its own folder; inside functions too."""

from __future__ import annotations

import ast
from pathlib import Path

PACKAGE = Path(__file__).parent.parent / "safetymodel"

LAYERS: tuple[tuple[str, ...], ...] = (
    ("span", "problems", "names", "files", "outlet"),
    ("spec",),
    ("model",),
    ("explore",),
    ("claims",),
    ("traces",),
    ("faults", "insight", "revisions"),
    ("diagrams", "report", "bench", "drive"),
    ("pipeline", "comparison", "evidence", "commands", "cli", "__init__"),
)
LAYER = {room: number for number, rooms in enumerate(LAYERS) for room in rooms}

ONE_ROOM = {
    "ruamel": "spec/reader",
    "lark": "spec/expressions",
    "oxidd": "explore/decisions",
    "pysat": "explore/clauses",
    "networkx": "explore/product_graph",
    "graphviz": "diagrams/render",
    "graphviz_pure": "diagrams/render",
    "rich": "report/terminal",
    "typer": "commands/",
    "transitions": "bench/twin",
    "pymodbus": "bench/modbus",
    "hypothesis": "bench/fuzz",
    "jinja2": "report/pages",
    "pydantic": "spec/models",
}
"""Each third-party library that is not the language of the trade, and the one room (or folder) that may know it."""


def imports() -> list[tuple[Path, str, int]]:
    """(file, imported module, line) of every import in the package."""
    found = []
    for path in sorted(PACKAGE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                found.extend((path, alias.name, node.lineno) for alias in node.names)
            elif isinstance(node, ast.ImportFrom):
                assert node.level == 0, f"{path}:{node.lineno}: relative import"
                names = [f"{node.module}.{alias.name}" for alias in node.names]
                found.extend((path, name, node.lineno) for name in names)
    return found


def room_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def test_every_room_has_a_layer() -> None:
    rooms = {room_of(path) for path in PACKAGE.rglob("*.py")}
    assert len(rooms) >= 10
    assert rooms <= LAYER.keys()


def test_imports_go_down() -> None:
    looked = 0
    for path, module, line in imports():
        if not module.startswith("safetymodel"):
            continue
        parts = module.split(".")
        mine, theirs = room_of(path), parts[1] if len(parts) > 1 and parts[1] in LAYER else "__init__"
        if mine == theirs:
            continue
        looked += 1
        where = f"{path.relative_to(PACKAGE)}:{line} imports {module}"
        below = LAYER[theirs] < LAYER[mine] or LAYER[mine] == LAYER[theirs] in (0, len(LAYERS) - 1)
        assert below, where
    assert looked > 150, "too few imports to mean anything"


def test_one_room_for_each_library() -> None:
    seen = set()
    for path, module, line in imports():
        library = module.split(".")[0]
        if library in ONE_ROOM:
            room = path.relative_to(PACKAGE).as_posix().removesuffix(".py")
            known = ONE_ROOM[library]
            inside = known.endswith("/") and (room.startswith(known) or room == "cli")
            assert room == known or inside, f"{path.relative_to(PACKAGE)}:{line} imports {library}"
            seen.add(library)
    assert len(seen) >= 8, "too few libraries to mean anything"


def test_rooms_are_not_too_large() -> None:
    sizes = {path: len(path.read_text(encoding="utf-8").splitlines()) for path in PACKAGE.rglob("*.py")}
    assert len(sizes) > 30
    large = {str(path.relative_to(PACKAGE)): size for path, size in sizes.items() if size > 450}
    assert not large
