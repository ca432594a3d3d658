"""When a rise began: the kink of a broken line."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

GRID = 4


def rise_onset_s(times_s: npt.NDArray[np.float64], values_pa: npt.NDArray[np.float64]) -> float:
    """Return when the values began to rise, s.

    Least squares of p = a + b·t + c·max(0, t − t0), c > 0, for every t0 on a grid of a quarter
    of the sampling interval; the last time where none fits.

    Args:
        times_s: Sampling times, s, at least three.
        values_pa: Pressures, Pa.
    """
    step = float(np.median(np.diff(times_s)))
    kinks = np.arange(times_s[0], times_s[-1] - step, step / GRID)
    bends = np.maximum(times_s[:, None] - kinks[None, :], 0.0)
    line, _ = np.linalg.qr(np.column_stack([np.ones_like(times_s), times_s - times_s[0]]))
    left = values_pa - line @ (line.T @ values_pa)
    bends -= line @ (line.T @ bends)
    along = bends.T @ left
    power = np.einsum("ij,ij->j", bends, bends)
    gain = np.where(
        (along > 0.0) & (power > 1e-9 * step**2), along**2 / np.maximum(power, 1e-300), 0
    )
    if not gain.size or float(gain.max()) <= 0.0:
        return float(times_s[-1])
    return float(kinks[int(np.argmax(gain))])
