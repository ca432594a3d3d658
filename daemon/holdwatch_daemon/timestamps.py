"""Instants as people and CloudEvents write them: RFC 3339 UTC from nanoseconds."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

__all__ = ["rfc3339"]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def rfc3339(utc_ns: int) -> str:
    """Return nanoseconds since 1970 UTC as RFC 3339 with milliseconds, rounded down.

    >>> rfc3339(1_700_000_000_123_999_999)
    '2023-11-14T22:13:20.123Z'
    """
    moment = _EPOCH + timedelta(milliseconds=utc_ns // 1_000_000)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")
