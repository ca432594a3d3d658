"""The AsyncAPI document: every MQTT topic with its payload, made from the message models."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from pydantic import TypeAdapter
from pydantic.json_schema import models_json_schema

from holdwatch_daemon.messages import BayState, Command, Event, Live, Reply

if TYPE_CHECKING:
    from holdwatch_daemon.settings import ShopConfig

_SCHEMAS = "#/components/schemas/{model}"


@dataclass(frozen=True, slots=True)
class _Topic:
    """One row of the contract's table of topics."""

    name: str
    address: str
    qos: Literal[0, 1]
    retain: bool
    message: str
    told: str
    send: bool = True


_TOPICS = (
    _Topic("status", "status", 1, True, "Status", "online, or offline by the will"),
    _Topic("events", "events", 1, False, "Event", "every event, sequence without gaps"),
    _Topic("bayEvents", "bay/{bay}/events", 1, False, "Event", "a bay's, baysequence without gaps"),
    _Topic("bayState", "bay/{bay}/state", 1, True, "BayState", "what the bay is doing"),
    _Topic("bayLive", "bay/{bay}/live", 0, False, "Live", "newest values, at most 2 a second"),
    _Topic("bayVerdict", "bay/{bay}/verdict", 1, True, "Event", "the newest verdict"),
    _Topic("bayCommand", "bay/{bay}/command", 1, False, "Command", "commands", send=False),
    _Topic("bayReply", "bay/{bay}/reply", 1, False, "Reply", "answers to commands"),
)


def asyncapi_document(config: ShopConfig, version: str) -> dict[str, Any]:
    """Return the AsyncAPI 3.0 document for this shop's prefix and bays.

    Source of the form: AsyncAPI specification 3.0.0, and its MQTT bindings 0.2.0.
    """
    channels: dict[str, Any] = {}
    operations: dict[str, Any] = {}
    bays = [bay.name for bay in config.bay]
    for topic in _TOPICS:
        channel: dict[str, Any] = {
            "address": f"{config.mqtt_prefix}/{topic.address}",
            "description": topic.told,
            "messages": {topic.message: {"$ref": f"#/components/messages/{topic.message}"}},
        }
        if "{bay}" in topic.address:
            channel["parameters"] = {"bay": {"description": "The bay's name.", "enum": bays}}
        channels[topic.name] = channel
        operations[f"{'send' if topic.send else 'receive'}_{topic.name}"] = {
            "action": "send" if topic.send else "receive",
            "channel": {"$ref": f"#/channels/{topic.name}"},
            "bindings": {"mqtt": {"qos": topic.qos, "retain": topic.retain}},
        }
    return {
        "asyncapi": "3.0.0",
        "info": {"title": "holdwatch over MQTT", "version": version},
        "defaultContentType": "application/json",
        "channels": channels,
        "operations": operations,
        "components": {"schemas": _schemas(), "messages": _messages()},
    }


def _messages() -> dict[str, Any]:
    made: dict[str, Any] = {
        name: {"name": name, "payload": {"$ref": f"#/components/schemas/{name}"}}
        for name in ("Event", "BayState", "Live", "Command", "Reply")
    }
    status = {"type": "string", "enum": ["online", "offline"]}
    made["Status"] = {"name": "Status", "contentType": "text/plain", "payload": status}
    return made


def _schemas() -> dict[str, Any]:
    models = [(model, "serialization") for model in (Event, BayState, Live, Reply)]
    _, sent = models_json_schema(models, ref_template=_SCHEMAS)  # type: ignore[arg-type]  # literals
    command = TypeAdapter(Command).json_schema(ref_template=_SCHEMAS)
    return {**sent["$defs"], **command.pop("$defs"), "Command": command}
