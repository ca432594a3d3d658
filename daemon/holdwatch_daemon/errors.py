"""What can go wrong in a way that a person must mend; each message says what, where and how."""

from __future__ import annotations


class HoldwatchError(Exception):
    """Root of the errors that the process reports in one sentence."""


class ConfigError(HoldwatchError):
    """The configuration cannot be used."""


class StoreError(HoldwatchError):
    """The database cannot be used."""
