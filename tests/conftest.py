"""Fixtures that several rooms' tests share, and the order in which the tests run."""

from __future__ import annotations

from typing import TYPE_CHECKING

from mosquitto_fixture import mosquitto

if TYPE_CHECKING:
    import pytest

__all__ = ["mosquitto"]

LONGEST = "test_story_cli_season.py"
"""Begun last, it would keep one worker busy while the others have nothing left to do."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Run the longest file first, all others in their order."""
    items.sort(key=lambda item: item.path.name != LONGEST)
