"""The broker that the outbox publishes to, and how to log in there."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from holdwatch_adapters.settings import SettingsError
from holdwatch_daemon.errors import ConfigError

if TYPE_CHECKING:
    from holdwatch_daemon.settings.shop import MqttConfig


@dataclass(frozen=True, slots=True)
class Destination:
    """Where to publish.

    Attributes:
        host: The broker's name or address.
        port: Its TCP port.
        prefix: The topic before ``/status`` and the others.
        key: What the position is kept under in the store.
        client_id: Stable, so that a broker ends a dead connection of ours when we come back.
        username: None for an anonymous login.
        password: None without one.
        tls: Whether the connection is encrypted and the broker's certificate checked.
        ca_file: Certificates to trust in place of the system's.
    """

    host: str
    port: int
    prefix: str
    key: str
    client_id: str
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: bool = False
    ca_file: str | None = None


def destination(config: MqttConfig, prefix: str, client_id: str) -> Destination:
    """Return the destination of a configured broker, its password read from its file.

    Raises:
        ConfigError: A file it names cannot be read.
    """
    try:
        to = config.broker("[mqtt]")
    except SettingsError as error:
        raise ConfigError([str(error)]) from error
    return Destination(
        host=to.host,
        port=to.port,
        prefix=prefix,
        key=f"{to}/{prefix}",
        client_id=client_id,
        username=to.username,
        password=to.password,
        tls=to.tls,
        ca_file=to.ca_file,
    )
