"""Isolation seen in the data: how soon, how exactly, and how often wrongly.

    python -m benchmarks run vacuum_pumpdown --holds 100 --hours 200

Pump-downs end on a base with or without water, are isolated with a leak, moisture or both, and
are read by gauges with noise, lag, rounding and wander, at 4, 1 and 0.1 readings a second.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np

from holdwatch_procedures.holds.vacuum.pumpdown import EvacuationNews, EvacuationWatch

TARGET_PA = 66.7


@dataclass(frozen=True)
class Gauge:
    """A vacuum gauge and its radio."""

    name: str
    share: float = 0.005
    floor_pa: float = 0.3
    resolution_pa: float = 0.133
    lag_s: float = 2.0
    interval_s: float = 1.0
    wander_pa_per_h: float = 0.5

    def read(
        self, time: np.ndarray, true: np.ndarray, rng: np.random.Generator
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return times and shown values of a true curve given every 0.25 s."""
        keep = 1.0 - np.exp(-0.25 / self.lag_s)
        lagged = np.empty_like(true)
        lagged[0] = true[0]
        for k in range(1, true.size):
            lagged[k] = lagged[k - 1] + keep * (true[k] - lagged[k - 1])
        wander = np.cumsum(rng.normal(0, 1, true.size)) * self.wander_pa_per_h / np.sqrt(14400)
        step = round(self.interval_s / 0.25)
        times, level = time[::step], (lagged + wander)[::step]
        shown = level + rng.normal(0, 1, level.size) * np.hypot(self.floor_pa, self.share * level)
        if self.resolution_pa:
            shown = np.round(shown / self.resolution_pa) * self.resolution_pa
        return times, np.maximum(shown, 0.0)


GAUGES = (
    Gauge("1 Hz"),
    Gauge("4 Hz, noisy", share=0.015, floor_pa=1.0, interval_s=0.25),
    Gauge("0.1 Hz", interval_s=10.0),
    Gauge("1 Pa steps, silent", share=0.0, floor_pa=0.0, resolution_pa=1.0),
    Gauge("slow", lag_s=10.0),
)


def pump_down(time: np.ndarray, rng: np.random.Generator, bursts: int) -> np.ndarray:
    """Exponential stages to a base that still falls a little, with bursts of gas."""
    base = rng.uniform(10, 55)
    curve = (
        101325 * np.exp(-time / rng.uniform(15, 40))
        + rng.uniform(100, 1500) * np.exp(-time / rng.uniform(60, 200))
        + base * (1 + 0.3 * np.exp(-time / 1500))
    )
    for _ in range(bursts):
        at, size, tau = rng.uniform(600, time[-1]), rng.uniform(20, 400), rng.uniform(5, 60)
        lasting = rng.uniform(0, 25) if rng.random() < 0.3 else 0.0
        after = time >= at
        curve[after] += size * np.exp(-(time[after] - at) / tau) + lasting
    return np.asarray(curve)


def after_isolation(since: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    slope = np.exp(rng.uniform(np.log(1), np.log(50))) / 60.0
    water = rng.uniform(0, 1500) if rng.random() < 0.5 else 0.0
    return np.asarray(slope * since + water * (1 - np.exp(-since / rng.uniform(120, 900))))


def isolations(gauge: Gauge, holds: int, rng: np.random.Generator) -> None:
    early, missed, errors, delays = 0, 0, [], []
    for _ in range(holds):
        isolated = rng.uniform(900, 1800)
        time = np.arange(0, isolated + 300, 0.25)
        true = pump_down(time, rng, bursts=int(rng.integers(0, 3)))
        after = time >= isolated
        true[after] = true[after][0] + after_isolation(time[after] - isolated, rng)
        watch = EvacuationWatch(TARGET_PA)
        found = None
        for t, p in zip(*gauge.read(time, true, rng), strict=True):
            for event in watch.push(float(t), float(p)):
                if event.kind is EvacuationNews.ISOLATED:
                    found = (float(t), event.t_s)
                elif event.kind is EvacuationNews.RESUMED:
                    found = None
            if found and found[0] < isolated:
                early += 1
                found = None
                break
            if found:
                break
        if found is None:
            missed += 1
            continue
        delays.append(found[0] - isolated)
        errors.append(found[1] - isolated)
    low, middle, high = np.percentile(errors, [5, 50, 95])
    print(
        f"{gauge.name:20s} {holds} isolations: {early} called early, {missed - early} missed in "
        f"5 min; seen after {np.median(delays):.0f} s (90 %: {np.percentile(delays, 90):.0f} s); "
        f"onset off by {low:+.1f} / {middle:+.1f} / {high:+.1f} s (5, 50, 95 %)"
    )


def false_alarms(gauge: Gauge, hours: float, rng: np.random.Generator) -> tuple[int, float]:
    alarms = 0
    done = 0.0
    while done < hours:
        time = np.arange(0, 4 * 3600, 0.25)
        watch = EvacuationWatch(TARGET_PA)
        true = pump_down(time, rng, bursts=2)
        for t, p in zip(*gauge.read(time, true, rng), strict=True):
            alarms += sum(
                event.kind is EvacuationNews.ISOLATED for event in watch.push(float(t), float(p))
            )
        done += 4.0
    print(
        f"{gauge.name:20s} pump on: {alarms} false isolations in {done:.0f} h with 2 bursts in 4 h"
    )
    return alarms, done


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--holds", type=int, default=100)
    parser.add_argument("--hours", type=float, default=100.0)
    parser.add_argument("--seed", type=int, default=20250301)
    given = parser.parse_args()
    for index, gauge in enumerate(GAUGES):
        rng = np.random.default_rng(given.seed + index)
        isolations(gauge, given.holds, rng)
        false_alarms(gauge, given.hours, rng)


if __name__ == "__main__":
    main()
