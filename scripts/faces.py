"""An import-linter contract: across rooms only what a face names in ``__all__`` is imported.

A room is a root package. Its faces are its packages, and the modules that stand directly in it;
each names in ``__all__`` what others may use. Imports for type checking count like all others.
"""

from __future__ import annotations

import ast
from pathlib import Path
from typing import TYPE_CHECKING, Any

from importlinter import Contract, ContractCheck
from importlinter.application import output

if TYPE_CHECKING:
    from collections.abc import Iterator

    import grimp

ROOT = Path(__file__).parents[1]


def file_of(module: str, root: Path = ROOT) -> Path:
    """Return a module's file; each room lies in a folder of its own."""
    room = module.split(".", maxsplit=1)[0]
    inside = Path(*module.split("."))
    for source in (root / room.removeprefix("holdwatch_"), root):
        for path in (source / inside / "__init__.py", source / inside.with_suffix(".py")):
            if path.exists():
                return path
    raise FileNotFoundError(f"no file of the module {module} below {root}")


def public_names(path: Path) -> frozenset[str]:
    """Return what a module names in ``__all__``; nothing where it names none."""
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
            return frozenset(ast.literal_eval(node.value))
    return frozenset()


def is_face(module: str, path: Path) -> bool:
    """Whether a module is a package, or stands directly in its room."""
    return path.name == "__init__.py" or module.count(".") == 1


def breaches(module: str, root: Path = ROOT) -> Iterator[str]:
    """Yield each import of a module that reaches past another room's face."""
    path = file_of(module, root)
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.ImportFrom) or node.module is None or node.level:
            continue
        room = node.module.split(".")[0]
        if not room.startswith("holdwatch_") or room == module.split(".", maxsplit=1)[0]:
            continue
        target = file_of(node.module, root)
        where = f"{module}:{node.lineno} imports"
        if not is_face(node.module, target):
            yield f"{where} {node.module}, which is private to its room"
            continue
        for alias in node.names:
            if alias.name not in public_names(target):
                yield f"{where} {alias.name}, which {node.module} does not name in __all__"


class FacesContract(Contract):
    """Every import across rooms goes to a face and to a name in its ``__all__``."""

    type_name = "faces"

    def check(self, graph: grimp.ImportGraph, verbose: bool) -> ContractCheck:  # noqa: ARG002 - its signature
        """Look at the imports of every module of the graph."""
        found = [breach for module in sorted(graph.modules) for breach in breaches(module)]
        return ContractCheck(kept=not found, metadata={"breaches": found})

    def render_broken_contract(self, check: ContractCheck) -> None:
        """Print the imports that break it."""
        breaches: list[Any] = check.metadata["breaches"]
        for breach in breaches:
            output.print_error(f"- {breach}", bold=False)
