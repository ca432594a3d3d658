"""The examples of docs/probes.md are configurations that load, and ways in that read."""

from __future__ import annotations

import asyncio
import re
import struct
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from adapter_rig import Ear, Terminal, WallClock
from mosquitto_fixture import free_port
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from holdwatch_adapters.bluetooth.adapter import BluetoothAdapter
from holdwatch_adapters.modbus import ModbusAdapter
from holdwatch_adapters.mqtt import MqttAdapter
from holdwatch_adapters.replay import TraceAdapter
from holdwatch_adapters.serial_line import SerialAdapter
from holdwatch_cli.adapters import adapters_for
from holdwatch_daemon.errors import ConfigError
from holdwatch_daemon.settings.load import load_config

if TYPE_CHECKING:
    from mosquitto_fixture import Mosquitto

    from holdwatch_adapters.ports import Adapter
    from holdwatch_daemon.settings.shop import ShopConfig

PAGE = Path(__file__).parents[2] / "docs" / "probes.md"
BLOCKS: list[str] = re.findall(
    r"^```toml\n(.*?)^```$", PAGE.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL
)
KEY = "231d39c1d7cc1ab1aee224cd096db932"


def block_of(name: str) -> str:
    (block,) = [one for one in BLOCKS if f'name = "{name}"' in one]
    return block


def shop_of(block: str, folder: Path) -> ShopConfig:
    path = folder / "shop.toml"
    path.write_text(f'[site]\ndata = "data"\n\n{block}', encoding="utf-8")
    (folder / "clamp-6.key").write_text(f"{KEY}\n")
    return load_config(path)


def made(block: str, folder: Path) -> Adapter:
    (adapter,) = adapters_for(shop_of(block, folder), WallClock())
    return adapter


@pytest.mark.parametrize("block", BLOCKS, ids=range(len(BLOCKS)))
def test_every_example_loads(block: str, tmp_path: Path) -> None:
    shop = shop_of(block, tmp_path)
    assert len(adapters_for(shop, WallClock())) == len(shop.probe)


def test_the_page_shows_every_kind_and_every_table() -> None:
    page = "\n".join(BLOCKS)
    for kind in ("bluetooth", "modbus", "mqtt", "serial", "trace"):
        assert f'kind = "{kind}"' in page
    for profile in ("ess", "gatt", "bthome"):
        assert f'profile = "{profile}"' in page
    for table in ("layout", "point", "topic", "field"):
        assert f"[[probe.{table}]]" in page
    for table in ("modbus", "broker", "serial"):
        assert f"[probe.{table}]" in page


def test_each_example_makes_the_way_in_that_it_names(tmp_path: Path) -> None:
    wanted = {
        "vacuum-1": BluetoothAdapter,
        "gauge-3": BluetoothAdapter,
        "clamp-6": BluetoothAdapter,
        "rack": ModbusAdapter,
        "rack-2": ModbusAdapter,
        "attic": MqttAdapter,
        "bench-vacuum": SerialAdapter,
        "recorded": TraceAdapter,
    }
    for name, kind in wanted.items():
        assert isinstance(made(block_of(name), tmp_path), kind)


async def test_the_modbus_example_reads(tmp_path: Path) -> None:
    port = free_port()
    pressure = list(struct.unpack(">2H", struct.pack(">f", 101.325)))
    registers = SimData(0, values=[*pressure, *[0] * 8, 214], datatype=DataType.REGISTERS)
    server = ModbusTcpServer([SimDevice(1, simdata=[registers])], address=("127.0.0.1", port))
    await server.serve_forever(background=True)
    block = block_of("rack").replace("192.0.2.10", "127.0.0.1").replace("502", str(port))
    try:
        async with Ear(made(block, tmp_path)) as ear:
            await ear.until_more("rack/temperature", 1)
            assert ear.values("rack/pressure")[0][0] == "pressure_absolute"
            assert ear.values("rack/pressure")[0][1] == pytest.approx(101_325.0, abs=0.01)
            assert ear.values("rack/temperature")[0][1] == pytest.approx(294.55)
    finally:
        await server.shutdown()  # type: ignore[no-untyped-call]


async def test_the_mqtt_example_reads(tmp_path: Path, mosquitto: Mosquitto) -> None:
    block = block_of("attic").replace("192.0.2.20", "127.0.0.1")
    block = block.replace("1883", str(mosquitto.port))
    async with Ear(made(block, tmp_path)) as ear:
        while not (ear.values("attic/pressure") and ear.values("attic/temperature")):
            for topic, payload in (
                ("garage/attic/sensor", '{"readings": [{"pressure": 1013.25}]}'),
                ("garage/attic/celsius", "21.5"),
            ):
                await asyncio.to_thread(mosquitto.publish, topic, payload)
        assert ear.values("attic/pressure")[0] == ("pressure_absolute", 101_325.0)
        assert ear.values("attic/temperature")[0] == ("temperature", 294.65)


async def test_the_shops_own_broker_serves_topics_too(tmp_path: Path, mosquitto: Mosquitto) -> None:
    block = re.sub(r"\[probe\.broker\].*?\n\n", "", block_of("attic"), flags=re.DOTALL)
    shops = f'[mqtt]\nhost = "127.0.0.1"\nport = {mosquitto.port}\n\n'
    async with Ear(made(shops + block, tmp_path)) as ear:
        while not ear.values("attic/temperature"):
            await asyncio.to_thread(mosquitto.publish, "garage/attic/celsius", "21.5")
    with pytest.raises(ConfigError, match=r"need \[probe\.broker\] or \[mqtt\]"):
        shop_of(block, tmp_path)


