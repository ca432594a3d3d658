"""What the other ways in need: brokers that answer, serial ports, hosts, files with keys."""

from __future__ import annotations

import asyncio
import os
import re
from pathlib import Path
from typing import TYPE_CHECKING

import aiomqtt

from holdwatch_adapters.bluetooth import BluetoothSettings
from holdwatch_adapters.modbus import ModbusSettings, TcpWay
from holdwatch_adapters.mqtt import MqttProbeSettings
from holdwatch_adapters.mqtt_session import connected, first_text
from holdwatch_adapters.settings import SettingsError
from holdwatch_cli.check.finding import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdwatch_adapters.settings import BrokerSettings
    from holdwatch_daemon.settings import ShopConfig

_PATIENCE_S = 5.0
_PLACE_THE_FILE = "Put the file where the configuration says, readable by this user."


async def way_findings(shop: ShopConfig) -> list[Finding]:
    """Look at what the configured probes need beside Bluetooth."""
    findings = [await _broker(shop), *await _probe_brokers(shop)]
    findings += [*_serial_ports(shop), *await _hosts(shop)]
    return [*findings, *_keys(shop)]


def _keys(shop: ShopConfig) -> Iterator[Finding]:
    for probe in shop.probe:
        if not isinstance(probe, BluetoothSettings) or probe.key_file is None:
            continue
        what = f"key of {probe.name}"
        try:
            text = probe.key_file.read_text(encoding="utf-8").strip()
        except OSError as error:
            found = f"{error.filename} cannot be read: {error.strerror}"
            yield Finding(what, False, found, _PLACE_THE_FILE)
            continue
        is_key = re.fullmatch(r"[0-9A-Fa-f]{32}", text) is not None
        mend = "" if is_key else "Write the 32 hexadecimal digits of the probe's key, nothing else."
        found = f"{probe.key_file} holds {'a key' if is_key else 'no key'}"
        yield Finding(what, is_key, found, mend)


async def _broker(shop: ShopConfig) -> Finding:
    if shop.mqtt is None:
        return Finding("MQTT broker", True, "none configured: an embedded one runs on loopback")
    return await _answers("MQTT broker", shop.mqtt)


async def _probe_brokers(shop: ShopConfig) -> list[Finding]:
    """Each broker that probes publish to, once."""
    findings: dict[tuple[str, int, str | None], Finding] = {}
    for probe in shop.probe:
        if not isinstance(probe, MqttProbeSettings) or probe.broker is None:
            continue
        broker = probe.broker
        key = (broker.host, broker.port, broker.username)
        if key not in findings:
            findings[key] = await _answers(f"broker of {probe.name}", broker)
    return list(findings.values())


async def _answers(what: str, settings: BrokerSettings) -> Finding:
    try:
        to = settings.broker("")
    except SettingsError as error:
        return Finding(what, False, str(error).removeprefix(": "), _PLACE_THE_FILE)
    try:
        async with connected(to, patience_s=_PATIENCE_S):
            return Finding(what, True, f"{to} answers")
    except (aiomqtt.MqttError, OSError) as error:
        mend = "Start it, or check host, port, user and password under [mqtt]."
        return Finding(what, False, f"{to}: {first_text(error)}", mend)


def _serial_ports(shop: ShopConfig) -> Iterator[Finding]:
    ports: dict[str, str] = {}
    for probe in shop.probe:
        if probe.line is not None and "://" not in probe.line[0]:  # a URL names a port elsewhere
            ports.setdefault(probe.line[0], probe.name)
    for port, name in ports.items():
        what = f"serial port of {name}"
        if not Path(port).exists():
            mend = "Plug the adapter in; ls /dev/serial/by-id shows names that stay the same."
            yield Finding(what, False, f"{port} is not there", mend)
        elif not os.access(port, os.R_OK | os.W_OK):
            mend = "Let this user use it: usermod -aG dialout USER, then log in again."
            yield Finding(what, False, f"{port} may not be used by this user", mend)
        else:
            yield Finding(what, True, f"{port} may be used")


async def _hosts(shop: ShopConfig) -> list[Finding]:
    findings: dict[tuple[str, int], Finding] = {}
    for probe in shop.probe:
        way = probe.modbus.way if isinstance(probe, ModbusSettings) and probe.modbus else None
        if not isinstance(way, TcpWay):
            continue
        host, port = way.host, way.port
        if (host, port) in findings:
            continue
        what, where = f"Modbus device of {probe.name}", f"{host}:{port}"
        try:
            async with asyncio.timeout(_PATIENCE_S):
                _, writer = await asyncio.open_connection(host, port)
            writer.close()
            findings[host, port] = Finding(what, True, f"{where} accepts connections")
        except (OSError, TimeoutError) as error:
            mend = "Switch it on, check its cable, and `host` and `tcp_port` under [probe.modbus]."
            why = str(error) or f"no answer in {_PATIENCE_S:g} s"
            findings[host, port] = Finding(what, False, f"{where}: {why}", mend)
    return list(findings.values())
