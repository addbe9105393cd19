"""Is this host tuned for measuring: buffers, governor, offloads, queueing, sleep? Pure: readings in, a line
out, with what would be right and the command that changes it. Nothing here runs one.

deploy/host-tuning.md is the same list for people; a test holds the two together. The figures are those of
`probe.host_check` and of deploy/endpoint-first-boot; where none is a standard's, they are common practice, no
source. Imports linux' readings as values.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from probe.linux.tuning import Processors, Sleep

FAST_BPS = 1_000_000_000  # below it, a processor of these years needs no offload
BACKLOG = 1_000
FAIR = ("fq", "fq_codel", "cake")
_SCALE_BY_LOAD = ("intel_pstate", "amd-pstate-epp", "amd-pstate")  # their "powersave" is no fixed low clock


class State(StrEnum):
    """Whether a check found what is right."""

    RIGHT = "right"
    WRONG = "wrong"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One line: what was found, what is right, and what changes it (empty where nothing general does)."""

    name: str
    state: State
    found: str
    right: str
    change: str = ""


def governor_check(found: Processors) -> Check:
    """A processor that is kept slow sends late and carries less."""
    said = ", ".join(found.governors) or "no governor (a virtual machine's host decides)"
    slow = "powersave" in found.governors and not set(found.drivers) & set(_SCALE_BY_LOAD)
    return Check(
        name="processor governor",
        state=State.WRONG if slow else State.RIGHT,
        found=f"{said}{f' by {found.drivers[0]}' if found.drivers else ''}",
        right="none that keeps the clock low; performance is the steadiest",
        change="cpupower frequency-set --governor performance",
    )


def offload_check(interface: str, found: Mapping[str, bool], *, rate_bps: int | None) -> Check:
    """Segments of 64 KiB cross the host whole; packet by packet, one processor ends at some Gb/s."""
    off = [name for name, on in found.items() if not on]
    needed = rate_bps is None or rate_bps >= FAST_BPS
    state = State.UNKNOWN if not found else State.WRONG if off and needed else State.RIGHT
    said = (
        ", ".join(f"{name} {'on' if on else 'off'}" for name, on in found.items())
        or "the driver does not say"
    )
    wanted = " ".join(f"{name} on" for name in off or found or ("tso", "gso", "gro"))
    return Check(
        name=f"offloads of {interface}",
        state=state,
        found=said,
        right="tso, gso and gro on where the line carries 1 Gb/s or more",
        change=f"ethtool -K {interface} {wanted}",
    )


def queue_check(discipline: str | None) -> Check:
    """What waits in this host's own queue is delay that is not the line's."""
    state = State.UNKNOWN if discipline is None else State.RIGHT if discipline in FAIR else State.WRONG
    return Check(
        name="net.core.default_qdisc",
        state=state,
        found=discipline or "unknown",
        right="fq, fq_codel or cake: a run's queue in this host is no delay of the line",
        change="sysctl -w net.core.default_qdisc=fq_codel, and the same in /etc/sysctl.d",
    )


def backlog_check(found: int | None, *, rate_bps: int | None) -> Check:
    """What waits between the card and the kernel is dropped beyond this."""
    least = BACKLOG * max(1, -(-(rate_bps or 0) // FAST_BPS))
    return _least(
        "net.core.netdev_max_backlog", found, least, why="1000 for each Gb/s, so that none is dropped here"
    )


def send_buffer_check(found: int | None, *, least: int) -> Check:
    """Room for what a paced run hands to the kernel at once."""
    return _least("net.core.wmem_max", found, least, why="room for a paced run")


def sleep_check(found: Sleep) -> Check:
    """A host that sleeps measures nothing."""
    awake = found.masked or not found.can
    said = (
        "it cannot sleep"
        if not found.can
        else "sleeping is masked"
        if found.masked
        else "it may be put to sleep"
    )
    portable = " (a portable computer)" if found.portable else ""
    return Check(
        name="sleep",
        state=State.RIGHT if awake else State.WRONG if found.portable else State.UNKNOWN,
        found=f"{said}{portable}",
        right="masked, or a machine that cannot",
        change="systemctl mask sleep.target suspend.target hibernate.target hybrid-sleep.target",
    )


def _least(name: str, found: int | None, least: int, *, why: str) -> Check:
    state = State.UNKNOWN if found is None else State.RIGHT if found >= least else State.WRONG
    return Check(
        name=name,
        state=state,
        found="unknown" if found is None else str(found),
        right=f"{least} or more: {why}",
        change=f"sysctl -w {name}={least}, and the same in /etc/sysctl.d",
    )
