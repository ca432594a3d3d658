"""Figures about the process itself, for a scrape and for people."""

from __future__ import annotations

import shutil
import time
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Literal

from holdwatch_daemon.timestamps import rfc3339

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from holdwatch_daemon.bays.bay import Bay
    from holdwatch_daemon.clock import ServiceClock
    from holdwatch_daemon.health.loop_watch import LoopState
    from holdwatch_daemon.intake.intake import ProbeState
    from holdwatch_daemon.intake.supervisor import AdapterState
    from holdwatch_daemon.outlets.mqtt import Outbox
    from holdwatch_daemon.outlets.webhooks import WebhookState
    from holdwatch_daemon.store.writer import WriterState

_LOW_DISK_BYTES = 200_000_000
"""Below it the disk counts as nearly full: about a month of one bay's readings."""


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


def health_of(
    *,
    adapters: Iterable[AdapterState],
    outbox: Outbox | None,
    webhooks: Iterable[WebhookState],
    writer: WriterState,
    probes: Iterable[ProbeState],
    database: Path,
    clock: ServiceClock,
    loop: LoopState,
    newest_event: int,
    version: str,
) -> dict[str, object]:
    """Return one table for each part, and whether all of them are well."""
    ways_in = [asdict(adapter) for adapter in adapters]
    disk = _disk(database)
    broker = _broker(outbox, newest_event)
    receivers = [asdict(webhook) for webhook in webhooks]
    slow = _slow(writer)
    is_well = (
        all(adapter["state"] != "failed" for adapter in ways_in)
        and broker["state"] == "connected"
        and all(receiver["state"] != "refused" for receiver in receivers)
        and writer.failing is None
        and slow is None
        and not disk["low"]
    )
    return {
        "status": "ok" if is_well else "degraded",
        "version": version,
        "adapters": ways_in,
        "probes": [
            {
                "name": probe.name,
                "connected": probe.connected,
                "readings": probe.readings,
                "battery_percent": probe.battery_percent,
                "rssi_dbm": probe.rssi_dbm,
            }
            for probe in probes
        ],
        "broker": broker,
        "webhooks": receivers,
        "store": {
            "path": str(database),
            "failing": writer.failing,
            "slow": slow,
            "pending_rows": writer.pending_rows,
            "dropped_rows": writer.dropped_rows,
            "newest_event": newest_event,
        },
        "clock": {
            "time": rfc3339(clock.utc_ns()),
            "simulated": clock.simulated,
            "speed": clock.speed,
        },
        "loop": asdict(loop),
        "disk": disk,
    }


def metrics_of(
    *,
    adapters: Iterable[AdapterState],
    outbox: Outbox | None,
    writer: WriterState,
    probes: Iterable[ProbeState],
    bays: Iterable[Bay],
    loop: LoopState,
    newest_event: int,
    waiting_items: int,
) -> list[Metric]:
    """Return every metric of the process."""
    now, pace = time.monotonic(), writer.pace
    metrics = [
        _counter("store_readings_total", "Readings written.", writer.written_rows),
        _counter("store_transactions_total", "Transactions committed.", writer.transactions),
        _gauge("store_pending_readings", "Readings waiting to be written.", writer.pending_rows),
        _counter("store_dropped_total", "Readings that no disk could take.", writer.dropped_rows),
        _gauge("store_failing", "1 while the disk refuses.", float(writer.failing is not None)),
        _gauge("store_slow", "1 while the disk does not keep pace.", float(pace.is_slow(now))),
        _gauge("store_slowest_seconds", "Longest transaction so far.", writer.slowest_s),
        _gauge("store_waited_seconds", "Age of the write under way.", pace.waited_s(now)),
        _counter("store_confirm_seconds_total", "Time until writes held.", pace.confirmed_s),
        _counter("store_slow_total", "Writes that the disk confirmed late.", pace.slow),
        _counter("events_total", "Events numbered.", newest_event),
        _counter("loop_stalls_total", "Times that the event loop stood still.", loop.stalls),
        _gauge("loop_longest_stall_seconds", "Longest of them.", loop.longest_s),
        _gauge("inbox_items", "Readings and notices not yet taken in.", waiting_items),
    ]
    if outbox is not None:
        connected = outbox.status.state == "connected"
        behind = newest_event - outbox.status.confirmed
        metrics += [
            _gauge("mqtt_connected", "1 while the broker is connected.", float(connected)),
            _gauge("mqtt_events_behind", "Events the broker has not confirmed.", behind),
            _counter("mqtt_connects_total", "Connections made.", outbox.status.connects),
        ]
    metrics += [each for adapter in adapters for each in _adapter_metrics(adapter)]
    metrics += [each for probe in probes for each in _probe_metrics(probe)]
    for bay in bays:
        of_bay = {"bay": bay.name}
        holding = float(bay.runner is not None)
        metrics.append(_gauge("hold_running", "1 while a hold runs.", holding, of_bay))
        alarms = len(bay.alarms.standing())
        metrics.append(_gauge("alarms_standing", "Alarms that stand.", alarms, of_bay))
    return metrics


