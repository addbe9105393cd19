"""Children on a leash: they end with their parent, however that ends."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys

from probe.practice import children
from store.clock import Clock

SLEEPS = [sys.executable, "-c", "import time; print('up', flush=True); time.sleep(60)"]
DEAF = [
    sys.executable,
    "-c",
    "import signal, time; signal.signal(signal.SIGTERM, signal.SIG_IGN);"
    "print('up', flush=True); time.sleep(60)",
]


def said_up(child: subprocess.Popen[bytes]) -> bool:
    """Wait for its first word."""
    assert child.stdout is not None
    with child.stdout as words:
        return words.readline() == b"up\n"


def test_ending_is_a_request_first_and_a_command_in_the_end() -> None:
    """A child that obeys ends by SIGTERM, one that does not by SIGKILL once its time is over."""
    obeying = children.start(SLEEPS, stdout=subprocess.PIPE)
    deaf = children.start(DEAF, stdout=subprocess.PIPE)
    assert said_up(obeying)
    assert said_up(deaf)
    children.end([obeying, deaf], within_s=0.3, clock=Clock())
    assert (obeying.returncode, deaf.returncode) == (-signal.SIGTERM, -signal.SIGKILL)


def test_a_child_has_a_group_of_its_own() -> None:
    """So that the terminal's Ctrl-C reaches the parent alone."""
    child = children.start(SLEEPS, stdout=subprocess.PIPE)
    assert said_up(child)
    assert os.getpgid(child.pid) == child.pid != os.getpgrp()
    assert os.getsid(child.pid) == os.getsid(0)
    children.end([child], within_s=1, clock=Clock())


def test_a_killed_parent_takes_its_children_with_it() -> None:
    """kill -9 of the parent leaves nobody behind."""
    code = (
        "import sys, time\nfrom probe.practice import children\n"
        f"child = children.start({SLEEPS!r}, stdout=None)\nprint(child.pid, flush=True)\ntime.sleep(60)"
    )
    parent = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE)
    assert parent.stdout is not None
    with parent.stdout as words:
        number = next(int(word) for word in iter(words.readline, b"") if word.strip().isdigit())
        watch = os.pidfd_open(number)
        parent.kill()
        parent.wait()
        ended, _, _ = select.select([watch], [], [], 5)
        os.close(watch)
    assert ended
