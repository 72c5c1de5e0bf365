"""Run one target: see the package's own words."""

from __future__ import annotations

import argparse
import logging
import sys
import tempfile
from pathlib import Path

CORPUS = Path(__file__).parent / "corpus"
WORDS = Path(__file__).parent / "words.txt"


def main() -> None:
    """Fuzz, or read one case again."""
    options = argparse.ArgumentParser(prog="python -m tests.fuzz")
    options.add_argument("target", choices=("yaml", "log", "quantity", "conclusion"))
    options.add_argument("--seconds", type=int, default=60)
    options.add_argument("--seed", type=int, default=0, help="0 for another one each time")
    options.add_argument("--longest", type=int, default=4096, help="bytes of a case")
    options.add_argument("--again", type=Path, help="one case, without atheris")
    chosen = options.parse_args()
    logging.disable(logging.CRITICAL)
    if chosen.again is not None:
        from tests.fuzz.targets import TARGETS, bounded

        bounded(TARGETS[chosen.target], chosen.again.read_bytes())
        return
    import atheris

    with atheris.instrument_imports(include=["generator", "markdown"]):
        from tests.fuzz.targets import TARGETS, bounded

    target = TARGETS[chosen.target]
    found = tempfile.mkdtemp(prefix=f"whirlbook-fuzz-{chosen.target}-")
    arguments = [
        sys.argv[0], found, str(CORPUS / chosen.target), f"-dict={WORDS}", f"-max_total_time={chosen.seconds}",
        f"-max_len={chosen.longest}", f"-seed={chosen.seed}", "-timeout=30", "-rss_limit_mb=3000",
        "-print_final_stats=1",
    ]  # fmt: skip
    atheris.Setup(arguments, lambda data: bounded(target, data))
    atheris.Fuzz()


if __name__ == "__main__":
    main()
