"""Registers every kind of probe: one line for each, with its settings and how it is opened."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from pydantic_core import core_schema

from holdwatch_adapters.bluetooth.settings import (
    BluetoothSettings,
    RadioSettings,
    check_bluetooth,
)
from holdwatch_adapters.modbus import ModbusSettings, open_modbus
from holdwatch_adapters.mqtt import MqttProbeSettings, open_mqtt
from holdwatch_adapters.ports import Kind
from holdwatch_adapters.replay import TraceSettings, open_traces
from holdwatch_adapters.serial_line import SerialSettings, open_serial
from holdwatch_adapters.settings import ProbeSettings

if TYPE_CHECKING:
    from pydantic import GetCoreSchemaHandler

    from holdwatch_adapters.ports import Adapter, Surroundings

__all__ = ["KINDS", "OfItsKind"]


def _open_bluetooth(
    probes: Sequence[BluetoothSettings], surroundings: Surroundings
) -> list[Adapter]:
    """Return the one adapter of all Bluetooth probes.

    Raises:
        SettingsError: A file that holds a key cannot be used.
    """
    # A shop without a radio need not wait for bleak.
    from holdwatch_adapters.bluetooth.adapter import BluetoothAdapter  # noqa: PLC0415

    radio = surroundings.table(RadioSettings) or RadioSettings()
    return [
        BluetoothAdapter(
            [probe.enrolled() for probe in probes],
            surroundings.clock,
            hci=radio.adapter,
            passive=radio.scanning == "passive",
            counters=surroundings.counters(),
        )
    ]


KINDS: Final[dict[str, Kind]] = {
    "bluetooth": Kind(BluetoothSettings, _open_bluetooth, check_bluetooth),
    "modbus": Kind(ModbusSettings, open_modbus),
    "mqtt": Kind(MqttProbeSettings, open_mqtt),
    "serial": Kind(SerialSettings, open_serial),
    "trace": Kind(TraceSettings, open_traces),
}
"""Every kind by the word that a probe's ``kind`` says; the first is meant where it says none."""


class OfItsKind:
    """Annotates a field of probes: each is checked by the settings of its own kind.

    The union is built from ``KINDS`` when the model that has the field is built.
    """

    def __get_pydantic_core_schema__(
        self, source: object, handler: GetCoreSchemaHandler
    ) -> core_schema.CoreSchema:
        """Return the union, told apart by ``kind``."""
        choices = {name: handler.generate_schema(kind.settings) for name, kind in KINDS.items()}
        union = core_schema.tagged_union_schema(choices, _kind_of)
        return core_schema.no_info_before_validator_function(_check_keys, union)


def _kind_of(given: Any) -> Any:
    default = next(iter(KINDS))
    kind = given.get("kind", default) if isinstance(given, Mapping) else given.kind
    return kind if isinstance(kind, str) else repr(kind)


def _check_keys(given: Any) -> Any:
    """Refuse a key that belongs to another kind, and say to which; an empty one says nothing."""
    if isinstance(given, ProbeSettings):
        return given
    if not isinstance(given, Mapping):
        raise ValueError("input should be a table: write [[probe]]")  # noqa: TRY004 - pydantic's
    own = KINDS.get(_kind_of(given))
    if own is None:
        return given
    foreign = {
        key: (name, kind.settings.model_fields[key].default)
        for name, kind in KINDS.items()
        for key in kind.settings.model_fields
        if key in given and key not in own.settings.model_fields
    }
    for key, (name, default) in foreign.items():
        is_empty = given[key] is None or (default == () and given[key] in ([], ()))
        if not is_empty:
            message = f'`{key}` goes with kind = "{name}"'
            raise ValueError(message)
    return {key: value for key, value in given.items() if key not in foreign}
