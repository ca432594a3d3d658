"""The house itself: floors, file sizes, and nothing that hides from the checkers."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
ROOMS = ("physics", "procedures", "adapters", "simulators", "daemon", "api", "fleet", "cli")
MOST_LINES = 750


def lint_imports(folder: Path) -> subprocess.CompletedProcess[str]:
    program = Path(sys.executable).with_name("lint-imports")
    command = [str(program), "--config", str(folder / "pyproject.toml"), "--no-cache"]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)


def test_no_import_runs_up_a_floor() -> None:
    done = lint_imports(ROOT)
    assert done.returncode == 0, done.stdout


def test_an_import_that_runs_up_a_floor_is_found(tmp_path: Path) -> None:
    (tmp_path / "pyproject.toml").write_text(
        "[tool.importlinter]\n"
        'root_packages = ["upstairs", "downstairs"]\n'
        "[[tool.importlinter.contracts]]\n"
        'name = "floors"\ntype = "layers"\nlayers = ["upstairs", "downstairs"]\n'
    )
    for package, text in {"upstairs": "", "downstairs": "import upstairs\n"}.items():
        (tmp_path / package).mkdir()
        (tmp_path / package / "__init__.py").write_text(text)
    done = lint_imports(tmp_path)
    assert done.returncode == 1, done.stdout
    assert "downstairs -> upstairs" in done.stdout


def test_every_room_is_typed_and_knows_its_floor() -> None:
    contracts = (ROOT / "pyproject.toml").read_text()
    for room in ROOMS:
        package = f"holdwatch_{room}"
        assert (ROOT / room / package / "py.typed").exists()
        assert f'"{package}"' in contracts


def test_no_file_has_grown_into_two_rooms() -> None:
    long = {
        str(path.relative_to(ROOT)): lines
        for room in (*ROOMS, "tests", "benchmarks")
        for path in (ROOT / room).rglob("*.py")
        if (lines := len(path.read_text().splitlines())) > MOST_LINES
    }
    assert not long
