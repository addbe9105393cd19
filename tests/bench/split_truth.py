"""How often a split names the right owner: every fault of tests/links/faults.py, some rounds of 45 s.

``python -m tests.bench.split_truth [ROUNDS [LOSS_PER_MILLE [each]]]`` prints a line for each fault; it
measures and judges nothing. Every fifth round is in IPv6. With ``each`` there is one fault for each
segment, and one that cannot be told. Needs what tests/links/routed.py needs. Six lines at a time.
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
EACH = (
    "house link loses",
    "house endpoint loses",
    "uplink loses",
    "backbone loses",
    "north loses",
    "silent routers, uplink loses",
)


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
    words = sys.argv[1:]
    rounds = int(words[0]) if words else 3
    loss = int(words[1]) if len(words) > 1 else 150
    faults = [fault for fault in FAULTS if words[2:] != ["each"] or fault.name in EACH]
    cases = [(fault, 6 if number % 5 == 4 else 4) for number in range(rounds) for fault in faults]
    with ThreadPoolExecutor(AT_ONCE) as at_once:
        heard = list(at_once.map(lambda case: one(case[0], loss=loss, ip_version=case[1]), cases))
    for fault in faults:
        counts = Counter(str(word) for (case, _), word in zip(cases, heard, strict=True) if case is fault)
        right = counts.pop(str(fault.right), 0)
        others = ", ".join(f"{word} {count}" for word, count in counts.most_common())
        print(f"{fault.name:34} {fault.right!s:9} right {right} of {rounds}{f'; {others}' if others else ''}")


if __name__ == "__main__":
    main()
