"""The ways in that a configuration asks for, made from its probes."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from holdwatch_adapters.bluetooth.translate import BluetoothProbe
from holdwatch_adapters.layout import Layout, Scale
from holdwatch_adapters.modbus import ModbusAdapter, ModbusProbe, Register, SerialWay, TcpWay
from holdwatch_adapters.mqtt_in import Broker, MqttAdapter, MqttProbe, Topic, parse_path
from holdwatch_adapters.replay import TraceAdapter
from holdwatch_adapters.serial_line import SerialAdapter, SerialProbe
from holdwatch_daemon.errors import ConfigError
from holdwatch_daemon.outlets.destination import destination
from holdwatch_daemon.store.counters import SqliteCounters

if TYPE_CHECKING:
    from pathlib import Path

    from holdwatch_adapters.ports import Adapter, Clock
    from holdwatch_daemon.settings.probes import BrokerConfig, DeclaredConfig, ModbusConfig
    from holdwatch_daemon.settings.shop import MqttConfig, ProbeConfig, ShopConfig


def adapters_for(shop: ShopConfig, clock: Clock) -> list[Adapter]:
    """Return the ways in that the configuration's probes need.

    Raises:
        ConfigError: A file that holds a key or a password cannot be read.
    """
    adapters: list[Adapter] = []
    bluetooth = [_bluetooth(probe) for probe in shop.probe if probe.kind == "bluetooth"]
    if bluetooth:
        # A shop without a radio need not wait for bleak.
        from holdwatch_adapters.bluetooth.adapter import BluetoothAdapter  # noqa: PLC0415

        counters = SqliteCounters(shop.site.data / "counters.db")
        radio = shop.bluetooth
        adapters.append(
            BluetoothAdapter(
                bluetooth,
                clock,
                hci=radio.adapter,
                passive=radio.scanning == "passive",
                counters=counters,
            )
        )
    adapters += _modbus(shop, clock)
    adapters += _mqtt(shop, clock)
    adapters += [
        SerialAdapter(_serial(probe), clock) for probe in shop.probe if probe.kind == "serial"
    ]
    adapters += [
        TraceAdapter(probe.file, clock, probe=probe.name)
        for probe in shop.probe
        if probe.kind == "trace" and probe.file is not None
    ]
    return adapters


def _scale(declared: DeclaredConfig) -> Scale:
    return Scale(declared.channel, declared.unit, declared.factor, declared.add)


def _bluetooth(probe: ProbeConfig) -> BluetoothProbe:
    layouts = tuple(
        Layout(
            one.service,
            one.characteristic,
            _scale(one),
            one.type,
            one.offset,
            one.endian,
            one.unknown,
        )
        for one in probe.layout
    )
    return BluetoothProbe(
        name=probe.name,
        address=probe.address or "",
        profile=probe.profile or "ess",
        pressure_reference="absolute" if probe.pressure_reference == "absolute" else "gauge",
        silence_s=probe.stale_after_s,
        poll_s=probe.interval_s,
        layouts=layouts,
        key=_key(probe),
        mac=probe.mac,
    )


def _key(probe: ProbeConfig) -> bytes | None:
    if probe.key_file is None:
        return None if probe.key is None else bytes.fromhex(probe.key)
    text = _text_of(probe.key_file, f"`probe.{probe.name}.key_file`")
    if not re.fullmatch(r"[0-9A-Fa-f]{32}", text):
        raise ConfigError(
            [f"`probe.{probe.name}.key_file`: {probe.key_file} holds no key of 32 hex digits"]
        )
    return bytes.fromhex(text)


def _text_of(path: Path, where: str) -> str:
    try:
        return path.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError([f"{where}: {path} cannot be read: {error}"]) from error


def _modbus(shop: ShopConfig, clock: Clock) -> list[Adapter]:
    """One adapter for each connection, whatever number of devices share it."""
    shared: dict[TcpWay | SerialWay, list[ModbusProbe]] = {}
    for probe in shop.probe:
        if probe.modbus is None:
            continue
        points = tuple(
            Register(
                one.address, _scale(one), one.type, one.function, one.words, tuple(one.unknown)
            )
            for one in probe.point
        )
        made = ModbusProbe(
            probe.name, points, probe.modbus.device_id, probe.interval_s, probe.stale_after_s
        )
        shared.setdefault(_way(probe.modbus), []).append(made)
    return [ModbusAdapter(way, probes, clock) for way, probes in shared.items()]


def _way(config: ModbusConfig) -> TcpWay | SerialWay:
    if config.host is not None:
        return TcpWay(config.host, config.tcp_port)
    return SerialWay(config.port or "", config.baud, config.parity, config.stop_bits)


def _mqtt(shop: ShopConfig, clock: Clock) -> list[Adapter]:
    """One adapter for each broker."""
    shared: dict[Broker, list[MqttProbe]] = {}
    for probe in shop.probe:
        if probe.kind != "mqtt":
            continue
        topics = tuple(
            Topic(one.topic, _scale(one), None if one.path is None else parse_path(one.path))
            for one in probe.topic
        )
        made = MqttProbe(probe.name, topics, probe.stale_after_s)
        shared.setdefault(_broker(probe, probe.broker, shop.mqtt), []).append(made)
    return [MqttAdapter(broker, probes, clock) for broker, probes in shared.items()]


def _broker(probe: ProbeConfig, own: BrokerConfig | None, shops: MqttConfig | None) -> Broker:
    if own is None:
        assert shops is not None  # noqa: S101 - the configuration's own check
        to = destination(shops, prefix="", client_id="")
        return Broker(to.host, to.port, to.username, to.password, to.tls, to.ca_file)
    password = None
    if own.password_file is not None:
        password = _text_of(own.password_file, f"`probe.{probe.name}.broker.password_file`")
    ca_file = None if own.ca_file is None else str(own.ca_file)
    return Broker(own.host, own.port, own.username, password, own.tls, ca_file)


def _serial(probe: ProbeConfig) -> SerialProbe:
    line = probe.serial
    assert line is not None  # noqa: S101 - the configuration's own check
    return SerialProbe(
        name=probe.name,
        port=line.port,
        pattern=re.compile(line.pattern, re.ASCII),
        scales={one.group: _scale(one) for one in probe.field},
        baud=line.baud,
        data_bits=line.data_bits,
        parity=line.parity,
        stop_bits=line.stop_bits,
        request=line.request.encode("ascii"),
        poll_s=probe.interval_s,
        silence_s=probe.stale_after_s,
    )