def _adapter_metrics(adapter: AdapterState) -> Iterator[Metric]:
    labels = {"adapter": adapter.name}
    running = float(adapter.state == "running")
    yield _gauge("adapter_running", "1 while the adapter runs.", running, labels)
    yield _counter("adapter_restarts_total", "Starts after a failure.", adapter.restarts, labels)
    yield _counter("adapter_stopped_total", "Items of floods not taken.", adapter.stopped, labels)


def _probe_metrics(probe: ProbeState) -> Iterator[Metric]:
    labels = {"probe": probe.name}
    yield _counter("probe_readings_total", "Readings accepted.", probe.readings, labels)
    yield _counter("probe_malformed_total", "Payloads not understood.", probe.malformed, labels)
    yield _counter("probe_refused_total", "Readings not believed.", probe.refused, labels)
    yield _counter("probe_duplicates_total", "Readings that came twice.", probe.duplicates, labels)
    disorder = probe.out_of_order
    yield _counter("probe_disorder_total", "Readings after a later one.", disorder, labels)
    if probe.battery_percent is not None:
        yield _gauge("probe_battery_percent", "Battery charge.", probe.battery_percent, labels)
    if probe.rssi_dbm is not None:
        yield _gauge("probe_signal_dbm", "Strength of its radio signal.", probe.rssi_dbm, labels)


def _counter(name: str, text: str, value: float, labels: dict[str, str] | None = None) -> Metric:
    return Metric(f"holdwatch_{name}", "counter", text, float(value), labels or {})


def _gauge(name: str, text: str, value: float, labels: dict[str, str] | None = None) -> Metric:
    return Metric(f"holdwatch_{name}", "gauge", text, float(value), labels or {})


def _broker(outbox: Outbox | None, newest_event: int) -> dict[str, object]:
    if outbox is None:
        return {"state": "connecting", "address": None, "error": None, "behind": newest_event}
    return {
        "state": outbox.status.state,
        "address": str(outbox.to.broker),
        "error": outbox.status.error,
        "behind": newest_event - outbox.status.confirmed,
    }


def _slow(writer: WriterState) -> str | None:
    """Return in a sentence that the disk does not keep pace; None where it does."""
    now, pace = time.monotonic(), writer.pace
    if not pace.is_slow(now):
        return None
    waited_s = pace.waited_s(now)
    if pace.stands(now):
        return f"The disk stands still: a write has waited for {waited_s:.0f} s."
    return f"The disk is slow: a write has taken {max(pace.worst_s, waited_s):.1f} s."


def _disk(database: Path) -> dict[str, object]:
    try:
        free = shutil.disk_usage(database.parent).free
        size = database.stat().st_size
    except OSError:
        return {"free_bytes": None, "database_bytes": None, "low": True}
    return {"free_bytes": free, "database_bytes": size, "low": free < _LOW_DISK_BYTES}
