"""Every sentence in English: one template a key, with typed placeholders.

A placeholder names its value, what it is, and how Python formats the figure: ``{rise_pa:micron
.3g}``. What a value can be:

- ``micron``, ``Pa``: a pressure in a vacuum, Pa; ``kPa``: a pressure under test gas, Pa. The word
  is the unit in which the sentence is written where nobody asked for another; the digits that it
  shows there are shown in every unit. ``bare`` leaves the unit's name out.
- ``degC``: a temperature, K; ``K``: a difference of temperatures, K.
- ``grams``: a mass in g, rounded for people; ``up`` never rounds down.
- ``duration``: s, as hours and minutes; ``minutes``: s, as a number of minutes.
- ``percent``: a share, as a number of per cent; ``number``: a figure without a unit.
- ``text``: a name; ``role``: a role's name; ``say``: another sentence (``say capital`` begins it
  with a capital letter); ``list and``, ``list comma``, ``list space``: several, joined.
"""

from __future__ import annotations

from typing import Final

TEMPLATES: Final[dict[str, str]] = {
    "as_written": "{text:text}",
    "nothing": "",
    "role": "{role:role}",
    # -- a bay ----------------------------------------------------------------------------------
    "bay.no_probe": "No probe has a role in this bay yet.",
    "bay.waits": "Waiting for readings of {roles:list comma}.",
    "bay.ready": "Ready. No hold is running.",
    # -- alarms ---------------------------------------------------------------------------------
    "alarm.channel": "{role:role} ({channel:text})",
    "alarm.probe_lost": (
        "No reading of {channels:list comma}. Check the probe, its battery and its distance."
    ),
    "alarm.disk_stands_still": (
        "The recorder's disk stands still: a write has waited for {waited_s:number .0f} s. Holds "
        "go on, and readings wait in memory as long as they fit. Look after the disk; exchange one "
        "that does so again."
    ),
    "alarm.disk_refuses": (
        "The recorder cannot write ({error:text}). Make room on its disk, or mend it; holds go on, "
        "and readings wait in memory as long as they fit."
    ),
    "alarm.disk_full": (
        "Only {free_mb:number .0f} MB are free on the recorder's disk: make room. The oldest "
        "readings that no hold cites give way."
    ),
    # -- what was found -------------------------------------------------------------------------
    "cause.leak": "leak",
    "cause.moisture": "moisture",
    "cause.outgassing": "outgassing",
    "cause.step": "step",
    "cause.saturated": "saturated",
    "cause.gap": "gap",
    "cause.thermometer": "thermometer",
    "cause.too short": "too short",
    "cause.overpressure": "overpressure",
    # -- criteria -------------------------------------------------------------------------------
    "criterion.leak_g_per_year": "{limit_g_per_year:number g} g a year",
    "criterion.leak_pa_m3_per_s": "{limit_pa_m3_per_s:number g} Pa·m³/s",
    "criterion.leak_percent_per_year": "{limit_percent:number g} % of the charge a year",
    "criterion.max_change_kpa": "{limit_pa:kPa g} within {within_s:minutes g} min",
    "criterion.max_change_micron": "{limit_pa:micron g} within {within_s:minutes g} min",
    "leak.rate": "{leak_g_per_year:grams} of {refrigerant:text} a year",
    "leak.rate_at_most": "{leak_g_per_year:grams up} of {refrigerant:text} a year",
    "leak.change": "{change_pa:kPa .3g} in {within_s:minutes g} min",
    "leak.just_the_criterion": "just the criterion ({share:percent .0f} % of it)",
    # -- a hold on its way ----------------------------------------------------------------------
    "hold.evacuating": "Evacuating; waiting for the vacuum to be isolated.",
    "hold.waiting": "Waiting for pressure and for the charging valve to be closed.",
    "hold.settling": "Settling: the gas is still finding its temperature after charging.",
    "hold.nothing_visible": "Holding; no leak can be told apart from the noise yet.",
    "hold.visible": (
        "Holding, {held_s:duration}. Leaks above {visible_g_per_year:grams up} of "
        "{refrigerant:text} a year would have shown by now."
    ),
    "hold.isolated_as_said": "Isolated, as said: the rise is being watched.",
    "hold.closed_as_said": "Valve closed, as said: the gas is settling after charging.",
    "hold.charging_ended": "Charging has ended, as seen in the pressure.",
    "hold.pulls_again": "The pump pulls again: what looked like an isolation was a burst of gas.",
    "hold.settled": ("Settled: the heat of charging no longer matters; the leak is being judged."),
    "hold.extended": "The hold may last {longer:text} min longer.",
    "hold.late": (
        "A reading of {channel:text} came more than 2 s late; it is stored but not judged."
    ),
    "hold.late_reading": "A reading came more than 2 s late; it is stored but not judged.",
    "hold.restarted": "{why:say} The judging starts anew from here.",
    # -- what disturbs a hold -------------------------------------------------------------------
    "hold.over_pressure_alarm": (
        "Over-pressure on {role:role}: {pressure_pa:kPa .0f} (gauge), the unit's highest allowed "
        "pressure is {most_pa:kPa g}. Close the bottle, keep clear, relieve slowly."
    ),
    "hold.over_pressure": (
        "The pressure is above the unit's highest allowed {most_pa:kPa g} (gauge): relieve it "
        "slowly through the regulator's vent, eyes protected."
    ),
    "hold.saturated": ("The gauge stands at the end of its range; use one that reaches further."),
    "vacuum.gap": "No pressure came for {missing_s:number .0f} s; what happened meanwhile is not "
    "known.",
    "vacuum.gap_bridged": "No pressure came for {missing_s:number .0f} s; bridged.",
    "vacuum.saturated": "The gauge stands at the end of its range ({top_pa:Pa .4g}).",
    "vacuum.stuck": (
        "The pressure reading has not moved for {still_s:minutes .0f} min: a stuck gauge can't be "
        "told from a tight system; use one with a finer resolution."
    ),
    "vacuum.jumped": (
        "The pressure jumped by about {jump_pa:Pa +.0f} within 20 s: a valve, a hose or the gauge "
        "was touched."
    ),
    "vacuum.fell": (
        "The pressure fell from {before_pa:Pa .4g bare} to {now_pa:Pa .4g}: the pump pulls again, "
        "or water condenses; a fall never earns a pass."
    ),
    "decay.rose_at_once": (
        "The pressure rose by about {jump_pa:kPa .1f} at once, which no leak and no temperature "
        "does: a valve, a hose or the gauge was touched."
    ),
    "decay.fell_at_once": (
        "The pressure fell by about {jump_pa:kPa .1f} at once, which no leak and no temperature "
        "does: a valve, a hose or the gauge was touched."
    ),
    "decay.clamp_fell": (
        "The pipe temperature moved by {moved_k:K +.1f} within a minute and the gas did not "
        "follow: the thermometer is off its pipe and no longer believed. Clamp it on again, under "
        "insulation, and close the valve anew."
    ),
    "decay.gap_bridged": "No pressure was received for {missing_s:number .0f} s.",
    "decay.gap": (
        "No pressure was received for {missing_s:minutes .0f} min, longer than "
        "{longest_s:minutes .0f} min: what happened meanwhile is not known."
    ),
    "decay.gauge_stuck": (
        "The gauge has repeated one value since {still_s:minutes .0f} min: it is stuck, or its "
        "last reading is being repeated. Check its battery and its link."
    ),
    "decay.gauge_rests": (
        "The gauge has not moved since the start, which its coarse resolution allows: nothing is "
        "decided before it moves. A finer gauge decides sooner."
    ),
    "decay.clamp_stuck": (
        "The pipe temperature has repeated one value since {still_s:minutes .0f} min: the "
        "thermometer is stuck and no longer believed. Check its battery and its link, and close "
        "the valve anew."
    ),
    "decay.clamp_rests": (
        "The pipe temperature has repeated one value since {still_s:minutes .0f} min: a steady "
        "shop or a stuck thermometer, which look alike on coarse steps; it is allowed for. Declare "
        "its resolution if that explains it, or use a finer one."
    ),
    # -- what goes with an estimate -------------------------------------------------------------
    "decay.gross_leak": (
        "A gross leak: the pressure fell steadily by more than cooling after charging can explain."
    ),
    "decay.doubt.clamp": (
        "How well the clamp shows the gas's temperature limits this hold: insulate the clamp, or "
        "hold where the temperature is steadier."
    ),
    "decay.doubt.lag": (
        "The gas follows the pipe late while the room drifts: hold longer, or where the "
        "temperature is steadier."
    ),
    "decay.doubt.gauge": (
        "The gauge's own temperature effect limits this hold: declare "
        "tempco_percent_of_span_per_k if it is known to be smaller, or keep the gauge steady."
    ),
    "decay.doubt.barometer": (
        "The room's pressure was not measured and limits this hold: bind a barometer channel."
    ),
    "decay.doubt.coarse gauge": (
        "The gauge's coarse steps limit this hold: a finer gauge sees smaller leaks, or the same "
        "sooner."
    ),
    "decay.doubt.coarse clamp": (
        "The thermometer's coarse steps limit this hold: a finer thermometer sees smaller leaks, "
        "or the same sooner."
    ),
    "decay.doubt.still clamp": (
        "The thermometer showed one value for long, so a drift of the gas by {drift_k:K g} an hour "
        "meanwhile is allowed for: declare its resolution if that explains it, or use a finer one."
    ),
    "decay.doubt.blind": (
        "No pipe thermometer can be believed, so a drift of the gas by {drift_k:K g} an hour is "
        "allowed for: a clamp on the pipe, under insulation, sees leaks many times smaller."
    ),
    "vacuum.slow_release": (
        "Leak, or desorption slower than 40 minutes: pump down and hold again; a leak repeats its "
        "slope."
    ),
    "vacuum.fell_in_part": (
        "The pressure fell in part (a cooling gauge, condensation, or pressure evening out between "
        "hoses and parts): the interval is widened for it."
    ),
    "vacuum.water_drifts": (
        "Water under a drifting wall temperature looks like a leak: dry the system, or hold at a "
        "steady temperature."
    ),
    "vacuum.water_unseen": (
        "Much of the rise levels off like water, and no thermometer shows whether the wall "
        "drifted: a pipe thermometer would narrow the interval."
    ),
    "vacuum.coarse_gauge": (
        "The gauge resolves only {resolution_pa:Pa .3g}: too coarse for a slow rise; in this time "
        "nothing below {least_pa_per_min:Pa .2g}/min can show."
    ),
    "vacuum.repeats": (
        "The leak repeated its slope in successive holds with a pump-down between them, which "
        "desorption does not."
    ),
    "vacuum.faded": (
        "An earlier hold rose faster than a later one allows: what rose then was desorption, which "
        "fades, not a leak."
    ),
    "vacuum.never_evacuated": (
        "There was no vacuum: {start_pa:kPa .1f} absolute after isolation. Is the gauge open to "
        "the room, or the valve to the system closed?"
    ),
    "vacuum.isolated_too_high": (
        "Isolated at {start_pa:micron .0f}, far above the target of {target_pa:micron g bare}: no "
        "pass from there. Pump down to the target and hold again."
    ),
    "vacuum.isolated_above": (
        "Isolated at {start_pa:micron .0f}, above the target of {target_pa:micron g bare}."
    ),
    # -- verdicts and their reasons -------------------------------------------------------------
    "verdict.tight_by_change": "Tight by the criterion: the pressure changes less than "
    "{criterion:say}.",
    "verdict.tight": (
        "Tight: leaks of more than {high_g_per_year:grams up} of {refrigerant:text} a year would "
        "have shown."
    ),
    "verdict.fails_change": "Fails the criterion of {criterion:say}: {causes:list and}.",
    "verdict.leaks": (
        "Leaks: about {leak_g_per_year:grams} of {refrigerant:text} a year (between "
        "{low_g_per_year:grams} and {high_g_per_year:grams}), more than the {criterion:say} "
        "allowed."
    ),
    "verdict.inconclusive": "Inconclusive: {causes:list comma}.",
    "verdict.judging_failed": "Inconclusive: the judging itself failed; hold again.",
    "reason.judging_failed": ("The judging failed ({error:text}); the readings are kept."),
    "reason.judge_again": "Export the hold and judge it again with a newer version.",
    "reason.at": "At {at_s:minutes .1f} min: {what:say}",
    "reason.risen": (
        "The pressure had risen by {rise_pa:micron .3g} (between {low_pa:micron .3g bare} and "
        "{high_pa:micron .3g bare}) {after_s:duration} after isolation; the criterion is "
        "{criterion:say}."
    ),
    "reason.risen_kpa": (
        "The pressure had risen by {rise_pa:kPa .3g} (between {low_pa:kPa .3g bare} and "
        "{high_pa:kPa .3g bare}) {after_s:duration} after isolation; the criterion is "
        "{criterion:say}."
    ),
    "reason.rise_not_measured": (
        "The pressure {after_s:duration} after isolation was not measured; the criterion is "
        "{criterion:say}."
    ),
    "reason.nothing_after_start": "No usable pressure reading came after the start.",
    "reason.nothing": "No usable pressure reading came.",
    "reason.never_isolated": (
        "The vacuum was never isolated at or below {target_pa:micron g}: reach the target, valve "
        "the pump off, or say `isolated`."
    ),
    "reason.never_started": (
        "The clock never started: nobody said that the charging valve was closed (on the screen, "
        "or with the command say_isolated)."
    ),
    "reason.thermometer_lost": (
        "The pipe thermometer has been silent: without it the gas cannot be told from its warmth. "
        "Check its clamp, battery and link, and hold again."
    ),
    "reason.gauge_lost": ("The gauge has been silent: check its battery and link, and hold again."),
    "reason.too_short": (
        "The hold was too short, or too much of its data was missing, for any bound on the leak: "
        "hold for at least {least_s:minutes g} minutes after the start."
    ),
    "reason.straddles": (
        "The leak lies between {low:say} and {high:say}; the criterion of {limit:say} lies between "
        "the two."
    ),
    "reason.dry_and_hold": ("Dry the system (pump longer, warm the cold parts) and hold again."),
    "reason.time_will_not_settle": (
        "Time alone will not settle it: a steadier temperature, or {other:say}, would."
    ),
    "reason.what_would_settle": (
        "What would settle it: a hold of about {more_s:duration} undisturbed, a steadier "
        "temperature, or {other:say}."
    ),
    "reason.finer_gauge": "a finer gauge",
    "reason.higher_pressure": "a higher test pressure within the limit",
    "reason.below": (
        "The leak is below {bound:say}, under the criterion of {limit:say} "
        "({confidence:percent g} % confidence, valid at every look)."
    ),
    "reason.above": (
        "The leak is above {bound:say}, over the criterion of {limit:say} "
        "({confidence:percent g} % confidence, valid at every look)."
    ),
    "reason.sea_level": (
        "Neither a barometer nor an altitude was given: standard pressure at sea level, "
        "101.325 kPa, was taken."
    ),
    "reason.no_thermometer": (
        "No pipe thermometer was read: the temperature of the gas had to be guessed wide. One "
        "clamp on a pipe of the unit narrows the interval several times."
    ),
    "reason.no_barometer": (
        "No barometer was read beside a vented gauge: an allowance for the room's pressure widens "
        "the interval. A barometer channel takes it away."
    ),
    # -- an evacuation as its gauge shows it ----------------------------------------------------
    "pumpdown.target_reached": "The vacuum reached its target of {target_pa:Pa .4g}.",
    "pumpdown.valved_off": "The pressure rises steadily: the pump was valved off.",
    "pumpdown.valved_off_above": (
        "The pressure rises steadily: the pump was valved off above the target of "
        "{target_pa:Pa .4g}."
    ),
    "pumpdown.already_isolated": (
        "The pressure rises from the first reading: the system was already isolated."
    ),
    "pumpdown.pulls_again": (
        "The pressure fell back to where the pump had held it: the pump pulls again."
    ),
    "pumpdown.stalled": (
        "The pump has gained nothing for five minutes and stands at {level_pa:Pa .4g}. {why:say} "
        "Valve the pump off: a steady rise is a leak, one that levels off is moisture, and no rise "
        "means the pump, its oil or a narrow hose."
    ),
    "pumpdown.without_thermometer": (
        "Without a thermometer, moisture, a leak and a tired pump fit alike (water stands between "
        "{cold_water_pa:Pa .4g bare} and {warm_water_pa:Pa .4g} at {cold_k:degC g bare} to "
        "{warm_k:degC g})."
    ),
    "pumpdown.above_water": (
        "That is above the vapour pressure of water at the wall ({water_pa:Pa .4g}): a leak."
    ),
    "pumpdown.near_water": (
        "That is near the vapour pressure of water at the wall ({water_pa:Pa .4g}; boiling cools "
        "it): moisture fits best."
    ),
    "pumpdown.below_water": (
        "Water at the wall would stand near {water_pa:Pa .4g}: a leak or a tired pump fits better "
        "than moisture."
    ),
    # -- an evacuation by valve and pump --------------------------------------------------------
    "sentences": "{told:list space}",
    "relay.valve_open": "valve open",
    "relay.valve_closed": "valve closed",
    "relay.pump_on": "pump on",
    "relay.pump_off": "pump off",
    "relay.valve_says_on": "The valve says that it is open: switch it off by hand first.",
    "relay.pump_says_on": "The pump says that it is running: switch it off by hand first.",
    "relay.valve_not_off": "The valve has not confirmed that it is closed: check its relay.",
    "relay.pump_not_off": "The pump has not confirmed that it is off: check its relay.",
    "interlock.no_vacuum_gauge": (
        "No vacuum gauge is bound, so that nothing would show how the pump-down goes."
    ),
    "interlock.no_pressure_gauge": (
        "No pressure gauge is bound, so that nothing shows whether the unit is empty."
    ),
    "interlock.blind": "No gauge shows the pressure behind the valve.",
    "interlock.not_heard": (
        "The {role:role} gauge has not been heard. Check the probe and its battery."
    ),
    "interlock.silent": (
        "The {role:role} gauge is silent. Check the probe, its battery and its distance."
    ),
    "interlock.doubtful": "The {role:role} gauge cannot be believed now. Check the probe.",
    "interlock.pressure": (
        "There is pressure on the {role:role}: {pressure_pa:kPa .0f} (gauge), more than the "
        "{most_pa:kPa g} at which a pump may be opened. Recover refrigerant, or let nitrogen "
        "off slowly, first."
    ),
    "evacuation.close_at_once": "The valve is not confirmed closed: close it by hand at once.",
    "evacuation.valve_unknown": (
        "The valve has not confirmed since the broker was away that it is closed: look at it."
    ),
    "evacuation.still_moist": (
        "Still moist after {pump_downs:number .0f} pump-downs: warm the cold parts, change "
        "the drier."
    ),
    "evacuation.not_again": "The broker cannot be reached, so that it cannot be pumped down again.",
    "pumpdown.rises": "The pressure rises although the pump should pull.",
    "pumpdown.does_not_pull": "It does not: check pump, hose and valve.",
    "pumpdown.held": "The target was reached and held; the valve is closed.",
    "pumpdown.closed_to_tell": "The valve is closed to tell.",
    "pumpdown.no_vacuum": (
        "The pump-down took too long and reached no vacuum: check pump, hose and valves."
    ),
    "pumpdown.longest": "The longest pump-down is over; the valve is closed to tell.",
    "evacuation.runs": "An evacuation is running; stop it first.",
    "evacuation.broker_away": "The broker that the valve and the pump listen to cannot be reached.",
    "evacuation.in_use": "Valve and pump are in use or being shut: wait until both have confirmed.",
    "evacuation.pump_started": "The pump is started.",
    "evacuation.connection_lost": (
        "The connection to the broker is lost: valve and pump cannot be commanded. Close the "
        "valve by hand."
    ),
    "evacuation.ended_before_hold": "The evacuation had ended before its hold began.",
    "evacuation.hold_begun": "Isolated; the hold has begun.",
    "evacuation.no_hold": "No hold could begin: {why:say}",
    "evacuation.again": "It is pumped down again.",
    "evacuation.valve_not_known_closed": "The valve is not known to be closed.",
    "evacuation.valve_opened": "The pump runs; the valve is opened.",
    "evacuation.pumping_down": "The valve is open; pumping down.",
    "evacuation.says_closed": "The valve says that it is closed; the pressure must show it.",
    "evacuation.pump_is_off": "The pump is off.",
    "evacuation.isolation_seen": (
        "The pressure rises against the running pump: the valve is closed."
    ),
    "evacuation.no_isolation": (
        "The valve said that it closed, but the pressure did not rise while the pump ran: it "
        "may still be open. Without a seen isolation nothing is judged; look at the valve."
    ),
    "evacuation.unconfirmed": (
        "The command for {command:say} was not confirmed within {most_s:number g} s."
    ),
    "evacuation.close_then_stop": "Close the valve by hand, then stop the pump.",
    "evacuation.stop_by_hand": "Stop the pump by hand.",
    "evacuation.nothing_judged": "Nothing is judged behind a valve that may be open; look at it.",
    "evacuation.nobody_commanded": "Nobody here commanded it: {what:say}.",
    "evacuation.ends": "The evacuation ends.",
    "evacuation.hold_goes_on": "The valve is closed, so that the hold goes on.",
    "evacuation.all_shut": "Everything is shut.",
    "evacuation.step.starting_pump": "Starting the pump; waits until its relay confirms.",
    "evacuation.step.opening": "Opening the valve; waits until its relay confirms.",
    "evacuation.step.closing": "Closing the valve; waits until its relay confirms.",
    "evacuation.step.isolating": "The valve is closed; waits until the pressure shows it.",
    "evacuation.step.stopping_pump": "Stopping the pump; waits until its relay confirms.",
    "evacuation.step.starting_hold": "Isolated; the hold begins.",
    "evacuation.step.holding": "Holding the vacuum.",
    "evacuation.step.shutting": "Closing the valve for safety; waits until its relay confirms.",
    "evacuation.step.shutting_pump": (
        "Stopping the pump for safety; waits until its relay confirms."
    ),
    "evacuation.time_2": "second",
    "evacuation.time_3": "third",
    "evacuation.time_4": "fourth",
    "evacuation.time_5": "fifth",
    "evacuation.time_6": "sixth",
    "evacuation.time_7": "seventh",
    "evacuation.time_8": "eighth",
    "evacuation.time_9": "ninth",
    "evacuation.time_10": "tenth",
    "evacuation.nth": " for the {nth:say} time",
    "evacuation.pumping": "Pumping down{again:say}, {lasted_s:duration}.",
    "evacuation.waits_for": "Waits for {target_pa:micron .0f} held {held_s:duration}.",
    "evacuation.at_target": (
        "At {target_pa:micron .0f} or below for {so_far_s:duration} of {held_s:duration}."
    ),
    "evacuation.begun": "The evacuation has begun.",
    "evacuation.started_anew": (
        "The service was started anew; the valve is closed and the pump stopped."
    ),
    "evacuation.service_stopped": "The service was stopped.",
    "evacuation.too_many_readings": (
        "Too many readings came before the hold could begin. Let the probes speak slower."
    ),
    "evacuation.broke": (
        "The evacuation itself broke; valve and pump are shut: check both by hand."
    ),
    "evacuation.recipe_unknown": "its recipe is not known",
}
