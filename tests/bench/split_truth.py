"""How often a split names the right owner: every fault of tests/links/faults.py, some rounds of 45 s.

``python -m tests.bench.split_truth [ROUNDS] [LOSS_PER_MILLE] [IP_VERSION]`` prints a line for each fault; it
measures and judges nothing. Needs what tests/links/routed.py needs. Six lines at a time.
"""

from __future__ import annotations

import os
import sys
import tempfile
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from tests.links.faults import FAULTS, Fault, found_with, said

SECONDS = 45
AT_ONCE = 6


def one(fault: Fault, *, loss: int, ip_version: int) -> str | None:
    """What was said in one round."""
    with tempfile.TemporaryDirectory() as folder:
        os.chmod(folder, 0o755)  # the split runs as another account
        found = found_with(fault, Path(folder) / "line", seconds=SECONDS, loss=loss, ip_version=ip_version)
    word = said(found)
    if word != fault.right:
        print(f"  {fault.name}: said {word}: {found['because']} {found['segments']}", flush=True)
    return word


def main() -> None:
    rounds, loss, ip_version = (
        int(word) for word in [*sys.argv[1:], *("3", "150", "4")[len(sys.argv) - 1 :]]
    )
    cases = [fault for _ in range(rounds) for fault in FAULTS]
    with ThreadPoolExecutor(AT_ONCE) as at_once:
        words = list(at_once.map(lambda fault: one(fault, loss=loss, ip_version=ip_version), cases))
    for fault in FAULTS:
        counts = Counter(str(word) for case, word in zip(cases, words, strict=True) if case is fault)
        right = counts.pop(str(fault.right), 0)
        others = ", ".join(f"{word} {count}" for word, count in counts.most_common())
        print(f"{fault.name:34} {fault.right!s:9} right {right} of {rounds}{f'; {others}' if others else ''}")


if __name__ == "__main__":
    main()
