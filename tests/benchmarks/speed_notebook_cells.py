# type: ignore
"""The opening cells of the benchmark's notebooks: what a careful bench tester writes by hand to get figures from logs.

Nothing imports this file: its text goes into every notebook, cut at the lines that begin with `# %%`. It stands on
pandas, numpy and scipy as they come. Before it runs, a first cell sets SESSION, RUNS, TREATMENTS, PLAN,
STAND, AIRCRAFT, CLAIMS and MARGINS, the constants that such a tester types at the top of a notebook.
"""

# The constants come from the notebook's first cell; a tester does not write strict=.
# ruff: noqa: F821, B905

# %% the libraries
import numpy as np
import pandas as pd
from scipy.interpolate import PchipInterpolator
from scipy.optimize import curve_fit
from scipy.signal import lfilter
from scipy.stats import norm
from scipy.stats import t as student

GRAVITY = 9.80665
FOUND = {}  # (response, at) -> treatment -> {run: (value, standard error within the run)}
PER_RUN = {}  # run -> rows of its own table
UNITS = {
    "electrical_power": "W", "current": "A", "voltage": "V", "thrust": "gf", "thrust_per_power": "gf/W",
    "speed": "rpm", "throttle": "%", "rise_time": "ms", "fall_time": "ms", "overshoot": "%", "sound_level": "dB",
    "vibration": "m/s²", "motor_temperature": "°C", "temperature_rise": "K", "time_constant": "s",
    "settled_rise": "K", "top_thrust": "gf", "top_speed": "rpm",
}  # fmt: skip


def keep(run, response, value, error, at=None):
    """One number of one run, for its own table and for the comparison of treatments."""
    FOUND.setdefault((response, at), {}).setdefault(RUNS[run]["treatment"], {})[run] = (value, error)
    row = {
        "Response": response,
        "At": said(at),
        "Value": value,
        "Standard error": error,
        "Unit": UNITS[response],
    }
    PER_RUN.setdefault(run, []).append(row)


def said(at):
    """A condition in words."""
    return "" if at is None else f"{at[1]:g} {at[0]}"


# %% reading logs
def read(run):
    """A log in usable units, with the zeros of thrust and current taken off and the drop in the wiring made good."""
    raw = pd.read_csv(f"{SESSION['folder']}/{RUNS[run]['log']}", comment="#")
    log = pd.DataFrame({name: raw[column] for name, column in STAND["columns"].items()})
    log["time"] = log["time"] / 1000.0
    log["throttle"] = (log["throttle"] - STAND["idle"]) / (STAND["full"] - STAND["idle"]) * 100
    resting = (log["speed"] < 60) & (log["throttle"] < 0.5)
    turning = log.index[~resting]
    before = log[resting & (log.index < turning[0])]
    after = log[resting & (log["time"] > log["time"][turning[-1]] + 0.5)]
    for channel in ("thrust", "current"):
        first = before[channel].mean()
        last = after[channel].mean() if len(after) > 10 else first
        ends = [before["time"].mean(), after["time"].mean() if len(after) > 10 else log["time"].iloc[-1]]
        log[channel] = log[channel] - np.interp(log["time"], ends, [first, last])
    log["controller_voltage"] = log["voltage"] - STAND["wiring_ohm"] * log["current"]
    log["electrical_power"] = log["controller_voltage"] * log["current"]
    return log


def mean_and_error(values):
    """A mean with its standard error, allowing for samples that follow one another (first-order autocorrelation)."""
    values = np.asarray(values, float)
    off = values - values.mean()
    spread = (off**2).sum()
    follow = 0.0 if spread == 0 else max(0.0, (off[1:] * off[:-1]).sum() / spread)
    effective = max(2.0, len(values) * (1 - follow) / (1 + follow))
    return values.mean(), values.std(ddof=1) / np.sqrt(effective)


# %% holds
def hold_window(log, speed, length):
    """The last `length` seconds in which the speed stays within 2 % of the setpoint."""
    near = (log["speed"] - speed).abs() < 0.02 * speed
    groups = (near != near.shift()).cumsum()[near]
    longest = groups.value_counts().idxmax()
    held = log.loc[groups.index[groups == longest]]
    held = held[held["throttle"] > 1]
    return held[held["time"] > held["time"].iloc[-1] - length]


