"""Seconds that a rehearsal drops on a line with stalls planted at random, against the fluid queue; as root.

``python -m tests.bench.rehearsal_truth [ROUNDS] [SECONDS]``: each round is one rehearsal of the plan of
``tests/links/test_rehearsal_truth.py``, with stalls of 0.6 to 4 s every 8 to 12 s, in which everything is
held or dropped. Prints for each round what the push dropped, and what RTP and ARQ lost, beside the sums.
"""

from __future__ import annotations

import json
import random
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from dashboard.judge import fluid
from dashboard.judge.fluid import Stretch
from tests.links.house import LINEBOOK, house
from tests.links.stalls import Stalls
from tests.links.test_rehearsal_truth import ARQ_LATENCY_S, ARQ_REPEATS, PUSH_BUFFER_S, RATE_BPS, site_file

HEADROOM = 2.0  # of the line over the plan, and less than it has


def main(rounds: int, seconds: int) -> None:
    print(f"{'stalls':>6}  {'push dropped, sum':>18}  {'RTP lost, sum':>14}  {'ARQ lost, sum':>14}  (s)")
    for nth in range(rounds):
        run, stalls = rehearse(seconds, random.Random(nth))
        held = [length_s for how, length_s in stalls if how == "hold"]
        dropped = [length_s for how, length_s in stalls if how == "drop"]
        silences = [*held, *map(fluid.tcp_silence_s, dropped)]
        pairs = [
            (run["dropped_s"], lost_s(silences, PUSH_BUFFER_S)),
            (share(run, "guest", "lost"), sum(dropped)),
            (share(run, "archive", "lost"), lost_s(dropped, ARQ_LATENCY_S * ARQ_REPEATS)),
        ]
        words = "  ".join(f"{found:8.2f} {expected:6.2f}" for found, expected in pairs)
        print(f"{len(stalls):6}  {words}  {run['standing']} {' '.join(run['reasons'])}", flush=True)


def rehearse(seconds: int, chance: random.Random) -> tuple[dict[str, Any], list[tuple[str, float]]]:
    """One rehearsal, and the stalls that were planted meanwhile."""
    planted = []
    with tempfile.TemporaryDirectory() as name, house(Path(name) / "endpoint") as far:
        stalls = Stalls(far.line, rate_bps=RATE_BPS)
        words = ("run", "rehearsal", str(site_file(far, Path(name))), "--plan", "P1", "--json")
        running = far.line.start("probe", sys.executable, LINEBOOK, *words, "--seconds", str(seconds))
        assert running.stderr is not None
        while "after" not in running.stderr.readline():
            pass
        ends_at = time.monotonic() + seconds - 1
        time.sleep(2)
        while time.monotonic() < ends_at - 12:
            how = chance.choice(("hold", "drop"))
            planted.append((how, getattr(stalls, how)(chance.uniform(0.6, 4))))
            time.sleep(chance.uniform(8, 12))
        out, _ = running.communicate(timeout=60)
    found: dict[str, Any] = json.loads(out)
    return found, planted


def lost_s(silences: list[float], window_s: float) -> float:
    """What these stalls cost a buffer that empties between them."""
    stretches = []
    for silence_s in silences:
        stretches += [
            Stretch(seconds=8, headroom=HEADROOM, window_s=window_s),
            Stretch(seconds=silence_s, headroom=0.0, window_s=window_s),
        ]
    return sum(fluid.replay(stretches))


def share(run: dict[str, Any], name: str, what: str) -> float:
    one = next(each for each in run["destinations"] if each["name"] == name)
    return float(one[what] / one["frames_per_second"])


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:3] or ("3", "100")))
