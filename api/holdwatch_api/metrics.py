"""The service's figures in the Prometheus text format, version 0.0.4."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from holdwatch_daemon.health import Metric

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"


def _label(value: str) -> str:
    return value.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")


def _number(value: float) -> str:
    """Return the shortest text that reads back the same; ``inf`` as the format spells it."""
    if value in {float("inf"), float("-inf")}:
        return "+Inf" if value > 0 else "-Inf"
    return "NaN" if value != value else repr(float(value))  # noqa: PLR0124 - only NaN differs


def exposition(metrics: Iterable[Metric]) -> str:
    """Return all samples, those of one name together under one HELP and TYPE.

    Source of the form: "Exposition formats" in the Prometheus documentation.
    """
    by_name: dict[str, list[Metric]] = {}
    for metric in metrics:
        by_name.setdefault(metric.name, []).append(metric)
    lines: list[str] = []
    for name, samples in by_name.items():
        told = samples[0].help.replace("\\", "\\\\").replace("\n", "\\n")
        lines += [f"# HELP {name} {told}", f"# TYPE {name} {samples[0].kind}"]
        for sample in samples:
            labels = ",".join(f'{key}="{_label(text)}"' for key, text in sample.labels.items())
            lines.append(
                f"{name}{{{labels}}} {_number(sample.value)}"
                if labels
                else f"{name} {_number(sample.value)}"
            )
    return "".join(f"{line}\n" for line in lines)
