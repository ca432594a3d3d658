"""Figures about the process itself, for a scrape and for people."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal


@dataclass(frozen=True, slots=True)
class Metric:
    """One sample of a counter or gauge.

    Attributes:
        name: Name with the ``holdwatch_`` prefix and its unit, as Prometheus has it.
        kind: ``counter`` only grows; ``gauge`` goes both ways.
        help: One sentence.
        value: The value now.
        labels: Label names and values.
    """

    name: str
    kind: Literal["counter", "gauge"]
    help: str
    value: float
    labels: dict[str, str] = field(default_factory=dict)