def reduce_hold(run, log):
    """Means of every hold, brought to the setpoint with T ~ n² and P ~ n³."""
    for speed in PLAN["hold"]["speed"]:
        window, at = hold_window(log, speed, PLAN["hold"]["window"]), ("rpm", speed)
        miss = speed / window["speed"].mean()
        WINDOWS.setdefault(run, []).append((window["time"].iloc[0], window["time"].iloc[-1]))
        for response, power in (("electrical_power", 3), ("thrust", 2), ("current", 3), ("throttle", 1)):
            value, error = mean_and_error(window[response])
            keep(run, response, value * miss**power, error * miss**power, at)
        ratio = (window["thrust"].mean() / window["electrical_power"].mean()) / miss
        relative = np.hypot(
            mean_and_error(window["thrust"])[1] / window["thrust"].mean(),
            mean_and_error(window["electrical_power"])[1] / window["electrical_power"].mean(),
        )
        keep(run, "thrust_per_power", ratio, ratio * relative, at)
        for response in ("sound_level", "vibration", "motor_temperature"):
            keep(run, response, *mean_and_error(window[response]), at)


# %% spin-ups
def crossing(time, speed, level):
    """When the speed first passes a level, between samples."""
    above = int(np.argmax(speed >= level))
    if above == 0:
        return np.nan
    share = (level - speed[above - 1]) / (speed[above] - speed[above - 1])
    return time[above - 1] + share * (time[above] - time[above - 1])


def reduce_spin_up(run, log):
    """Rise time (10 to 90 %), fall time and overshoot, cycle by cycle."""
    low, time, speed = PLAN["spin-up"]["from"], log["time"].to_numpy(), log["speed"].to_numpy()
    dwell = PLAN["spin-up"]["dwell"]
    waiting = np.abs(speed - low) < 0.05 * low
    leaves = np.flatnonzero(waiting[:-1] & ~waiting[1:] & (speed[1:] > low))
    cycles = []
    for start in leaves:
        until = np.searchsorted(time, time[start] + dwell)
        base = speed[(time > time[start] - 0.25) & (time < time[start] - 0.02)]
        top = speed[(time > time[start] + 0.5 * dwell) & (time < time[start] + 0.9 * dwell)]
        if len(base) < 5 or len(top) < 5 or top.mean() < 1.3 * low or np.abs(base - low).max() > 0.1 * low:
            continue
        target = min(PLAN["spin-up"]["to"], key=lambda one: abs(one - top.mean()))
        if abs(top.mean() - target) > 0.1 * target:
            continue
        step = top.mean() - base.mean()
        part = slice(max(0, start - 5), until)
        ends = [crossing(time[part], speed[part], base.mean() + share * step) for share in (0.1, 0.9)]
        after = slice(until, np.searchsorted(time, time[start] + 2 * dwell))
        falls = [
            crossing(time[after], -speed[after], -(base.mean() + share * step))
            if speed[after].size
            else np.nan
            for share in (0.9, 0.1)
        ]
        cycles.append(
            {
                "target": target,
                "rise_time": (ends[1] - ends[0]) * 1000,
                "fall_time": (falls[1] - falls[0]) * 1000,
                "overshoot": max(0.0, (speed[part].max() - top.mean()) / step * 100),
            }
        )
        WINDOWS.setdefault(run, []).append((time[start], time[min(until, len(time) - 1)]))
    table = pd.DataFrame(cycles)
    table.insert(0, "run", run)
    table["cycle"] = table.groupby("target").cumcount() + 1
    CYCLES[run] = table
    for target, group in table.groupby("target"):
        for response in ("rise_time", "fall_time", "overshoot"):
            values = group[response].dropna()
            if len(values) > 1:
                keep(
                    run,
                    response,
                    values.mean(),
                    values.std(ddof=1) / np.sqrt(len(values)),
                    ("rpm", float(target)),
                )


