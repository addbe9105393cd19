"""`python -m tests.fuzz TARGET --inputs N`: coverage-guided fuzzing of one target, by atheris (libFuzzer).

Needs `pip install .[fuzz]`. An input that breaks something is written to `tests/fuzz/kept/TARGET/` and stays
there as a case of the ordinary suite once that is mended. The corpus grows in `--corpus`, so that a later run
goes on from there; how many inputs all runs together had stands in a file beside it, `CORPUS.count`, and a
run ends when that is `--inputs`.
"""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["probe", "store", "dashboard"], enable_loader_override=False):
    from tests.fuzz.targets import TARGETS

KEPT = Path(__file__).with_name("kept")
_NOTED = 5_000  # inputs; a run that is killed is short of so many at most


def counted(feed: Callable[[bytes], object], file: Path) -> Callable[[bytes], None]:
    """`feed`, and the number of inputs in a file."""
    before, inputs = _so_far(file), 0

    def feeding(data: bytes) -> None:
        nonlocal inputs
        feed(data)
        inputs += 1
        if inputs % _NOTED == 0:
            part = file.with_name(f"{file.name}.part")
            part.write_text(f"{before + inputs}\n")
            os.replace(part, file)

    return feeding


def _so_far(file: Path) -> int:
    return int(file.read_text()) if file.exists() else 0


def main() -> None:
    """Fuzz until the inputs are used up, the seconds are over, or something breaks."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("target", choices=TARGETS)
    parser.add_argument(
        "--inputs", type=int, default=10_000_000, help="how many, with those before (default 10 million)"
    )
    parser.add_argument("--seconds", type=int, default=0, help="at most so long (default: no bound)")
    parser.add_argument("--longest", type=int, help="octets of an input (default: the target's)")
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
    count = corpus.with_name(f"{corpus.name}.count")
    left = options.inputs - _so_far(count)
    if left <= 0:
        print(f"{options.target} has had {_so_far(count)} inputs")
        return
    told = corpus.with_name(f"{corpus.name}.words")
    told.write_text("".join(f'"{word}"\n' for word in target.words))
    words = [
        sys.argv[0],
        f"-runs={left + _NOTED}",  # what a run had beyond the last number noted is not counted
        f"-max_total_time={options.seconds}",
        f"-max_len={options.longest or target.longest}",
        *([f"-dict={told}"] if target.words else []),
        f"-artifact_prefix={kept}/",
        "-timeout=10",
        "-rss_limit_mb=1024",
        str(corpus),
    ]
    atheris.Setup(words, counted(target.feed, count))
    atheris.Fuzz()


if __name__ == "__main__":
    main()
