"""`python -m tests.fuzz TARGET --inputs N`: coverage-guided fuzzing of one target, by atheris (libFuzzer).

Needs `pip install .[fuzz]`. An input that breaks something is written to `tests/fuzz/kept/TARGET/` and stays
there as a case of the ordinary suite once that is mended. The corpus grows in `--corpus`, so that a later run
goes on from there.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["probe", "store", "dashboard"], enable_loader_override=False):
    from tests.fuzz.targets import TARGETS

KEPT = Path(__file__).with_name("kept")


def main() -> None:
    """Fuzz until the inputs are used up, the seconds are over, or something breaks."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("target", choices=TARGETS)
    parser.add_argument("--inputs", type=int, default=10_000_000, help="how many (default 10 million)")
    parser.add_argument("--seconds", type=int, default=0, help="at most so long (default: no bound)")
    parser.add_argument("--longest", type=int, default=4096, help="octets of an input (default 4096)")
    parser.add_argument("--corpus", type=Path, help="folder of inputs found before (default: a new one)")
    options = parser.parse_args()
    target = TARGETS[options.target]
    kept = KEPT / options.target
    kept.mkdir(parents=True, exist_ok=True)
    corpus = options.corpus or Path(tempfile.mkdtemp(prefix="fuzz-"))
    corpus.mkdir(parents=True, exist_ok=True)
    for number, seed in enumerate(target.seeds):
        (corpus / f"seed-{number}").write_bytes(seed)
    for case in kept.iterdir():
        shutil.copy(case, corpus / f"kept-{case.name}")
    words = [
        sys.argv[0],
        f"-runs={options.inputs}",
        f"-max_total_time={options.seconds}",
        f"-max_len={options.longest}",
        f"-artifact_prefix={kept}/",
        "-timeout=10",
        "-rss_limit_mb=1024",
        str(corpus),
    ]
    atheris.Setup(words, target.feed)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
