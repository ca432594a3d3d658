"""Builds what a bay shows: its state (a sentence first, then its hold) and its newest values."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdwatch_daemon.bays.progress import progress_of
from holdwatch_daemon.messages import (
    BayState,
    Difference,
    HoldProgress,
    Live,
    LiveValue,
    Saturation,
    Shown,
)
from holdwatch_daemon.timestamps import rfc3339
from holdwatch_physics.fluids import FluidError
from holdwatch_physics.reading import SI_UNIT, Quality, Quantity, Role, role_of
from holdwatch_physics.refrigeration import subcooling_k, superheat_k
from holdwatch_physics.units import absolute_pa, gauge_pa, parse_unit, show
from holdwatch_procedures.wording import Say, in_units, render

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdwatch_daemon.bays.bay import Bay
    from holdwatch_daemon.settings.shop import ShowConfig
    from holdwatch_physics.fluids import Fluids
    from holdwatch_physics.reading import Reading
    from holdwatch_procedures.wording import Units

_RUNNING_PA = 20_000.0
"""Pressure above the room's from which a unit counts as holding refrigerant, Pa."""


def bay_state(
    bay: Bay,
    units: Units,
    *,
    now_mono_ns: int,
    now_utc_ns: int,
    stale_allowance_ns: int,
    simulated: bool,
) -> BayState:
    """Return the state message of a bay, its sentences in the given units."""
    hold: HoldProgress | None
    if bay.runner is not None:
        hold = progress_of(bay.runner)
        doing, sentence, told = "hold", hold.sentence, hold.said["sentence"]
    elif bay.last is not None:
        hold = bay.last.progress
        doing, sentence = "verdict", bay.last.verdict_sentence
        told = hold.said.get("verdict_sentence")
    else:
        idle, hold = _idle(bay, now_mono_ns, stale_allowance_ns), None
        doing, sentence, told = "idle", render(idle), idle.to_dict()
    evacuation = None if bay.relays is None else bay.relays.message()
    if (
        bay.relays is not None
        and bay.relays.tells
        and evacuation is not None
        and bay.runner is None
    ):
        sentence, told = evacuation.sentence, evacuation.said.get("sentence")
    state = {
        "bay": bay.name,
        "label": bay.label,
        "unit": bay.unit,
        "refrigerant": bay.refrigerant,
        "doing": doing,
        "sentence": sentence,
        "hold": None if hold is None else hold.model_dump(),
        "last_verdict_id": None if bay.last is None else bay.last.id,
        "alarms": [alarm.model_dump() for alarm in bay.alarms.standing()],
        "simulated": simulated,
        "time": rfc3339(now_utc_ns),
        "evacuation": None if evacuation is None else evacuation.model_dump(),
        "said": {} if told is None else {"sentence": told},
    }
    return BayState.model_validate(in_units(state, units))


def _idle(bay: Bay, now_mono_ns: int, stale_allowance_ns: int) -> Say:
    stale = bay.stale_roles(now_mono_ns, stale_allowance_ns)
    if not bay.roles:
        return Say("bay.no_probe")
    if stale:
        return Say("bay.waits", roles=tuple(Say("role", role=role) for role in stale))
    return Say("bay.ready")


def live_message(
    bay: Bay,
    units: ShowConfig,
    fluids: Fluids | None,
    *,
    now_mono_ns: int,
    now_utc_ns: int,
    stale_allowance_ns: int,
    simulated: bool,
) -> Live:
    """Return a bay's live message.

    Saturation and what follows from it are left out while the fluid properties are not loaded
    (``fluids`` is None), while a hold runs, and while the unit is not known to hold refrigerant.

    Args:
        bay: The bay.
        units: The units that people read.
        fluids: Fluid properties, once they are loaded.
        now_mono_ns: Monotonic time now.
        now_utc_ns: Wall-clock time now.
        stale_allowance_ns: Added to each role's age limit.
        simulated: Whether time is simulated.
    """
    stale = bay.stale_roles(now_mono_ns, stale_allowance_ns)
    gauges = bay.select_gauges(now_mono_ns, stale_allowance_ns)
    values = [
        _value(bay, role, reading, units, now_mono_ns, is_stale=role in stale)
        for role, reading in sorted(bay.newest.items())
        if role not in gauges.out_of_range
    ]
    fresh = {
        role: reading
        for role, reading in bay.newest.items()
        if role not in stale and reading.quality is Quality.GOOD
    }
    saturation: list[Saturation] = []
    differences: list[Difference] = []
    if fluids is not None and bay.refrigerant is not None and _holds_refrigerant(bay):
        saturation = list(_saturations(bay, bay.refrigerant, fresh, fluids, units))
        differences = list(_differences(saturation, fresh))
    return Live(
        bay=bay.name,
        time=rfc3339(now_utc_ns),
        simulated=simulated,
        values=values,
        pressure_role=gauges.pressure_role,
        barometer_pa=bay.barometer_pa(),
        saturation=saturation,
        differences=differences,
    )


