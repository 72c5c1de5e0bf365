"""What each response is, and how a sentence speaks of it. Procedures pick theirs from here."""

from __future__ import annotations

from generator.reduction.records import ResponseKind

ELECTRICAL_POWER = ResponseKind(
    name="electrical_power",
    label="Electrical power",
    unit="W",
    better="lower",
    more="draws {amount} more electrical power",
    less="draws {amount} less electrical power",
    same="draws the same electrical power",
    explain="Voltage at the controller times current, sample by sample, averaged over the marked window.",
)
THRUST = ResponseKind(
    name="thrust",
    label="Thrust",
    unit="gf",
    better="higher",
    more="gives {amount} more thrust",
    less="gives {amount} less thrust",
    same="gives the same thrust",
    explain="Load cell reading minus its zero at rest, averaged over the marked window.",
)
THRUST_PER_POWER = ResponseKind(
    name="thrust_per_power",
    label="Thrust per watt",
    unit="gf/W",
    better="higher",
    more="gives {amount} more thrust per watt",
    less="gives {amount} less thrust per watt",
    same="gives the same thrust per watt",
    explain="Mean thrust divided by mean electrical power over the same window.",
)
CURRENT = ResponseKind(
    name="current",
    label="Current",
    unit="A",
    better="neither",
    more="draws {amount} more current",
    less="draws {amount} less current",
    same="draws the same current",
    explain="Supply current minus its zero at rest, averaged over the marked window.",
)
VOLTAGE = ResponseKind(
    name="voltage",
    label="Voltage at the controller",
    unit="V",
    better="neither",
    more="has {amount} more voltage at the controller",
    less="has {amount} less voltage at the controller",
    same="has the same voltage at the controller",
    explain="Measured voltage minus current times the wiring resistance, averaged over the marked window.",
)
THROTTLE = ResponseKind(
    name="throttle",
    label="Throttle",
    unit="%",
    better="neither",
    more="needs {amount} more throttle",
    less="needs {amount} less throttle",
    same="needs the same throttle",
    explain="Throttle command between idle and full, averaged over the marked window.",
    relative=False,
)
TORQUE = ResponseKind(
    name="torque",
    label="Torque",
    unit="N·m",
    better="neither",
    more="takes {amount} more torque",
    less="takes {amount} less torque",
    same="takes the same torque",
    explain="Torque reading minus its zero at rest, averaged over the marked window.",
)
SHAFT_POWER = ResponseKind(
    name="shaft_power",
    label="Shaft power",
    unit="W",
    better="neither",
    more="takes {amount} more shaft power",
    less="takes {amount} less shaft power",
    same="takes the same shaft power",
    explain="Mean torque times mean angular speed over the marked window.",
)
SYSTEM_EFFICIENCY = ResponseKind(
    name="system_efficiency",
    label="Motor and controller efficiency",
    unit="%",
    better="higher",
    more="turns {amount} more of its electrical power into shaft power",
    less="turns {amount} less of its electrical power into shaft power",
    same="turns the same part of its electrical power into shaft power",
    explain="Shaft power divided by electrical power; the controller's loss is inside.",
    relative=False,
)
MOTOR_TEMPERATURE_RISE = ResponseKind(
    name="motor_temperature_rise",
    label="Motor temperature above the air",
    unit="K",
    better="lower",
    more="holds its motor {amount} warmer",
    less="holds its motor {amount} cooler",
    same="holds its motor equally warm",
    explain="Motor temperature minus air temperature, averaged over the marked window.",
    relative=False,
)
CONTROLLER_TEMPERATURE_RISE = ResponseKind(
    name="controller_temperature_rise",
    label="Controller temperature above the air",
    unit="K",
    better="lower",
    more="holds its controller {amount} warmer",
    less="holds its controller {amount} cooler",
    same="holds its controller equally warm",
    explain="Controller temperature minus air temperature, averaged over the marked window.",
    relative=False,
)
SOUND_LEVEL = ResponseKind(
    name="sound_level",
    label="Sound level",
    unit="dB",
    better="lower",
    more="is {amount} louder",
    less="is {amount} quieter",
    same="is equally loud",
    explain="Energy mean of the sound level over the marked window, at the rig's own distance.",
    relative=False,
)
VIBRATION = ResponseKind(
    name="vibration",
    label="Vibration",
    unit="m/s²",
    better="lower",
    more="shakes {amount} more",
    less="shakes {amount} less",
    same="shakes the same",
    explain="Vibration reading averaged over the marked window.",
)

