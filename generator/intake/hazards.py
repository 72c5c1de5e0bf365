"""Ids of hazards that stop a plan; `go_on_because:` in session.yaml answers them one by one."""

from __future__ import annotations

from collections.abc import Mapping

# id -> what it is, as the end of `..., since`
HAZARDS: Mapping[str, str] = {
    "speed-over-propeller-limit": "a setpoint or full throttle goes beyond the propeller's speed limit",
    "speed-over-motor-limit": "a setpoint or full throttle goes beyond the motor's speed limit",
    "cap-lost-overspeed": "a lost output cap lets the speed go beyond a limit",
    "tip-mach": "the blade tips come close to the speed of sound",
    "current-over-rating": "the current goes far beyond the rating of motor or controller",
    "pack-current-over-rating": "the current goes far beyond the rating of the pack",
    "supply-cannot-give": "supply or wiring cannot give what the plan asks",
    "setpoint-not-reached": "a setpoint cannot be reached",
    "cells-over-controller": "there are more cells than the controller is rated for",
    "cells-over-motor": "there are more cells than the motor is rated for",
    "winding-class": "the winding gets hotter than its thermal class",
    "magnet-limit": "the motor gets hotter than its magnets stand",
    "temperature-over-limit": "the motor gets hotter than the limit stated for it",
    "supply-cannot-absorb": "the supply cannot absorb the energy that braking returns",
    "sound-level": "a day's allowance of noise is used up within a run",
}
