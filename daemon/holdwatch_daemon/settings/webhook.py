"""``[[webhook]]``: where chosen events are sent over HTTP, and what signs them."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003 - pydantic reads it at run time
from typing import Annotated, Self
from urllib.parse import urlsplit

from pydantic import Field, model_validator

from holdwatch_daemon.settings.base import Table

_TYPE = r"^[a-z_]+(\.[a-z_]+)*$"


class WebhookConfig(Table):
    """One receiver.

    ``types`` are event types without ``holdwatch.``; ``alarm`` stands for ``alarm.raised`` and
    ``alarm.cleared``, and so for every group.
    """

    url: Annotated[str, Field(min_length=8, max_length=2000)]
    secret_file: Path
    types: tuple[Annotated[str, Field(pattern=_TYPE)], ...] = ("verdict", "alarm")

    @model_validator(mode="after")
    def _url_is_whole(self) -> Self:
        try:
            parts = urlsplit(self.url)
            named = bool(parts.hostname) and parts.port != 0
        except ValueError:
            named = False
            parts = urlsplit("")
        if parts.scheme not in {"http", "https"} or not named:
            message = f"url {self.url!r} is no http:// or https:// address"
            raise ValueError(message)
        if parts.username is not None or parts.password is not None:
            raise ValueError("leave user and password out of `url`: the signature says who sends")
        return self

    def wants(self, event_type: str) -> bool:
        """Whether events of a type are sent there."""
        short = event_type.removeprefix("holdwatch.")
        return any(short == wanted or short.startswith(f"{wanted}.") for wanted in self.types)