RISE_TIME = ResponseKind(
    name="rise_time",
    label="Spin-up time",
    unit="ms",
    better="lower",
    more="spins up {amount} slower",
    less="spins up {amount} faster",
    same="spins up equally fast",
    explain="Time between 10 % and 90 % of the step in speed (IEEE 181), averaged over the cycles of a run.",
)
FALL_TIME = ResponseKind(
    name="fall_time",
    label="Spin-down time",
    unit="ms",
    better="lower",
    more="spins down {amount} slower",
    less="spins down {amount} faster",
    same="spins down equally fast",
    explain="Time between 90 % and 10 % of the step down in speed (IEEE 181), averaged over the cycles of a run.",
)
DELAY_TIME = ResponseKind(
    name="delay_time",
    label="Delay",
    unit="ms",
    better="lower",
    more="answers {amount} later",
    less="answers {amount} sooner",
    same="answers equally soon",
    explain="Time from the throttle edge to half of the step in speed (IEEE 181), averaged over the cycles.",
)
OVERSHOOT = ResponseKind(
    name="overshoot",
    label="Overshoot",
    unit="%",
    better="lower",
    more="overshoots {amount} more",
    less="overshoots {amount} less",
    same="overshoots the same",
    explain="Largest excursion past the new speed, in percent of the step (IEEE 181), averaged over the cycles.",
    relative=False,
)
PEAK_CURRENT = ResponseKind(
    name="peak_current",
    label="Peak current",
    unit="A",
    better="lower",
    more="peaks {amount} higher in current",
    less="peaks {amount} lower in current",
    same="peaks at the same current",
    explain="Highest current sample of each spin-up, averaged over the cycles; a slow sensor shows less.",
)

TEMPERATURE_RISE = ResponseKind(
    name="temperature_rise",
    label="Motor temperature rise",
    unit="K",
    better="lower",
    more="runs {amount} hotter",
    less="runs {amount} cooler",
    same="runs equally hot",
    explain="Motor temperature minus air temperature at the end of the last on period.",
    relative=False,
)
CONTROLLER_SOAK_RISE = ResponseKind(
    name="controller_rise",
    label="Controller temperature rise",
    unit="K",
    better="lower",
    more="heats its controller {amount} more",
    less="heats its controller {amount} less",
    same="heats its controller equally",
    explain="Controller temperature minus air temperature at the end of the last on period.",
    relative=False,
)
SETTLED_RISE = ResponseKind(
    name="settled_rise",
    label="Settled motor temperature rise",
    unit="K",
    better="lower",
    more="would settle {amount} hotter",
    less="would settle {amount} cooler",
    same="would settle equally hot",
    explain="Peak rise above the air if this on and off pattern went on, from the first-order fit.",
    relative=False,
)
TIME_CONSTANT = ResponseKind(
    name="time_constant",
    label="Thermal time constant",
    unit="s",
    better="neither",
    more="has a time constant {amount} longer",
    less="has a time constant {amount} shorter",
    same="has the same time constant",
    explain="Time constant of the first-order fit to the motor temperature over the on and off pattern.",
)
MINUTES_TO_LIMIT = ResponseKind(
    name="minutes_to_limit",
    label="Time to the motor's limit",
    unit="min",
    better="higher",
    more="reaches the limit {amount} later",
    less="reaches the limit {amount} sooner",
    same="reaches the limit at the same time",
    explain="When the fitted curve first reaches the motor's stated limit at this duty.",
)

