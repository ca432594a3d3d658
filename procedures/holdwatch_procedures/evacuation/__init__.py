"""Evacuation: how a pump-down goes, and the machine that runs one by relays."""

from __future__ import annotations

from holdwatch_procedures.evacuation.interlock import PUMP_OPENS_BELOW_PA, Glimpse, Sight
from holdwatch_procedures.evacuation.machine import Unattended
from holdwatch_procedures.evacuation.orders import (
    BeginHold,
    Ended,
    EndHold,
    Figures,
    Heard,
    HoldEnd,
    Order,
    Outcome,
    RaiseAlarm,
    Relay,
    Step,
    Stepped,
    Switch,
)

__all__ = [
    "PUMP_OPENS_BELOW_PA",
    "BeginHold",
    "EndHold",
    "Ended",
    "Figures",
    "Glimpse",
    "Heard",
    "HoldEnd",
    "Order",
    "Outcome",
    "RaiseAlarm",
    "Relay",
    "Sight",
    "Step",
    "Stepped",
    "Switch",
    "Unattended",
]