async def test_the_serial_example_reads(tmp_path: Path) -> None:
    terminal = Terminal()
    block = block_of("bench-vacuum").replace("/dev/ttyUSB1", terminal.port)
    try:
        async with Ear(made(block, tmp_path)) as ear, asyncio.timeout(10.0):
            while not ear.values("bench-vacuum/temperature"):
                if b"READ\r" in terminal.received():
                    terminal.send(b"\r\nP=0.5 Torr T=-3.5 C\r\n")
                await asyncio.sleep(0.01)
            assert ear.values("bench-vacuum/pressure")[0][1] == pytest.approx(66.661, abs=0.001)
            assert ear.values("bench-vacuum/temperature")[0][1] == pytest.approx(269.65)
    finally:
        terminal.unplug()


CHANGES = [
    ("gauge-3", 'unit = "kPaa"', 'unit = "kPag"', "unit 'kPag' is gauge"),
    ("gauge-3", 'unit = "kPaa"', 'unit = "kPa"', "write kPag or kPaa"),
    ("gauge-3", 'channel = "temperature"', 'channel = "pressure"', "cannot carry a value in degC"),
    ("gauge-3", 'channel = "pressure"', 'channel = "flow"', "write pressure, temperature, or"),
    ("gauge-3", 'type = "u32"', 'type = "u33"', "write one of u8 u12"),
    ("gauge-3", "6d1f0001", "6d1f001", "36 characters"),
    ("gauge-3", "factor = 0.1 ", "factor = 0.0 ", "`factor` must not be 0"),
    ("gauge-3", "offset = 1", "ofset = 1", "unknown key"),
    ("clamp-6", 'profile = "bthome"', 'profile = "ess"', 'a key goes with profile = "bthome"'),
    ("clamp-6", 'key_file = "clamp-6.key"', 'key = "12"', "32 hexadecimal digits"),
    ("clamp-6", "02:00:00:00:00:06", "12345678-1234-1234-1234-123456789abc", "true address"),
    ("rack", 'host = "192.0.2.10"', "", "give `host`"),
    ("rack", 'type = "f32"', 'type = "u24"', "write one of u16"),
    ("rack", 'kind = "modbus"', 'kind = "mqtt"', '`modbus` goes with kind = "modbus"'),
    ("rack", "[[probe.point]]", "[[probe.piont]]", "unknown key"),
    ("attic", "readings[0].pressure", "readings[].pressure", "is no path"),
    ("attic", "garage/attic/celsius", "garage/+/celsius", "without # and +"),
    ("bench-vacuum", "(?P<p>", "(?P<q>", "each has one [[probe.field]]"),
    ("bench-vacuum", "(?P<p>[0-9.]+)", "(", "is no regular expression"),
    ("bench-vacuum", "baud = 9600", "baud = 1", "greater than or equal to 50"),
    ("recorded", 'file = "yesterday.csv"', "", "needs `file`"),
]


@pytest.mark.parametrize(("name", "old", "new", "words"), CHANGES)
def test_a_mistake_in_an_example_is_one_clear_sentence(
    name: str, old: str, new: str, words: str, tmp_path: Path
) -> None:
    block = block_of(name)
    assert old in block
    with pytest.raises(ConfigError) as refused:
        shop_of(block.replace(old, new), tmp_path)
    assert words in str(refused.value)


def test_a_key_file_that_holds_no_key_is_told(tmp_path: Path) -> None:
    shop = shop_of(block_of("clamp-6"), tmp_path)
    (tmp_path / "clamp-6.key").write_text("secret")
    with pytest.raises(ConfigError, match="holds no key of 32 hex digits"):
        adapters_for(shop, WallClock())
    (tmp_path / "clamp-6.key").unlink()
    with pytest.raises(ConfigError, match="cannot be read"):
        adapters_for(shop, WallClock())


def test_devices_on_one_line_share_one_connection_and_must_agree(tmp_path: Path) -> None:
    one = block_of("rack-2")
    other = one.replace("rack-2", "rack-3").replace("device_id = 7", "device_id = 8")
    (adapter,) = adapters_for(shop_of(one + other, tmp_path), WallClock())
    assert adapter.name == "modbus /dev/ttyUSB0"
    with pytest.raises(ConfigError, match="is used otherwise by probe 'rack-2'"):
        shop_of(one + other.replace("9600", "19200"), tmp_path)


def test_a_role_that_a_declared_probe_cannot_play_is_told(tmp_path: Path) -> None:
    bay = '[[bay]]\nname = "bay-1"\n\n[bay.roles]\n'
    rack = block_of("rack")
    shop_of(rack + bay + 'vacuum = "rack/pressure"\n', tmp_path)
    with pytest.raises(ConfigError, match=r"declares no 'pressure\.2'"):
        shop_of(rack + bay + 'low_side = "rack/pressure.2"\n', tmp_path)
    with pytest.raises(ConfigError, match="needs rack/temperature"):
        shop_of(rack + bay + 'pipe_temperature = "rack/pressure"\n', tmp_path)
    with pytest.raises(ConfigError, match="needs an absolute gauge"):
        shop_of(block_of("rack-2") + bay + 'vacuum = "rack-2/pressure"\n', tmp_path)
