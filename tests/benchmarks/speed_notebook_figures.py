# type: ignore
"""The cells that draw figures and show tables with matplotlib, after those of `speed_notebook_cells.py`.

Nothing imports this file either.
"""

# The constants, the libraries and all numbers come from the cells before; a tester does not write strict=.
# ruff: noqa: F821, B905

# %% figures
import matplotlib.pyplot as plt
from IPython.display import display

COLOURS = {name: f"C{place}" for place, name in enumerate(TREATMENTS)}
LABELS = {name: facts["label"] for name, facts in TREATMENTS.items()}
TRACE_CHANNELS = [name for name in STAND["columns"] if name != "time"]


def shown(figure, table, title):
    """A figure and its table below; long tables thinned for the page."""
    figure.suptitle(title)
    figure.tight_layout()
    plt.show()
    display(table.iloc[:: max(1, len(table) // 60)])


def trace(run):
    """Every channel of the log, and what was averaged."""
    log = LOGS[run]
    figure, axes = plt.subplots(len(TRACE_CHANNELS), 1, sharex=True, figsize=(8, 1.2 * len(TRACE_CHANNELS)))
    for axis, channel in zip(axes, TRACE_CHANNELS):
        axis.plot(log["time"], log[channel], linewidth=0.8, color=COLOURS[RUNS[run]["treatment"]])
        axis.set_ylabel(channel, fontsize=7)
        for start, end in WINDOWS.get(run, []):
            axis.axvspan(start, end, color="0.85")
    axes[-1].set_xlabel("time (s)")
    shown(figure, log[["time", *TRACE_CHANNELS]], f"{run}: the raw trace")


def cycles(runs):
    """Rise time, cycle by cycle."""
    table = pd.concat([CYCLES[run] for run in runs], ignore_index=True)
    figure, axes = plt.subplots(1, table["target"].nunique(), squeeze=False, figsize=(8, 3.5))
    for axis, (target, group) in zip(axes[0], table.groupby("target")):
        for run, own in group.groupby("run"):
            axis.plot(own["cycle"], own["rise_time"], "o-", color=COLOURS[RUNS[run]["treatment"]], label=run)
        axis.set(title=f"to {target:g} rpm", xlabel="cycle", ylabel="rise time (ms)")
        axis.legend(fontsize=7)
    shown(figure, table, "Rise time, cycle by cycle")


def soak(run):
    """The rise of the motor and its fit."""
    table = SOAKS[run]
    figure, axis = plt.subplots(figsize=(8, 3.5))
    axis.plot(table["time"], table["rise"], linewidth=0.8, label="measured")
    axis.plot(table["time"], table["fitted"], "--", label="fitted")
    axis.set(xlabel="time (s)", ylabel="rise of the motor (K)")
    axis.legend()
    shown(figure, table, f"{run}: rise of the motor")


def by_run(response, at):
    """Every run of a response in the order made."""
    rows = [
        {"order": RUNS[run]["order"], "run": run, "treatment": name, "value": value, "error": error}
        for name, own in FOUND[response, at].items()
        for run, (value, error) in own.items()
    ]
    table = pd.DataFrame(rows).sort_values("order")
    figure, axis = plt.subplots(figsize=(7, 3.5))
    for name, own in table.groupby("treatment"):
        axis.errorbar(
            own["order"], own["value"], 1.96 * own["error"], fmt="o", color=COLOURS[name], label=LABELS[name]
        )
        axis.axhline(own["value"].mean(), color=COLOURS[name], linewidth=0.8)
    axis.set(xlabel="run", ylabel=f"{response} ({UNITS[response]})")
    axis.legend()
    shown(figure, table, f"{response} at {said(at)}: every run")


def difference(response, at, treatment):
    """A contrast as its interval against zero and the margin, with runs as dots."""
    found = contrast(response, at, treatment)
    base = np.mean([value for value, _ in FOUND[response, at][SESSION["baseline"]].values()])
    dots = {run: value - base for run, (value, _) in FOUND[response, at][treatment].items()}
    figure, axis = plt.subplots(figsize=(7, 2.2))
    if found["Margin"] is not None:
        axis.axvspan(-found["Margin"], found["Margin"], color="0.9")
    axis.axvline(0, color="0.4", linewidth=0.8)
    axis.plot([found["Lower"], found["Upper"]], [0, 0], color=COLOURS[treatment], linewidth=2)
    axis.plot(found["Difference"], 0, "o", color=COLOURS[treatment])
    axis.plot(list(dots.values()), [0.3] * len(dots), ".", color="0.4")
    axis.set(yticks=[], ylim=(-0.6, 0.8), xlabel=f"{response}: difference ({UNITS[response]})")
    rows = [("mean difference", found["Difference"], found["Lower"], found["Upper"])]
    rows += [(run, value, None, None) for run, value in dots.items()]
    if found["Margin"] is not None:
        rows += [("margin", found["Margin"], None, None), ("minus the margin", -found["Margin"], None, None)]
    table = pd.DataFrame(rows, columns=["what", "difference", "lower", "upper"])
    shown(figure, table, f"{response} at {said(at)}: {LABELS[treatment]}, {found['Verdict']}")


def overview(treatment):
    """Every contrast of a treatment as a share of the baseline."""
    table = contrasts(treatment)
    figure, axis = plt.subplots(figsize=(8, 0.28 * len(table) + 1.5))
    rows = np.arange(len(table))
    axis.hlines(rows, table["Lower percent"], table["Upper percent"], color=COLOURS[treatment])
    axis.plot(table["Percent"], rows, "o", color=COLOURS[treatment], markersize=4)
    axis.axvline(0, color="0.4", linewidth=0.8)
    axis.set_yticks(rows, table["Response"] + " " + table["At"], fontsize=7)
    axis.invert_yaxis()
    axis.set_xlabel(f"difference (% of {LABELS[SESSION['baseline']]})")
    shown(figure, table, f"{LABELS[treatment]}: every response")


# %% curves, coefficients, losses, flight
def mean_curve(treatment, response, axis):
    """Means over the runs of a treatment, step by step, up and down."""
    stairs = [STAIRS[run] for run in STAIRS if RUNS[run]["treatment"] == treatment]
    table = pd.concat(stairs).groupby(["direction", "step"], as_index=False)[[axis, response]].mean()
    table.insert(0, "treatment", LABELS[treatment])
    table["runs"] = len(stairs)
    return table.sort_values(["direction", axis], ascending=[False, True])


def curves(response, axis):
    """Curves of all treatments."""
    figure, place = plt.subplots(figsize=(7, 4))
    tables = []
    for name in TREATMENTS:
        table = mean_curve(name, response, axis)
        tables.append(table)
        for direction, part in table.groupby("direction"):
            style = "-" if direction == "up" else ":"
            place.plot(part[axis], part[response], "o", color=COLOURS[name], markersize=4)
            fine = np.linspace(part[axis].min(), part[axis].max(), 100)
            smooth = PchipInterpolator(part[axis], part[response])(fine)
            place.plot(fine, smooth, style, color=COLOURS[name], label=f"{LABELS[name]}, {direction}")
    place.set(xlabel=f"{axis} ({AXES[axis]})", ylabel=f"{response} ({UNITS[response]})")
    place.legend(fontsize=7)
    shown(figure, pd.concat(tables), f"{response} against {axis}")


def band(response, axis, treatment):
    """The difference of two curves over their common range, with a 95 % band."""
    own = [run for run in STAIRS if RUNS[run]["treatment"] == treatment]
    base = [run for run in STAIRS if RUNS[run]["treatment"] == SESSION["baseline"]]
    low = max(STAIRS[run].groupby("direction")[axis].min().max() for run in own + base)
    high = min(STAIRS[run].groupby("direction")[axis].max().min() for run in own + base)
    rows = []
    for place in np.linspace(low, high, 41):
        sides = [[at_place(run, response, axis, place) for run in side] for side in (own, base)]
        a, b = (np.nanmean([value for value, _ in side]) for side in sides)
        if min(map(len, sides)) > 1:
            parts = [np.var([value for value, _ in side], ddof=1) / len(side) for side in sides]
            total = sum(parts)
            dof = total**2 / sum(p**2 / (len(s) - 1) for p, s in zip(parts, sides)) if total > 0 else 1
            half = student.ppf(0.975, dof) * np.sqrt(total)
        else:
            half = norm.ppf(0.975) * np.hypot(*(np.mean([error for _, error in side]) for side in sides))
        rows.append((place, b, a, a - b, a - b - half, a - b + half))
    table = pd.DataFrame(rows, columns=[axis, SESSION["baseline"], treatment, "difference", "lower", "upper"])
    figure, place = plt.subplots(figsize=(7, 3.5))
    place.fill_between(table[axis], table["lower"], table["upper"], color=COLOURS[treatment], alpha=0.2)
    place.plot(table[axis], table["difference"], color=COLOURS[treatment])
    place.axhline(0, color="0.4", linewidth=0.8)
    place.set(xlabel=f"{axis} ({AXES[axis]})", ylabel=f"{response}: difference ({UNITS[response]})")
    shown(figure, table, f"{response} over {axis}: {LABELS[treatment]}")


def coefficients():
    """Thrust coefficient at every point of every treatment, with what the propeller's maker states."""
    rows, density = [], air_density()
    for name, facts in TREATMENTS.items():
        for speed, thrust, _, runs in points(name).itertuples(index=False):
            turns = speed / 60
            found = thrust / 1000 * GRAVITY / (density * turns**2 * facts["diameter_m"] ** 4)
            stated = np.interp(speed, facts["stated_speed"], facts["stated_ct"], np.nan, np.nan)
            rows.append((name, speed, found, stated, (found / stated - 1) * 100, runs))
    return pd.DataFrame(rows, columns=["treatment", "speed", "CT", "stated", "departure (%)", "runs"])


def coefficient_figure():
    """Thrust coefficient against speed."""
    table = coefficients()
    figure, axis = plt.subplots(figsize=(7, 3.5))
    for name, own in table.groupby("treatment"):
        axis.plot(own["speed"], own["CT"], "o", color=COLOURS[name], label=LABELS[name])
        axis.plot(own["speed"], own["stated"], "--", color=COLOURS[name], linewidth=0.8)
    axis.set(xlabel="speed (rpm)", ylabel="CT")
    axis.legend()
    shown(figure, table, "Thrust coefficient against speed")


def fitted(treatment):
    """Fitted against stated."""
    own = coefficients().query("treatment == @treatment")
    display(own)


def losses(speed):
    """Where the electrical power goes at a speed, treatment by treatment."""
    rows, turns, density = [], speed / 60, air_density()
    for name, facts in TREATMENTS.items():
        at = ("rpm", float(speed))
        power = np.mean([value for value, _ in FOUND["electrical_power", at][name].values()])
        current = np.mean([value for value, _ in FOUND["current", at][name].values()])
        voltage = facts["volts"]
        duty = min(1.0, power / max(voltage * current, 1e-9) * (speed / facts["kv"] + 1) / voltage)
        in_motor = current / max(duty, 0.05)
        coefficient = np.interp(speed, facts["stated_speed"], facts["stated_cp"])
        parts = {
            "into the propeller": coefficient * density * turns**3 * facts["diameter_m"] ** 5,
            "copper": in_motor**2 * facts["motor_ohm"],
            "controller": in_motor**2 * facts["controller_ohm"],
            "free running": facts["free_current"] * speed / facts["kv"],
        }
        parts["the rest"] = power - sum(parts.values())
        rows += [(name, "electrical power", power, 100.0)]
        rows += [(name, part, value, value / power * 100) for part, value in parts.items()]
    return pd.DataFrame(rows, columns=["treatment", "part", "power (W)", "share (%)"])


def energy(speed):
    """Bars of the losses."""
    table = losses(speed)
    figure, axis = plt.subplots(figsize=(7, 3))
    for place, (_, own) in enumerate(table.query("part != 'electrical power'").groupby("treatment")):
        left = 0.0
        for colour, (_, row) in enumerate(own.iterrows()):
            axis.barh(
                place, row["power (W)"], left=left, color=f"C{colour}", label=None if place else row["part"]
            )
            left += row["power (W)"]
    axis.set_yticks(range(len(TREATMENTS)), sorted(LABELS))
    axis.legend(fontsize=7)
    axis.set_xlabel("W")
    shown(figure, table, f"Where the electrical power goes at {speed:g} rpm")


def energy_differences(speed):
    """What differs, part by part."""
    table = losses(speed).pivot(index="part", columns="treatment", values="power (W)")
    display(table.sub(table[SESSION["baseline"]], axis=0))


def flights(craft):
    """Minutes of hover of every treatment."""
    rows, facts = [], AIRCRAFT[craft]
    thrust = facts["mass_g"] / facts["motors"]
    for name in TREATMENTS:
        measured = points(name).sort_values("thrust").drop_duplicates("thrust")
        logs = np.polyfit(np.log(measured["thrust"]), np.log(measured["power"]), min(2, len(measured) - 1))
        power = float(np.exp(np.polyval(logs, np.log(thrust))))
        minutes = facts["usable_wh"] * 60 / (power * facts["motors"])
        rows.append((name, facts["mass_g"], thrust, power * facts["motors"], minutes))
    return pd.DataFrame(
        rows, columns=["treatment", "mass (g)", "thrust a motor (gf)", "hover power (W)", "minutes"]
    )


def air(craft):
    """Minutes of hover."""
    table = flights(craft)
    figure, axis = plt.subplots(figsize=(7, 2.5))
    axis.barh([LABELS[name] for name in table["treatment"]], table["minutes"])
    axis.set_xlabel("minutes of hover")
    shown(figure, table[["treatment", "minutes"]], f"Minutes of hover, {AIRCRAFT[craft]['label']}")


def hovering(craft):
    """The numbers behind the minutes."""
    display(flights(craft))


def hover_differences(craft):
    """Differences of the minutes."""
    table = flights(craft).set_index("treatment")
    display(table - table.loc[SESSION["baseline"]])


# %% tables
def treatments_table():
    """What was compared."""
    display(pd.DataFrame(TREATMENTS).T[["label", "motor", "controller", "propeller", "supply", "volts"]])


def runs_table():
    """The runs in the order made."""
    display(pd.DataFrame(RUNS).T)


def means_table():
    """Means over the runs of each treatment."""
    rows = [
        {
            "response": response, "at": said(at),
            **{
                name: f"{np.mean([v for v, _ in own.values()]):.5g} ± {np.mean([e for _, e in own.values()]):.2g}"
                for name, own in sides.items()
            },
        }
        for (response, at), sides in FOUND.items()
    ]  # fmt: skip
    display(pd.DataFrame(rows))


def responses_table(run):
    """The numbers of one run."""
    display(pd.DataFrame(PER_RUN[run]))


def columns_table(run):
    """Which column of a log is what."""
    log = LOGS[run]
    display(
        pd.DataFrame(
            {
                "column": STAND["columns"],
                "least": {name: log[name].min() for name in STAND["columns"]},
                "most": {name: log[name].max() for name in STAND["columns"]},
            }
        )
    )


def claims():
    """Each claim with the verdicts that bear on it, in words."""
    for claim in CLAIMS:
        print(f"{claim['says']} Expects {claim['expects']}.")
        for response, at in FOUND:
            if response == claim["response"] and (found := contrast(response, at, claim["treatment"])):
                interval = f"{found['Lower']:.3g} to {found['Upper']:.3g} {found['Unit']}"
                print(f"    at {said(at)}: {found['Verdict']} ({interval})")
