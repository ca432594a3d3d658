"""Lists and runs the benchmarks and campaigns: ``python -m benchmarks list``, ``run NAME …``.

Run it from the repository. Every script keeps its own options: ``run NAME --help`` shows them.
"""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from pathlib import Path
from typing import Final

HERE: Final = Path(__file__).resolve().parent
FOLDERS: Final = (HERE, HERE / "verdicts")
SHARED: Final = (*FOLDERS, HERE.parent / "tests" / "rigs")
"""Where scripts find what they share."""


def scripts() -> dict[str, Path]:
    """Return the scripts that can be run, by name."""
    found = (path for folder in FOLDERS for path in sorted(folder.glob("*.py")))
    return {
        path.stem: path
        for path in found
        if path.stem != "__main__" and 'if __name__ == "__main__":' in path.read_text("utf-8")
    }


def summary(path: Path) -> str:
    """Return the first sentence of a script's docstring."""
    told = ast.get_docstring(ast.parse(path.read_text("utf-8"))) or ""
    return " ".join(told.split("\n\n")[0].split())


def main(arguments: list[str]) -> int:
    """List or run; return the exit status."""
    known = scripts()
    match arguments:
        case ["list"]:
            for name, script in known.items():
                print(f"{name:22} {summary(script)}")
            return 0
        case ["run", name, *options] if name in known:
            shared = os.pathsep.join([*map(str, SHARED), os.environ.get("PYTHONPATH", "")])
            command = [sys.executable, str(known[name]), *options]
            environment = os.environ | {"PYTHONPATH": shared}
            return subprocess.run(command, env=environment, check=False).returncode
        case ["run", name, *_]:
            print(f"no benchmark {name!r}: `python -m benchmarks list` names them", file=sys.stderr)
            return 2
        case _:
            print("usage: python -m benchmarks list | run NAME [OPTIONS]", file=sys.stderr)
            return 2


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
