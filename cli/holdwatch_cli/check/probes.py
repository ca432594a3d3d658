"""What the other ways in need: brokers that answer, serial ports, hosts, files with keys."""

from __future__ import annotations

import asyncio
import os
import re
from pathlib import Path
from typing import TYPE_CHECKING

import aiomqtt

from holdwatch_cli.check.finding import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdwatch_daemon.settings.shop import ShopConfig

_PATIENCE_S = 5.0


async def way_findings(shop: ShopConfig) -> list[Finding]:
    """Look at what the configured probes need beside Bluetooth."""
    findings = [await _broker(shop), *await _probe_brokers(shop)]
    findings += [*_serial_ports(shop), *await _hosts(shop)]
    return [*findings, *_keys(shop)]


def _keys(shop: ShopConfig) -> Iterator[Finding]:
    for probe in shop.probe:
        if probe.key_file is None:
            continue
        what = f"key of {probe.name}"
        try:
            is_key = re.fullmatch(r"[0-9A-Fa-f]{32}", _secret(probe.key_file)) is not None
        except OSError as error:
            yield _unreadable(what, error)
            continue
        mend = "" if is_key else "Write the 32 hexadecimal digits of the probe's key, nothing else."
        found = f"{probe.key_file} holds {'a key' if is_key else 'no key'}"
        yield Finding(what, is_key, found, mend)


async def _broker(shop: ShopConfig) -> Finding:
    mqtt = shop.mqtt
    if mqtt is None:
        return Finding("MQTT broker", True, "none configured: an embedded one runs on loopback")
    try:
        password = mqtt.password
        if mqtt.password_file is not None:
            password = _secret(mqtt.password_file)
    except OSError as error:
        return _unreadable("MQTT broker", error)
    ca_file = None if mqtt.ca_file is None else str(mqtt.ca_file)
    return await _answers(
        "MQTT broker", mqtt.host, mqtt.port, mqtt.username, password, ca_file, tls=mqtt.tls
    )


async def _probe_brokers(shop: ShopConfig) -> list[Finding]:
    """Each broker that probes publish to, once."""
    findings: dict[tuple[str, int, str | None], Finding] = {}
    for probe in shop.probe:
        broker = probe.broker
        if broker is None or (broker.host, broker.port, broker.username) in findings:
            continue
        what = f"broker of {probe.name}"
        try:
            password = None if broker.password_file is None else _secret(broker.password_file)
        except OSError as error:
            found = _unreadable(what, error)
        else:
            ca_file = None if broker.ca_file is None else str(broker.ca_file)
            found = await _answers(
                what, broker.host, broker.port, broker.username, password, ca_file, tls=broker.tls
            )
        findings[broker.host, broker.port, broker.username] = found
    return list(findings.values())


async def _answers(
    what: str,
    host: str,
    port: int,
    username: str | None,
    password: str | None,
    ca_file: str | None,
    *,
    tls: bool,
) -> Finding:
    where = f"{host}:{port}"
    try:
        params = aiomqtt.TLSParameters(ca_certs=ca_file) if tls else None
        async with asyncio.timeout(_PATIENCE_S):
            async with aiomqtt.Client(
                host, port, username=username, password=password, tls_params=params
            ):
                return Finding(what, True, f"{where} answers")
    except (aiomqtt.MqttError, OSError, TimeoutError) as error:
        mend = "Start it, or check host, port, user and password under [mqtt]."
        why = str(error) or f"no answer in {_PATIENCE_S:g} s"
        return Finding(what, False, f"{where}: {why}", mend)


def _serial_ports(shop: ShopConfig) -> Iterator[Finding]:
    ports: dict[str, str] = {}
    for probe in shop.probe:
        port = probe.serial.port if probe.serial is not None else None
        if probe.modbus is not None:
            port = probe.modbus.port
        if port is not None and "://" not in port:  # a URL names a port elsewhere
            ports.setdefault(port, probe.name)
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
        if probe.modbus is None or probe.modbus.host is None:
            continue
        host, port = probe.modbus.host, probe.modbus.tcp_port
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


def _secret(path: Path) -> str:
    return path.read_text(encoding="utf-8").strip()


def _unreadable(what: str, error: OSError) -> Finding:
    mend = "Put the file where the configuration says, readable by this user."
    return Finding(what, False, f"{error.filename} cannot be read: {error.strerror}", mend)
