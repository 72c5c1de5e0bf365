"""What people do today: each session as a notebook, written plainly, executed, and exported as a page.

The notebook reads every log and draws its trace; every other figure and table is drawn from numbers that the site has
already computed, so the notebooks are spared the analysis. That favours them.
"""

from __future__ import annotations

import json
from pathlib import Path

HEAD = """\
%matplotlib inline
import pandas as pd
import matplotlib.pyplot as plt
from IPython.display import display
"""
TRACE = """\
log = pd.read_csv({log!r}, comment="#")
time, *columns = log.columns
fig, axes = plt.subplots(len(columns), 1, sharex=True, figsize=(7, 1.1 * len(columns)))
for axis, column in zip(axes, columns):
    axis.plot(log[time], log[column], linewidth=0.8)
    axis.set_ylabel(column)
axes[-1].set_xlabel(time)
plt.show()
display(log.iloc[:: max(1, len(log) // 60)])
"""
FIGURE = """\
table = pd.read_csv({table!r})
numbers = table.select_dtypes("number")
fig, axis = plt.subplots(figsize=(7, 4))
for column in numbers.columns[1:] if numbers.shape[1] > 1 else numbers.columns:
    axis.plot(numbers.iloc[:, 0] if numbers.shape[1] > 1 else numbers.index, numbers[column], "o-", label=column)
if numbers.shape[1]:
    axis.legend()
axis.set_title({title!r})
plt.show()
display(table.head(60))
"""


def write_notebook(session: Path, site: Path, out: Path) -> int:
    """Write the notebook of a session; returns how many figures it draws.

    session  folder of the session, with its logs
    site     the season's site, for the names and the numbers of its figures
    """
    figures = sorted((site / "sessions" / session.name / "figures").glob("*.csv"))
    others = [file for file in figures if not file.stem.endswith("-trace")]
    logs = sorted((session / "logs").iterdir())
    cells = [HEAD, *(TRACE.format(log=str(log)) for log in logs)]
    cells += [FIGURE.format(table=str(file), title=file.stem) for file in others]
    notebook = {
        "nbformat": 4,
        "nbformat_minor": 5,
        "metadata": {"kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"}},
        "cells": [
            {
                "cell_type": "code",
                "id": f"c{place}",
                "metadata": {},
                "execution_count": None,
                "outputs": [],
                "source": source,
            }
            for place, source in enumerate(cells)
        ],
    }
    out.write_text(json.dumps(notebook), encoding="utf-8")
    return len(logs) + len(others)
