"""What a command loads: its own options and libraries, and no others."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from holdwatch_cli.main import COMMANDS, main
from holdwatch_simulators.__main__ import main as simulators

if TYPE_CHECKING:
    from pathlib import Path


def test_the_list_names_every_command_with_its_whole_sentence(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with pytest.raises(SystemExit) as left:
        main([])
    assert left.value.code == 0
    text = capsys.readouterr().out
    lines = {line.split()[0]: line for line in text.splitlines() if line.startswith("  ")}
    for name in COMMANDS:
        assert name in lines
        assert lines[name].endswith(".")
        assert "..." not in lines[name]


@pytest.mark.parametrize("word", COMMANDS)
def test_every_command_is_found_and_tells_its_options(
    word: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as left:
        main([word, "--help"])
    assert left.value.code == 0
    assert f"Usage: holdwatch {word}" in capsys.readouterr().out


def test_a_command_loads_no_other() -> None:
    code = (
        "from holdwatch_cli.main import COMMANDS, main\n"
        "try:\n    main(['export', '--help'])\nexcept SystemExit:\n    pass\n"
        "known = {each.module for each in COMMANDS.values()}\n"
        "loaded = {name for name in known if f'holdwatch_cli.{name}' in sys.modules}\n"
        "assert loaded == {'export'}, loaded"
    )
    loaded_by(code)


def test_an_unknown_command_still_gets_a_near_one_named(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main(["judg"])
    assert left.value.code == 3
    assert "'judge'" in capsys.readouterr().err


def test_a_group_without_a_command_lists_its_own(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["vehicle"])
    assert capsys.readouterr().err.startswith("Usage: holdwatch vehicle")


HEAVY = ("CoolProp", "scipy", "numpy", "fastapi", "pydantic", "rich.markdown", "bleak", "aiomqtt")


def loaded_by(code: str) -> set[str]:
    """Return which heavy libraries a fresh interpreter has loaded after some code."""
    program = f"import sys\n{code}\nprint('\\n' + ' '.join(sys.modules), file=sys.stderr)"
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    modules = set(done.stderr.splitlines()[-1].split())
    return {name for name in HEAVY if name in modules}


def test_help_loads_nothing_heavy() -> None:
    code = (
        "from holdwatch_cli.main import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit:\n    pass"
    )
    assert loaded_by(code) == set()


def test_judging_loads_no_equations_of_state(tmp_path: Path) -> None:
    for scenario in ("nitrogen-leak", "vacuum-leak"):
        write_trace(tmp_path, scenario)
    code = (
        "from holdwatch_cli.main import main\n"
        "for name in ('nitrogen-leak', 'vacuum-leak'):\n"
        f"    file = '{tmp_path}/' + name\n"
        "    try:\n        main(['judge', file + '.csv', '--recipe', file + '.toml'])\n"
        "    except SystemExit as left:\n        assert left.code in (0, 1, 2), left\n"
    )
    assert loaded_by(code) <= {"numpy", "pydantic"}


def write_trace(folder: Path, scenario: str) -> None:
    trace, recipe = folder / f"{scenario}.csv", folder / f"{scenario}.toml"
    words = f"trace --scenario {scenario} --minutes 12 --out {trace} --recipe-out {recipe}"
    assert simulators(words.split()) == 0


def test_the_first_reading_waits_for_no_library_of_screen_radio_or_physics(tmp_path: Path) -> None:
    write_trace(tmp_path, "nitrogen-tight")
    config = tmp_path / "shop.toml"
    config.write_text(
        f'[site]\nname = "county-library"\ndata = "{tmp_path}"\n'
        f'[[probe]]\nname = "trace"\nkind = "trace"\nfile = "{tmp_path}/nitrogen-tight.csv"\n'
        '[[bay]]\nname = "bay-1"\n[bay.unit_under_test]\nname = "BM-01"\nrefrigerant = "R744"\n'
        "charge_g = 500\nvolume_l = 2.0\n"
    )
    code = f"""
import asyncio
from pathlib import Path
from holdwatch_cli.adapters import adapters_for
from holdwatch_daemon.clock import SystemClock
from holdwatch_daemon.settings.load import load_config
from holdwatch_daemon.service import Service

def readings(service):
    return next(m.value for m in service.metrics() if m.name == "holdwatch_store_readings_total")

async def first_reading():
    shop, clock = load_config(Path("{config}")), SystemClock()
    async with Service(shop, clock, adapters_for(shop, clock)) as service:
        while not readings(service):
            await asyncio.sleep(0.02)

asyncio.run(first_reading())
"""
    loaded = loaded_by(code)
    assert loaded <= {"numpy", "pydantic", "aiomqtt"}
    assert "CoolProp" not in loaded