# %% soaks
def reduce_soak(run, log):
    """A first-order fit of the motor's rise above its start over the on and off of the drive."""
    on = log["speed"] > 0.5 * PLAN["soak"]["speed"]
    first, last = on.idxmax(), on[::-1].idxmax()
    part = log.loc[max(0, first - 100) : last]
    air = log.loc[: max(10, first - 1), "motor_temperature"].mean()
    grid = np.arange(part["time"].iloc[0], part["time"].iloc[-1], 0.02)
    driven = np.interp(grid, part["time"], on.loc[part.index].astype(float))
    rise = np.interp(grid, part["time"], part["motor_temperature"] - air)

    def model(_, settled, constant, sensor):
        body = np.exp(-0.02 / constant)
        winding = lfilter([1 - body], [1, -body], settled * driven)
        probe = np.exp(-0.02 / sensor)
        return lfilter([1 - probe], [1, -probe], winding)

    found, spread = curve_fit(
        model, grid, rise, p0=(rise.max() * 2, 30.0, 1.0), bounds=((1, 2, 0.05), (1000, 900, 20))
    )
    SOAKS[run] = pd.DataFrame({"time": grid, "rise": rise, "fitted": model(None, *found)})
    WINDOWS.setdefault(run, []).append((grid[0], grid[-1]))
    errors = np.sqrt(np.diag(spread))
    keep(run, "settled_rise", found[0], errors[0])
    keep(run, "time_constant", found[1], errors[1])
    keep(run, "temperature_rise", *mean_and_error(rise[-50:]))
    at = ("rpm", float(PLAN["soak"]["speed"]))
    steady = log[(log["speed"] - PLAN["soak"]["speed"]).abs() < 0.02 * PLAN["soak"]["speed"]]
    for response in ("electrical_power", "thrust", "current"):
        keep(run, response, *mean_and_error(steady[response]), at)


# %% staircases
AXES = {"thrust": "gf", "speed": "rpm", "throttle": "%"}


def reduce_staircase(run, log):
    """Means at the end of every step, up and down, and curves through them."""
    steps, average = [], PLAN["staircase"]["average"]
    near = [np.abs(log["throttle"] - step) < 3 for step in PLAN["staircase"]["throttle"]]
    level = np.select(near, PLAN["staircase"]["throttle"], 0.0)
    groups = (pd.Series(level) != pd.Series(level).shift()).cumsum()
    for _, part in log.groupby(groups.to_numpy()):
        if level[part.index[0]] == 0 or part["time"].iloc[-1] - part["time"].iloc[0] < 1.5 * average:
            continue
        window = part[part["time"] > part["time"].iloc[-1] - average]
        WINDOWS.setdefault(run, []).append((window["time"].iloc[0], window["time"].iloc[-1]))
        row = {"step": level[part.index[0]]}
        for name in (
            "throttle",
            "thrust",
            "speed",
            "electrical_power",
            "current",
            "sound_level",
            "vibration",
        ):
            row[name], row[f"{name}_error"] = mean_and_error(window[name])
        row["thrust_per_power"] = row["thrust"] / row["electrical_power"]
        row["thrust_per_power_error"] = row["thrust_per_power"] * np.hypot(
            row["thrust_error"] / row["thrust"], row["electrical_power_error"] / row["electrical_power"]
        )
        steps.append(row)
    table = pd.DataFrame(steps)
    top = table["throttle"].idxmax()
    table["direction"] = np.where(table.index <= top, "up", "down")
    STAIRS[run] = table
    peak = table.loc[top]
    keep(run, "top_thrust", peak["thrust"], peak["thrust_error"])
    keep(run, "top_speed", peak["speed"], peak["speed_error"])
    for axis, places in PLAN["staircase"]["compare_at"].items():
        for place in places:
            for response in ("electrical_power", "thrust_per_power", "speed", "current", "sound_level"):
                if response != axis:
                    value, error = at_place(run, response, axis, place)
                    keep(run, response, value, error, (AXES[axis], place))


def at_place(run, response, axis, place):
    """A curve at one place: the mean of the way up and the way down, and its standard error."""
    values, errors = [], []
    for _, part in STAIRS[run].groupby("direction"):
        part = part.sort_values(axis)
        if len(part) > 2 and part[axis].iloc[0] <= place <= part[axis].iloc[-1]:
            values.append(float(PchipInterpolator(part[axis], part[response])(place)))
            errors.append(float(np.interp(place, part[axis], part[f"{response}_error"])))
    if not values:
        return np.nan, np.nan
    apart = np.std(values, ddof=1) / np.sqrt(2) if len(values) == 2 else 0.0
    return np.mean(values), np.hypot(np.sqrt(np.sum(np.square(errors))) / len(errors), apart)


