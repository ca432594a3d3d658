"""Defines what engines and watches take in and give out: blocks, estimates, disturbances."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from holdwatch_procedures.holds.resolution import Resolution
    from holdwatch_procedures.wording import Say


BLOCK_S = 10.0
"""Length of the blocks into which readings are gathered before an engine sees them, s."""
GAIN_EXPONENT = 2.0 / 3.0
"""The visible leak falls about as t^−1.5 under white noise, so that the time grows with the
ratio of leaks to this power."""


class Cause(StrEnum):
    """What was found, in the words of the contract."""

    LEAK = "leak"
    MOISTURE = "moisture"
    OUTGASSING = "outgassing"
    STEP = "step"
    SATURATED = "saturated"
    GAP = "gap"
    THERMOMETER = "thermometer"
    TOO_SHORT = "too short"
    OVERPRESSURE = "overpressure"


@dataclass(frozen=True, slots=True)
class Clamp:
    """What one pipe thermometer shows for a block.

    Attributes:
        role: Its role name.
        kelvin: Its mean, or its last reading where it speaks more seldom than once a block, K.
        resolution: What its readings showed of it; None where the last reading was carried on.
    """

    role: str
    kelvin: float
    resolution: Resolution | None


@dataclass(frozen=True, slots=True)
class Block:
    """Ten seconds of a hold, reduced to one value a quantity; None where none was usable.

    Attributes:
        index: Number of the block, counted from the mark (block k covers 10k to 10k+10 s).
        t_s: Middle of the block, seconds from the mark.
        pressure_pa: Absolute pressure of the gas under test, Pa.
        pressure_sd_pa: Scatter (1.4826·MAD) of the readings inside the block, Pa.
        pressure_n: How many usable pressure readings the block holds.
        pipe_k: Mean of the usable pipe thermometers, K.
        coldest_k: Lowest usable temperature channel, K.
        ambient_k: Room temperature, K.
        barometer_pa: Pressure of the room, Pa: measured where there is a barometer channel,
            otherwise the recipe's constant.
        pressure_resolution: What the gauge's own readings showed of it; None where nobody counted.
        clamps: The pipe thermometers one by one; empty where nobody told them apart.
    """

    index: int
    t_s: float
    pressure_pa: float | None
    pressure_sd_pa: float
    pressure_n: int
    pipe_k: float | None
    coldest_k: float | None
    ambient_k: float | None
    barometer_pa: float
    pressure_resolution: Resolution | None = None
    clamps: tuple[Clamp, ...] = ()


@dataclass(frozen=True, slots=True)
class Estimate:
    """What an engine knows after a block; slopes in Pa/s, positive for a leak.

    For gas under pressure the slope is the loss of temperature-normalised pressure, for a
    standing vacuum the steady rise of pressure.

    Attributes:
        t_s: Time of the evaluation, seconds from the mark (end of the newest block).
        slope: Best estimate.
        low: Deciding lower bound, valid at every evaluation.
        high: Deciding upper bound, valid at every evaluation.
        low95: Lower end of the ordinary 95 % interval at this moment.
        high95: Upper end of it.
        smallest_visible: Smallest limit that data like this could have passed by now.
        compensated_pa: Temperature-compensated pressure change since the engine's start
            (decay: negative for a loss; vacuum: the rise), Pa.
        ready: False while the engine may not decide yet (settling, too few blocks).
        causes: What the engine recognises in the data at this evaluation.
        notes: Sentences that belong into a verdict's reasons.
    """

    t_s: float
    slope: float
    low: float
    high: float
    low95: float
    high95: float
    smallest_visible: float
    compensated_pa: float
    ready: bool
    causes: tuple[Cause, ...] = ()
    notes: tuple[Say, ...] = ()

    def time_to_see_s(self, limit: float, *, least_ratio: float = 1.0) -> float:
        """Return after what time a limit will be in sight, s from the mark; ∞ without a forecast.

        Args:
            limit: A leak as a slope, Pa/s.
            least_ratio: The visible leak counts as at least so many limits.
        """
        if not math.isfinite(self.smallest_visible):
            return math.inf
        ratio = max(self.smallest_visible / limit, least_ratio)
        return self.t_s * math.pow(ratio, GAIN_EXPONENT)


class Action(StrEnum):
    """What a hold does about a disturbance."""

    RESTART = "restart"  # judge anew from after the event; what came before may only fail
    VOID = "void"  # the hold can no longer pass; it ends undecided unless already failed
    NOTE = "note"  # told in the reasons; the judging goes on


@dataclass(frozen=True, slots=True)
class Disturbance:
    """Something that disturbs a hold, or must be noted about it, as a watch found it.

    Attributes:
        cause: The word of the contract that it goes under.
        t_s: When it happened (not when it was noticed), seconds from the mark.
        text: One sentence for a person, rendered at the edge.
        action: What the hold does about it.
    """

    cause: Cause
    t_s: float
    text: Say
    action: Action
