"""A bay: roles bound to channels, the newest values, alarms, and what is shown live."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(slots=True)
class Bay:
    """A place with roles bound to channels.

    Attributes:
        name: The name in topics and addresses.
        label: The name for people.
        unit: What is under test there, for example ``BM-03``; None where not said.
        refrigerant: The unit's refrigerant; None where not said.
        roles: Role name → channel.
    """

    name: str
    label: str
    unit: str | None
    refrigerant: str | None
    roles: Mapping[str, str] = field(default_factory=dict)