SPEED = ResponseKind(
    name="speed",
    label="Speed",
    unit="rpm",
    better="neither",
    more="turns {amount} faster",
    less="turns {amount} slower",
    same="turns equally fast",
    explain="Speed read off the staircase curve at the stated condition.",
)
TOP_SPEED = ResponseKind(
    name="top_speed",
    label="Top speed",
    unit="rpm",
    better="neither",
    more="reaches {amount} more top speed",
    less="reaches {amount} less top speed",
    same="reaches the same top speed",
    explain="Mean speed of the highest step of the staircase.",
)
TOP_THRUST = ResponseKind(
    name="top_thrust",
    label="Top thrust",
    unit="gf",
    better="higher",
    more="reaches {amount} more top thrust",
    less="reaches {amount} less top thrust",
    same="reaches the same top thrust",
    explain="Mean thrust of the highest step of the staircase.",
)

INTERNAL_RESISTANCE = ResponseKind(
    name="internal_resistance",
    label="Internal resistance of the pack",
    unit="mΩ",
    better="lower",
    more="has {amount} more internal resistance",
    less="has {amount} less internal resistance",
    same="has the same internal resistance",
    explain="Fall of the voltage at the tap over rise of the current at each change of the load, averaged over them.",
)
DELIVERED_CHARGE = ResponseKind(
    name="delivered_charge",
    label="Charge to the cut-off",
    unit="mAh",
    better="higher",
    more="gives {amount} more charge",
    less="gives {amount} less charge",
    same="gives the same charge",
    explain="Current added up over time from the start of the load to the cut-off voltage.",
)
DELIVERED_ENERGY = ResponseKind(
    name="delivered_energy",
    label="Energy to the cut-off",
    unit="Wh",
    better="higher",
    more="gives {amount} more energy",
    less="gives {amount} less energy",
    same="gives the same energy",
    explain="Voltage at the tap times current, added up over time from the start of the load to the cut-off voltage.",
)
TIME_TO_CUT_OFF = ResponseKind(
    name="time_to_cut_off",
    label="Time to the cut-off",
    unit="s",
    better="higher",
    more="lasts {amount} longer",
    less="lasts {amount} shorter",
    same="lasts equally long",
    explain="From the start of the load until the voltage at the tap has fallen to the cut-off.",
)
SAG = ResponseKind(
    name="sag",
    label="Sag of the pack",
    unit="V",
    better="lower",
    more="sags {amount} more",
    less="sags {amount} less",
    same="sags the same",
    explain="Voltage at rest less the voltage as the load comes on, both with the charge left at that instant.",
)
PACK_TEMPERATURE_RISE = ResponseKind(
    name="pack_temperature_rise",
    label="Temperature rise of the pack",
    unit="K",
    better="lower",
    more="warms its pack {amount} more",
    less="warms its pack {amount} less",
    same="warms its pack equally",
    explain="Pack temperature at the cut-off less that before the load.",
    relative=False,
)
EFFECTIVE_KV = ResponseKind(
    name="effective_kv",
    label="Effective KV",
    unit="rpm/V",
    better="neither",
    more="has {amount} more KV",
    less="has {amount} less KV",
    same="has the same KV",
    explain="Speed over back-EMF without a propeller: voltage on the winding less its small drop, at its temperature.",
)
FREE_RUN_CURRENT = ResponseKind(
    name="free_run_current",
    label="Free-run current",
    unit="A",
    better="lower",
    more="takes {amount} more free-run current",
    less="takes {amount} less free-run current",
    same="takes the same free-run current",
    explain="Without a propeller: electrical power less copper loss, over the back-EMF at this speed. What switching "
    "takes at part throttle is in it.",
)
FREE_RUN_POWER = ResponseKind(
    name="free_run_power",
    label="Free-run power",
    unit="W",
    better="lower",
    more="takes {amount} more power to turn itself",
    less="takes {amount} less power to turn itself",
    same="takes the same power to turn itself",
    explain="Voltage at the controller times current without a propeller, at this speed.",
)
DRAG_TORQUE = ResponseKind(
    name="drag_torque",
    label="Drag torque",
    unit="N·m",
    better="lower",
    more="has {amount} more drag",
    less="has {amount} less drag",
    same="has the same drag",
    explain="Without a propeller: electrical power less copper loss, over angular speed. Bearings, iron and air of the "
    "motor, and what switching takes at part throttle.",
)
