"""The commands as a user meets them: exit statuses, one-sentence errors, JSON, help."""

from __future__ import annotations

import asyncio
import json
import os
import re
import sqlite3
import subprocess
import sys
import time
import urllib.request
from typing import TYPE_CHECKING, Any

import pytest
from hold_builder import Row, decay_recipe, decay_rows, vacuum_recipe, vacuum_rows
from mosquitto_fixture import free_port
from system_parts import require

from holdwatch_physics.trace_line import TRACE_HEADER, mark_line, trace_line
from holdwatch_simulators import payloads
from holdwatch_simulators.air.bluez import FakeBluez
from holdwatch_simulators.air.bus import PrivateBus
from holdwatch_simulators.garage import scenario
from holdwatch_simulators.live import describe
from holdwatch_simulators.wire import WireUpdate

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

COMMANDS = ("demo", "serve", "scan", "enrol", "judge", "plan", "balance", "export", "check")


def holdwatch(
    *arguments: str, cwd: Path | None = None, environment: dict[str, str] | None = None
) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "holdwatch_cli", *arguments],
        capture_output=True,
        text=True,
        check=False,
        cwd=cwd,
        env=os.environ | (environment or {}),
        timeout=100,
    )


def write_trace(path: Path, rows: Iterable[Row]) -> Path:
    lines = [
        mark_line(row.t_ns, row.word)
        if row.quantity is None
        else trace_line(row.t_ns, row.channel, row.value, row.quantity, row.quality)
        for row in rows
    ]
    path.write_bytes(TRACE_HEADER + b"".join(lines))
    return path


@pytest.fixture
def recipe(tmp_path: Path) -> Path:
    path = tmp_path / "hold.toml"
    path.write_text(vacuum_recipe(limit=5000).to_toml())
    return path


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_with_an_example(command: str) -> None:
    done = holdwatch(command, "--help")
    assert done.returncode == 0
    assert f"Example: holdwatch {command}" in " ".join(done.stdout.split())


@pytest.mark.parametrize(
    ("slope", "status", "outcome"),
    [(0.0, 0, "pass"), (0.2, 1, "fail"), (0.0231, 2, "inconclusive")],
)
def test_judge_leaves_with_the_verdict_as_status(
    tmp_path: Path, recipe: Path, slope: float, status: int, outcome: str
) -> None:
    minutes = 14 if outcome == "inconclusive" else 30
    trace = write_trace(tmp_path / "hold.csv", vacuum_rows(minutes, slope=slope))
    done = holdwatch("judge", str(trace), "--recipe", str(recipe), "--json")
    verdict = json.loads(done.stdout)
    assert (done.returncode, verdict["outcome"]) == (status, outcome)
    assert set(verdict) >= {
        "outcome",
        "causes",
        "reasons",
        "decided_at_s",
        "leak",
        "smallest_visible_g_per_year",
        "pressure_change_pa",
        "criterion",
        "settled_at_s",
        "readings_used",
        "readings_sha256",
        "version",
    }
    assert set(verdict["leak"]) == {"mol_per_s", "pa_m3_per_s", "g_per_year"}


def test_judge_says_its_verdict_in_words_too(tmp_path: Path) -> None:
    trace = write_trace(tmp_path / "hold.csv", decay_rows(60, slope=10.0))
    recipe = tmp_path / "hold.toml"
    recipe.write_text(decay_recipe().to_toml())
    done = holdwatch("judge", str(trace), "--recipe", str(recipe))
    assert done.returncode == 1
    assert done.stdout.startswith("FAIL  Leaks: about ")
    for word in ("g of R-134a a year", "Pa·m³/s", "mol/s", "temperature-compensated"):
        assert word in done.stdout


@pytest.mark.parametrize(
    ("trace", "told"),
    [
        ("time,channel,value,unit\n0,vacuum,40,bar\n", "line 2: "),
        ("time,channel,value,unit\n0,vacuum,forty,Pa\n", "line 2: "),
        ("time,channel,value,unit\n0,vacuum,40,Pa\n9,vacuum,40,Pa\n3,vacuum,40,Pa\n", "line 4: "),
        ("time,channel\n", "line 1: "),
        ("time,channel,value,unit\n0,left,40,Pa\n", "give it a role"),
        ("", "line 1: "),
    ],
)
def test_a_trace_that_cannot_be_used_is_one_message_and_status_3(
    tmp_path: Path, recipe: Path, trace: str, told: str
) -> None:
    path = tmp_path / "hold.csv"
    path.write_text(trace)
    done = holdwatch("judge", str(path), "--recipe", str(recipe), "--json")
    assert done.returncode == 3
    assert done.stdout == ""
    assert told in done.stderr
    assert "Traceback" not in done.stderr
    assert done.stderr.count("\n") == 1


@pytest.mark.parametrize(
    ("recipe", "told"),
    [
        ("procedure = 'pressure-decay'\n", "`volume_l` is missing"),
        ("procedure = \n", "this is not TOML"),
        ("colour = 1\n", "unknown key `colour`"),
    ],
)
def test_a_recipe_that_cannot_be_used_is_one_message_and_status_3(
    tmp_path: Path, recipe: str, told: str
) -> None:
    trace = write_trace(tmp_path / "hold.csv", vacuum_rows(1))
    path = tmp_path / "bad.toml"
    path.write_text(recipe)
    done = holdwatch("judge", str(trace), "--recipe", str(path))
    assert done.returncode == 3
    assert told in done.stderr
    assert str(path) in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    "arguments",
    [
        ("judge", "nowhere.csv", "--recipe", "nowhere.toml"),
        ("judge",),
        ("judge", "--colour"),
        ("export", "1", "--data", "nowhere"),
        ("serve", "--config", "nowhere.toml"),
        ("plan", "--recipe", "nowhere.toml"),
    ],
)
def test_wrong_options_and_missing_files_leave_with_status_3(
    tmp_path: Path, arguments: tuple[str, ...]
) -> None:
    done = holdwatch(*arguments, cwd=tmp_path)
    assert done.returncode == 3
    assert done.stderr.startswith("holdwatch: ")
    assert "Traceback" not in done.stderr


