"""What can go wrong in a way that a person must mend; each message says what, where and how."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["CalibrationError", "ConfigError", "HoldwatchError", "StoreError"]


class HoldwatchError(Exception):
    """Root of the errors that the process reports in one sentence."""


class ConfigError(HoldwatchError):
    """The configuration cannot be used.

    Attributes:
        problems: One sentence for each problem: file, key, what is allowed, how to mend it.
    """

    def __init__(self, problems: Sequence[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = tuple(problems)


class StoreError(HoldwatchError):
    """The database cannot be used."""


class CalibrationError(HoldwatchError):
    """Readings or figures that are no calibration; the message says why and what to do."""