def _value(
    bay: Bay, role: str, reading: Reading, units: ShowConfig, now_mono_ns: int, *, is_stale: bool
) -> LiveValue:
    beyond = _end_passed(reading, bay.ranges.get(role))
    text = shown(reading, role, units, bay.barometer_pa())
    if beyond is not None:
        side = ">" if beyond > 0.0 else "<"
        end = shown(reading._replace(value=beyond), role, units, bay.barometer_pa())
        text = Shown(text=f"{side} {end.text}", unit=end.unit)
    return LiveValue(
        role=role,
        channel=reading.channel,
        quantity=str(reading.quantity),
        value=reading.value,
        unit=SI_UNIT[reading.quantity],
        shown=text,
        quality=str(Quality.STALE if is_stale else reading.quality),
        age_s=max(now_mono_ns - reading.mono_ns, 0) / 1e9,
        beyond=beyond,
    )


def _end_passed(reading: Reading, span: tuple[float, float] | None) -> float | None:
    """Return the end of the range that a saturated reading stands at; None where it is within."""
    if span is None or reading.quality is not Quality.SATURATED:
        return None
    low, high = span
    return high if reading.value > 0.5 * (low + high) else low


def shown(reading: Reading, role: str, units: ShowConfig, barometer_pa: float) -> Shown:
    """Return a reading as the bay's people read it; gauge and absolute by the room's pressure."""
    if reading.quantity is Quantity.TEMPERATURE:
        text, label = show(reading.value, parse_unit(units.temperature))
        return Shown(text=text, unit=label)
    meant = role_of(role)
    if meant is Role.VACUUM:
        unit = parse_unit(units.vacuum)
    elif meant is Role.BAROMETER:
        unit = parse_unit("kPaa")
    else:
        unit = parse_unit(units.pressure)
    of = gauge_pa if unit.quantity is Quantity.PRESSURE_GAUGE else absolute_pa
    value = of(reading.value, reading.quantity, barometer_pa)
    text, label = show(value, unit)
    return Shown(text=text, unit=label)


def _holds_refrigerant(bay: Bay) -> bool:
    return bay.runner is None and not bay.test_gas


def _saturations(
    bay: Bay, refrigerant: str, fresh: dict[str, Reading], fluids: Fluids, units: ShowConfig
) -> Iterator[Saturation]:
    for role in (Role.LOW_SIDE, Role.HIGH_SIDE):
        reading = fresh.get(role)
        if reading is None:
            continue
        room_pa = bay.barometer_pa()
        pressure_pa = absolute_pa(reading.value, reading.quantity, room_pa)
        if pressure_pa - room_pa < _RUNNING_PA:
            continue
        try:
            bubble_k, dew_k = fluids.saturation_temperature_k(refrigerant, pressure_pa)
        except FluidError:
            continue  # above the critical point there is no saturation to show
        # Vapour returns on the low side, liquid leaves on the high side.
        text, label = show(
            dew_k if role is Role.LOW_SIDE else bubble_k, parse_unit(units.temperature)
        )
        yield Saturation(
            role=role,
            refrigerant=refrigerant,
            bubble_k=bubble_k,
            dew_k=dew_k,
            shown=Shown(text=text, unit=label),
        )


def _differences(saturation: list[Saturation], fresh: dict[str, Reading]) -> Iterator[Difference]:
    """Superheat with the first pipe thermometer, subcooling with the second.

    The first clamp sits on the suction line and the second on the liquid line: so the handbook
    of this project asks for it, since no reading says where its clamp is.
    """
    by_role = {each.role: each for each in saturation}
    suction, liquid = fresh.get("pipe_temperature"), fresh.get("pipe_temperature.2")
    low, high = by_role.get(Role.LOW_SIDE), by_role.get(Role.HIGH_SIDE)
    if low is not None and suction is not None:
        yield _difference("superheat", superheat_k(suction.value, low.dew_k))
    if high is not None and liquid is not None:
        yield _difference("subcooling", subcooling_k(high.bubble_k, liquid.value))


def _difference(kind: str, value_k: float) -> Difference:
    text = f"{value_k + 0.0:.1f}".replace("-", "\N{MINUS SIGN}")
    return Difference.model_validate(
        {"kind": kind, "value_k": value_k, "shown": {"text": text, "unit": "K"}}
    )
