"""What a hold is from its beginning on, and how that stands in the store."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdwatch_daemon.store import rows
from holdwatch_daemon.timestamps import rfc3339

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Mapping

    from holdwatch_procedures.holds import Recipe


@dataclass(frozen=True, slots=True)
class HoldIdentity:
    """What stays the same through a hold.

    Attributes:
        id: The hold's id.
        bay: The bay's name.
        unit: What is under test; None where not said.
        recipe: What it is judged by.
        channels: Channel → role, as bound when it began.
        started_utc_ns: When it began, nanoseconds since 1970 UTC.
    """

    id: str
    bay: str
    unit: str | None
    recipe: Recipe
    channels: Mapping[str, str]
    started_utc_ns: int


def insert_begun(
    connection: sqlite3.Connection,
    identity: HoldIdentity,
    boot: int,
    segment_ns: tuple[int, int],
    *,
    simulated: bool,
    version: str,
) -> None:
    """Write a hold that has begun, its channels and its first segment.

    Args:
        connection: Inside a transaction.
        identity: The hold.
        boot: The number of this machine's start.
        segment_ns: Monotonic time at which its clock reads zero, and from when it counts, ns.
        simulated: Whether its time is simulated.
        version: The software's.
    """
    recipe = identity.recipe
    rows.insert_hold(
        connection,
        {
            "id": identity.id,
            "bay": identity.bay,
            "unit": identity.unit,
            "procedure": recipe.procedure,
            "recipe": recipe.name,
            "recipe_toml": recipe.to_toml(),
            "refrigerant": recipe.refrigerant,
            "started": rfc3339(identity.started_utc_ns),
            "started_utc_ns": identity.started_utc_ns,
            "simulated": int(simulated),
            "version": version,
        },
    )
    for channel, role in identity.channels.items():
        rows.insert_hold_channel(connection, identity.id, role, channel)
    rows.insert_segment(connection, identity.id, boot, *segment_ns)