# %% comparisons
def contrast(response, at, treatment):
    """Treatment minus baseline with a 95 % interval: Welch over runs, from within the runs where there is only one."""
    sides = [FOUND[response, at].get(name, {}) for name in (treatment, SESSION["baseline"])]
    sides = [[pair for pair in side.values() if np.isfinite(pair[0])] for side in sides]
    if not all(sides):
        return None
    (a, b), spreads, dofs = [np.mean([value for value, _ in side]) for side in sides], [], []
    for side in sides:
        if min(map(len, sides)) > 1:
            spreads.append(np.var([value for value, _ in side], ddof=1) / len(side))
            dofs.append(len(side) - 1)
        else:
            spreads.append(np.mean([error for _, error in side]) ** 2 / len(side))
    error, half = np.sqrt(sum(spreads)), norm.ppf(0.975)
    if dofs and error > 0:
        half = student.ppf(0.975, sum(spreads) ** 2 / sum(s**2 / d for s, d in zip(spreads, dofs)))
    margin = MARGINS.get(response)
    limit = None if margin is None else abs(b) * margin[0] / 100 if margin[1] == "%" else margin[0]
    low, high = a - b - half * error, a - b + half * error
    if low > 0 or high < 0:
        verdict = "more" if low > 0 else "less"
        if limit is not None and min(abs(low), abs(high)) < limit:
            verdict += ", perhaps too little to matter"
    else:
        narrow = (
            limit is not None and -limit < a - b - 0.84 * half * error < a - b + 0.84 * half * error < limit
        )
        verdict = "no difference that matters" if narrow else "not settled"
    return {
        "Response": response, "At": said(at), "Treatment": treatment, "Baseline": b, "Difference": a - b,
        "Lower": low, "Upper": high, "Unit": UNITS[response], "Percent": (a - b) / b * 100,
        "Lower percent": low / b * 100, "Upper percent": high / b * 100,
        "Margin": limit, "Verdict": verdict, "p": 2 * norm.sf(abs(a - b) / error) if error > 0 else np.nan,
    }  # fmt: skip


def contrasts(treatment):
    """Every response of the session, with Holm's adjustment of the p values."""
    rows = [row for response, at in FOUND if (row := contrast(response, at, treatment)) is not None]
    table = pd.DataFrame(rows)
    order = table["p"].argsort().to_numpy()
    held = np.maximum.accumulate(table["p"].to_numpy()[order] * np.arange(len(order), 0, -1))
    table.loc[table.index[order], "p, Holm"] = np.minimum(held, 1)
    return table


def air_density():
    """Of moist air [kg/m³]; the vapour's pressure by Magnus."""
    celsius, pascal, humid = AIR["temperature"], AIR["pressure"] * 100, AIR["humidity"] / 100
    vapour = humid * 611.2 * np.exp(17.62 * celsius / (243.12 + celsius))
    return (pascal - vapour) / (287.05 * (celsius + 273.15)) + vapour / (461.5 * (celsius + 273.15))


def points(treatment):
    """Speed, thrust and power of every hold and every step of a treatment, averaged over its runs."""
    rows = []
    for (response, at), sides in FOUND.items():
        if response == "thrust" and at is not None and at[0] == "rpm" and treatment in sides:
            power = FOUND["electrical_power", at][treatment]
            row = [[value for value, _ in values.values()] for values in (sides[treatment], power)]
            rows.append((at[1], np.mean(row[0]), np.mean(row[1]), len(row[0])))
    stairs = [STAIRS[run] for run in STAIRS if RUNS[run]["treatment"] == treatment]
    if stairs:
        mean = pd.concat(stairs).groupby("step")[["speed", "thrust", "electrical_power"]].mean()
        rows += [(*row, len(stairs)) for row in mean.itertuples(index=False)]
    return pd.DataFrame(rows, columns=["speed", "thrust", "power", "runs"]).sort_values("speed")


# %% every log, read and reduced
REDUCE = {"hold": reduce_hold, "spin-up": reduce_spin_up, "soak": reduce_soak, "staircase": reduce_staircase}
WINDOWS, CYCLES, SOAKS, STAIRS, LOGS = {}, {}, {}, {}, {}
for run, facts in RUNS.items():
    LOGS[run] = read(run)
    REDUCE[facts["procedure"]](run, LOGS[run])
