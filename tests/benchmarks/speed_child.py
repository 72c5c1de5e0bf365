"""One thing to be timed, in a process of its own: python -m tests.benchmarks.speed_child WHAT ARGUMENT...

Prints one JSON line: seconds, peak memory [MB] of this process and of the largest of its children.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

VEGA_LITE = "6.4"


def _wide(file: str) -> int:
    import vl_convert

    vl_convert.vegalite_to_svg(Path(file).read_text(encoding="utf-8"), vl_version=VEGA_LITE)
    return 1


def _wide_and_narrow(file: str) -> int:
    import vl_convert

    text = Path(file).read_text(encoding="utf-8")
    vl_convert.vegalite_to_svg(text, vl_version=VEGA_LITE)
    wide = json.loads(text)
    narrow = wide.pop("usermeta", {}).get("narrow")
    if narrow is None:
        return 1
    vl_convert.vegalite_to_svg({**wide, **narrow}, vl_version=VEGA_LITE)
    return 2


def _log(file: str) -> int:
    import pandas as pd

    return len(pd.read_csv(file, comment="#"))


def floor(site: str, season: str, pictures: str) -> dict[str, Any]:
    """The site's published specifications rendered and its logs read, on all cores, with nothing else done.

    pictures  `wide`: each specification as it is; `both`: with what it says of phones a second time
    """
    chart = {"wide": _wide, "both": _wide_and_narrow}[pictures]
    charts = sorted(str(file) for file in Path(site).rglob("*.vl.json"))
    logs = sorted(str(file) for file in Path(season).glob("*/logs/*"))
    with ProcessPoolExecutor(os.cpu_count(), mp_context=get_context("spawn")) as pool:
        drawn = sum(pool.map(chart, charts, chunksize=2))
        read = sum(1 for _ in pool.map(_log, logs, chunksize=2))
    return {"charts": drawn, "logs": read}


def build(*arguments: str) -> dict[str, Any]:
    """`whirlbook build` with these arguments."""
    from generator.cli import main

    return {"code": main(["build", *arguments])}


def libraries() -> dict[str, Any]:
    """Only the two libraries, imported."""
    import altair
    import pandas

    return {"altair": altair.__version__, "pandas": pandas.__version__}


def _processor_s() -> float:
    """User and system time of this process and of those it has waited for."""
    times = os.times()
    return times.user + times.system + times.children_user + times.children_system


def _rss_mb() -> float:
    return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize() / 1e6


def read_ours(file: str) -> dict[str, Any]:
    """`read_log` of one large log."""
    from generator.intake.logs import read_log
    from generator.intake.rig import Rig
    from tests.benchmarks.bench_log_read import _CHANNELS

    rig = Rig.model_validate({"id": "bench-rig", "label": "Bench rig", "channels": _CHANNELS})
    before, start, used = _rss_mb(), time.perf_counter(), _processor_s()
    log = read_log(Path(file), shown="large.csv", path="large.csv", rig=rig, pole_pairs=7)
    taken = {"read_s": time.perf_counter() - start, "read_processor_s": _processor_s() - used}
    return {**taken, "before_mb": before, "data_mb": log.frame.memory_usage(deep=True).sum() / 1e6}


def read_bare(file: str) -> dict[str, Any]:
    """`pandas.read_csv` of the columns that the rig names."""
    import pandas as pd

    from tests.benchmarks.bench_log_read import _CHANNELS

    before, start, used = _rss_mb(), time.perf_counter(), _processor_s()
    frame = pd.read_csv(file, usecols=[channel["column"] for channel in _CHANNELS.values()])
    taken = {"read_s": time.perf_counter() - start, "read_processor_s": _processor_s() - used}
    return {**taken, "before_mb": before, "data_mb": frame.memory_usage(deep=True).sum() / 1e6}


def notebooks(folder: str, python: str, at_a_time: str) -> dict[str, Any]:
    """Every notebook of a folder executed and exported as a page.

    at_a_time  `one`: by one command, as people do; `all`: a command each, as many at a time as there are cores
    """

    def export(notebooks: list[Path]) -> int:
        command = [python, "-m", "nbconvert", "--execute", "--to", "html", *map(str, notebooks)]
        done = subprocess.run(command, capture_output=True, text=True)
        if done.returncode:
            raise SystemExit(f"{notebooks[0].name}:\n{done.stderr[-4000:]}")
        return len(notebooks)

    files = sorted(Path(folder).glob("*.ipynb"))
    if at_a_time == "one":
        return {"notebooks": export(files)}
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        return {"notebooks": sum(pool.map(export, ([file] for file in files)))}


WHAT = {f.__name__: f for f in (floor, build, libraries, read_ours, read_bare, notebooks)}

if __name__ == "__main__":
    began = time.perf_counter()
    told = WHAT[sys.argv[1]](*sys.argv[2:])
    own, children = (
        resource.getrusage(who).ru_maxrss / 1e3 for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    print(json.dumps({**told, "inside_s": time.perf_counter() - began, "own_mb": own, "child_mb": children}))
