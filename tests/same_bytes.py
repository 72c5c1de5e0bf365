"""A site built again and again under circumstances that must not matter: python -m tests.same_bytes [SEASON]

Hash seeds, numbers of workers, folders, time zones, locales, SOURCE_DATE_EPOCH, a Dask cluster; every
file of every build is held against the first by its SHA-256. Takes a build for each line it prints; the demo season
where none is named. Exit code 1 where a byte differs.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

from tests.clusters import local_cluster
from tests.conftest import DEMO, ROOT

# A build as the command makes it, only that the number of workers is given and any season is worth them.
BUILD = """
import sys
from pathlib import Path
from generator import pipeline
from generator.cluster import cluster
season, out, workers = sys.argv[1:]
pipeline.RUNS_WORTH_WORKERS = 1
if __name__ == "__main__":
    if workers.isdecimal():
        pipeline.build(Path(season), Path(out), workers=int(workers))
    else:
        with cluster(workers, Path(season)) as others:
            pipeline.build(Path(season), Path(out), workers=others)
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Circumstances:
    """How a build is made. workers: a number, or "dask"; folder: where the season lies; env: besides ours."""

    workers: str = "1"
    folder: str = "one"
    env: Mapping[str, str] = field(default_factory=dict)

    def __str__(self) -> str:
        set_to = " ".join(f"{name}={value}" for name, value in self.env.items())
        return f"workers {self.workers}, folder {self.folder}, {set_to}"


def _with(seed: str, zone: str, locale: str, epoch: str = "") -> dict[str, str]:
    more = {"SOURCE_DATE_EPOCH": epoch} if epoch else {}
    return {"PYTHONHASHSEED": seed, "TZ": zone, "LC_ALL": locale, **more}


FIRST = Circumstances(env=_with("0", "UTC", "C"))
OTHERS = (
    Circumstances(workers="2", folder="two words/and a ü", env=_with("1", "Pacific/Kiritimati", "C.UTF-8")),
    Circumstances(
        workers="4", folder="three", env=_with("random", "America/St_Johns", "de_DE.UTF-8", "1234567890")
    ),
    Circumstances(workers="dask", folder="four", env=_with("2", "Asia/Kathmandu", "C")),
)


def built(season: Path, scratch: Path, how: Circumstances) -> dict[str, str]:
    """Relative path -> SHA-256 of every file of a site. Raises RuntimeError where the build fails."""
    own = scratch / how.folder
    shutil.copytree(season, own / season.name)
    env = {**os.environ, "PYTHONPATH": str(ROOT), "WHIRLBOOK_CACHE": str(own / "cache"), **how.env}
    with ExitStack() as stack:
        workers = how.workers
        if workers == "dask":
            (own / "dask").mkdir()
            workers = stack.enter_context(local_cluster(own / "dask")).address
        # a file, since worker processes read the program again
        program = own / "build.py"
        program.write_text(BUILD, encoding="utf-8")
        made = subprocess.run(
            [sys.executable, str(program), season.name, "site", workers],
            cwd=own, env=env, capture_output=True, text=True, check=False,
        )  # fmt: skip
    if made.returncode:
        raise RuntimeError(f"{how}:\n{made.stderr[-2000:]}")
    site = own / "site"
    return {
        path.relative_to(site).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(site.rglob("*"))
        if path.is_file()
    }


def unlike(one: Mapping[str, str], other: Mapping[str, str]) -> list[str]:
    """Files that are in one only, or not the same in both."""
    return sorted(path for path in {*one, *other} if one.get(path) != other.get(path))


def main() -> int:
    """Build under all circumstances and print what differs."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("season", nargs="?", type=Path, default=DEMO, metavar="SEASON")
    options = asked.parse_args()
    differ = 0
    with tempfile.TemporaryDirectory(prefix="same-bytes-") as name:
        first: dict[str, str] = {}
        for how in (FIRST, *OTHERS):
            began = time.perf_counter()
            found = built(options.season.resolve(), Path(name), how)
            first = first or found
            wrong = unlike(first, found)
            differ += len(wrong)
            print(
                f"{how}: {len(found)} files, {len(wrong)} differ, {time.perf_counter() - began:.0f} s",
                flush=True,
            )
            for path in wrong[:20]:
                print(f"    {path}")
            shutil.rmtree(Path(name) / how.folder.split("/")[0])
    return 1 if differ else 0


if __name__ == "__main__":
    sys.exit(main())