def test_the_simulators_traces_are_judged(tmp_path: Path) -> None:
    trace, recipe = tmp_path / "hold.csv", tmp_path / "hold.toml"
    command = [sys.executable, "-m", "holdwatch_simulators", "trace", "--scenario", "nitrogen-leak"]
    command += ["--seed", "4", "--out", str(trace), "--recipe-out", str(recipe)]
    subprocess.run(command, check=True, capture_output=True)
    done = holdwatch("judge", str(trace), "--recipe", str(recipe), "--json")
    assert done.returncode == 1, done.stderr
    grams = json.loads(done.stdout)["leak"]["g_per_year"]
    # The scenario leaks 20 kg of R-134a a year.
    assert grams["low"] < 20_000 < grams["high"]


def test_plan_says_how_long_and_what_a_time_sees(tmp_path: Path) -> None:
    recipe = tmp_path / "hold.toml"
    recipe.write_text(decay_recipe(limit=2000).to_toml())
    done = holdwatch("plan", "--recipe", str(recipe), "--minutes", "60", "--json")
    assert done.returncode == 0, done.stderr
    made: dict[str, Any] = json.loads(done.stdout)
    assert made["criterion"]["g_per_year"] == pytest.approx(2000)
    assert made["sees_criterion"] is (made["minutes_needed"] <= 60)
    seen = [row["smallest_visible_g_per_year"] for row in made["table"]]
    seen = [grams for grams in seen if grams is not None]
    assert seen == sorted(seen, reverse=True)
    text = holdwatch("plan", "--recipe", str(recipe), "--pressure-kpa-g", "9000")
    assert text.returncode == 3
    assert "highest allowed" in text.stderr


async def test_scan_lists_what_is_in_the_air() -> None:
    require("dbus-daemon", "dbus")
    probes = describe(scenario("demo-bm01"))
    async with PrivateBus() as bus, FakeBluez(bus.address, probes) as air:
        process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            "holdwatch_cli",
            "scan",
            "--seconds",
            "2",
            "--json",
            stdout=subprocess.PIPE,
            env=os.environ | {"DBUS_SYSTEM_BUS_ADDRESS": bus.address},
        )
        listening = asyncio.ensure_future(process.communicate())
        count = 0
        while not listening.done():  # a broadcaster is heard when it has something to say
            count += 1
            payload = payloads.bthome(packet_id=count % 256, t_k=294.0)
            air.update(WireUpdate("BM-01 shop air", None, payload))
            await asyncio.sleep(0.1)
        out, _ = await listening
    seen = {one["name"]: one for one in json.loads(out)}
    assert set(seen) == {probe.name for probe in probes}
    assert seen["BM-01 clamp 1"]["profile"] == "ess"
    assert seen["BM-01 shop air"]["profile"] == "bthome"
    assert seen["BM-01 shop air"]["values"][0]["value_si"] == pytest.approx(294.0, abs=0.01)


def test_check_names_what_is_missing_and_how_to_mend_it(tmp_path: Path) -> None:
    done = holdwatch(
        "check",
        "--json",
        "--data",
        str(tmp_path),
        environment={"DBUS_SYSTEM_BUS_ADDRESS": "unix:path=/nowhere"},
    )
    found = {one["what"]: one for one in json.loads(done.stdout)}
    assert found["data folder"]["ok"]
    assert not found["Bluetooth"]["ok"]
    assert found["Bluetooth"]["mend"]
    assert done.returncode == 1


def test_serve_records_a_trace_probe_and_serves_its_screen(tmp_path: Path) -> None:
    write_trace(tmp_path / "idle.csv", vacuum_rows(5))
    config = tmp_path / "shop.toml"
    port = free_port()
    config.write_text(
        f'[http]\nport = {port}\n[[probe]]\nname = "bench"\nkind = "trace"\nfile = "idle.csv"\n'
        '[[bay]]\nname = "bay-1"\n[bay.roles]\nvacuum = "bench/vacuum"\n'
    )
    command = [sys.executable, "-m", "holdwatch_cli", "serve", "--config", str(config)]
    command += ["--data", str(tmp_path / "data")]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            url = re.search(r"http://\S+", process.stdout.readline())
            assert url is not None
            until = time.monotonic() + 30
            values: list[dict[str, Any]] = []
            while not values and time.monotonic() < until:
                with urllib.request.urlopen(f"{url[0]}api/v1/bays/bay-1/live") as answer:
                    values = json.load(answer)["values"]
                time.sleep(0.1)
            assert values[0]["role"] == "vacuum"
            second = holdwatch("serve", "--config", str(config), "--data", str(tmp_path / "other"))
            assert second.returncode == 3
            assert str(port) in second.stderr
        finally:
            process.terminate()
            assert process.wait(20) == 0
    with sqlite3.connect(tmp_path / "data" / "holdwatch.db") as store:
        assert store.execute("SELECT count(*) FROM readings").fetchone()[0] > 0
    store.close()
