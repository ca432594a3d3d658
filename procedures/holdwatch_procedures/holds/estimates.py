"""What the two engines take in and give out; the hold turns it into verdicts."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from holdwatch_procedures.holds.grain import Grain
    from holdwatch_procedures.wording import Say

BLOCK_S = 10.0
"""Length of the blocks into which readings are gathered before an engine sees them, s."""


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
        grain: What its readings showed of it; None where the last reading was carried on.
    """

    role: str
    kelvin: float
    grain: Grain | None


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
        pressure_grain: What the gauge's own readings showed of it; None where nobody counted.
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
    pressure_grain: Grain | None = None
    clamps: tuple[Clamp, ...] = ()


@dataclass(frozen=True, slots=True)
class Estimate:
    """What an engine knows after a block; slopes in Pa/s, positive for a leak.

    For gas under pressure the slope is the loss of temperature-normalised pressure, for a
    standing vacuum the steady rise of pressure.

    Attributes:
        t_s: Time of the look, seconds from the mark (end of the newest block).
        slope: Best estimate.
        low: Deciding lower bound, valid at every look.
        high: Deciding upper bound, valid at every look.
        low95: Lower end of the ordinary 95 % interval at this moment.
        high95: Upper end of it.
        smallest_visible: Smallest limit that data like this could have passed by now.
        compensated_pa: Temperature-compensated pressure change since the engine's start
            (decay: negative for a loss; vacuum: the rise), Pa.
        ready: False while the engine may not decide yet (settling, too few blocks).
        causes: What the engine recognises in the data at this look.
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
