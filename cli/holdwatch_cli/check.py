"""``holdwatch check``: what is missing on this machine, each with its mend."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import socket
import sqlite3
import sys
import time
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import aiomqtt

from holdwatch_adapters.bluetooth_scan import scan
from holdwatch_adapters.ports import AdapterError
from holdwatch_cli.terminal import say
from holdwatch_daemon.config import ShopConfig
from holdwatch_daemon.config_load import load_config

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

LEAST_FREE_BYTES = 1_000_000_000
EARLIEST = datetime(2025, 1, 1, tzinfo=UTC)
"""A clock before this has never been set."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at.

    Attributes:
        what: What was looked at.
        ok: Whether it is as it must be.
        found: What was found.
        mend: How to mend it; empty where nothing is wrong.
    """

    what: str
    ok: bool
    found: str
    mend: str = ""


def run_check(*, config: Path | None, data: Path | None, as_json: bool) -> int:
    """Look at everything, print it; the exit status is 1 where something needs mending."""
    shop = load_config(config) if config is not None else ShopConfig()
    folder = data if data is not None else shop.site.data
    findings = [*_machine(shop, folder), asyncio.run(_bluetooth()), asyncio.run(_broker(shop))]
    if as_json:
        say(json.dumps([asdict(finding) for finding in findings], ensure_ascii=False))
    else:
        for finding in findings:
            say(f"{'ok  ' if finding.ok else 'MEND'}  {finding.what}: {finding.found}")
            if finding.mend:
                say(f"      {finding.mend}")
    return 0 if all(finding.ok for finding in findings) else 1


def _machine(shop: ShopConfig, folder: Path) -> Iterator[Finding]:
    yield _python()
    yield _clock()
    yield _disk(folder)
    yield _sqlite()
    yield _port(shop.http.host, shop.http.port)
    if sys.platform == "linux":
        yield _dbus()


def _python() -> Finding:
    found = sys.version.split()[0]
    return Finding("Python", sys.version_info >= (3, 11), found)


def _clock() -> Finding:
    now = datetime.fromtimestamp(time.time(), UTC)
    ok = now > EARLIEST
    mend = "" if ok else "Set the clock, or let the network set it: timedatectl set-ntp true"
    return Finding("clock", ok, f"{now:%Y-%m-%d %H:%M} UTC", mend)


def _disk(folder: Path) -> Finding:
    existing = next(path for path in (folder, *folder.absolute().parents) if path.exists())
    free = shutil.disk_usage(existing).free
    if not os.access(existing, os.W_OK):
        mend = f"Let this user write there, or choose another folder with --data: chown {existing}"
        return Finding("data folder", False, f"{existing} is not writable", mend)
    ok = free > LEAST_FREE_BYTES
    mend = "" if ok else "Free some room, or choose another folder with --data."
    return Finding("data folder", ok, f"{existing}, {free / 1e9:.1f} GB free", mend)


def _sqlite() -> Finding:
    ok = sqlite3.sqlite_version_info >= (3, 35)
    mend = "" if ok else "Take a Python that is built with SQLite 3.35 or newer."
    return Finding("SQLite", ok, sqlite3.sqlite_version, mend)


def _port(host: str, port: int) -> Finding:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as error:
            mend = "Stop what uses it, or choose another with --port or `http.port`."
            return Finding("bay screen", False, f"{host}:{port}: {error.strerror}", mend)
    return Finding("bay screen", True, f"{host}:{port} is free")


def _dbus() -> Finding:
    program = shutil.which("dbus-daemon")
    if program is not None:
        return Finding("D-Bus", True, program)
    mend = "Real probes need it: apt-get install dbus. The demo runs without."
    return Finding("D-Bus", False, "no dbus-daemon", mend)


async def _bluetooth() -> Finding:
    try:
        seen = await scan(1.0, read=False)
    except AdapterError as error:
        return Finding("Bluetooth", False, str(error), _bluetooth_mend())
    return Finding("Bluetooth", True, f"a scan of 1 s heard {len(seen)} devices")


def _bluetooth_mend() -> str:
    if sys.platform == "linux":
        return (
            "Plug in an adapter, then: apt-get install bluez; systemctl enable --now bluetooth; "
            "the user must be in group bluetooth. The demo runs without."
        )
    return "Switch Bluetooth on and allow this program to use it. The demo runs without."


async def _broker(shop: ShopConfig) -> Finding:
    mqtt = shop.mqtt
    if mqtt is None:
        return Finding("MQTT broker", True, "none configured: an embedded one runs on loopback")
    password = mqtt.password
    if mqtt.password_file is not None:
        password = mqtt.password_file.read_text(encoding="utf-8").strip()
    where = f"{mqtt.host}:{mqtt.port}"
    try:
        async with asyncio.timeout(5):
            async with aiomqtt.Client(
                mqtt.host,
                mqtt.port,
                username=mqtt.username,
                password=password,
                tls_params=aiomqtt.TLSParameters(
                    ca_certs=str(mqtt.ca_file) if mqtt.ca_file else None
                )
                if mqtt.tls
                else None,
            ):
                return Finding("MQTT broker", True, f"{where} answers")
    except (aiomqtt.MqttError, OSError, TimeoutError) as error:
        mend = "Start it, or check host, port, user and password under [mqtt]."
        return Finding("MQTT broker", False, f"{where}: {error or 'no answer in 5 s'}", mend)
