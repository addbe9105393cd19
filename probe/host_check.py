"""Can this computer measure what the site file asks? Ceiling, ports, settings, tuning, clock, sleep and disk.

`ceiling_check` and its like are pure: readings in, one line out, with what would be right. `run` reads. The
ceiling is the newest on record; without one it is measured now and put on record, unless a probe runs, which
measures it itself. Sources of the kernel settings: RFC 7323 (window scaling and timestamps), RFC 2018
(selective acknowledgement), ip-sysctl of the kernel's documents (buffers), all from memory. A round trip of
20 ms and 1 GB of disk for a year are common practice, no source.
"""

from __future__ import annotations

import asyncio
import os
import shutil
from collections.abc import Callable, Iterable, Mapping
from contextlib import closing
from pathlib import Path

from probe import host_tuning
from probe.host_tuning import Check, State
from probe.linux import clock_state, interface, settings, tuning
from probe.linux.clock_state import ClockState
from probe.linux.interface import Interface
from probe.methods import ceiling
from probe.methods.ceiling import CeilingPlan
from probe.reach import reaches_of
from probe.traffic import Interfaces
from store import door
from store.ceilings import VALID_NS, Ceiling, CeilingOf, Key, keys, newest, valid
from store.clock import Clock, rfc3339
from store.errors import LinebookError, NotRunning
from store.quantities import counted, port_rate
from store.reader import Reader
from store.records import Carrier, Direction, Failed
from store.site import Handoff, Method, Site
from store.writer import Writer

RTT_S = 0.02  # of an endpoint that is near enough
DISK_BYTES = 1_000_000_000  # a year of six trains
CLOCK_ERROR_US = 50_000
RECEIVE_BYTES = 4_000_000  # of a paced run's socket
_ON = {  # settings that must be on, and what is spoilt without them
    "net.ipv4.tcp_window_scaling": "no window above 64 KiB without it",
    "net.ipv4.tcp_sack": "losses cost far more without it",
    "net.ipv4.tcp_timestamps": "round trips are measured less well without it",
    "net.ipv4.tcp_moderate_rcvbuf": "windows do not grow to what the line needs without it",
}


async def run(site: Site, *, clock: Clock, say: Callable[[str], None]) -> list[Check]:
    """All checks, in the order in which they matter."""
    known = await _ceilings(site, clock=clock, say=say)
    now_ns, kernel = clock.unix_ns(), os.uname().release
    site = site.at(now_ns)
    checks = []
    for key in _asked(site):
        found = valid(known.get(key), now_ns=now_ns, kernel=kernel)
        checks.append(
            ceiling_check(
                key, found, rate_bps=_stated_to(site, key), factor=site.rules.evidence.ceiling_factor
            )
        )
    ports = await _ports(site)
    checks += [port_check(handoff, port) for handoff, port in ports]
    named = sorted({port.name for _, port in ports if port is not None})
    return checks + await asyncio.to_thread(_of_the_kernel, site, named)


def _of_the_kernel(site: Site, ports: list[str]) -> list[Check]:
    """Settings, what else is tuned, clock, sleep and disk. Blocks."""
    read = {name: settings.number(name) for name in (*_ON, *_BUFFERS, _RECEIVE)}
    congestion = settings.words("net.ipv4.tcp_available_congestion_control")
    fewest = min((plan.flows for plan in site.runs if plan.method.by_tcp), default=1)
    folder = site.database.parent
    return [
        *kernel_checks(read, congestion, rate_bps=_highest(site.handoffs), flows=fewest, paced=_paced(site)),
        *_tuned(site, ports),
        clock_check(clock_state.read()),
        host_tuning.sleep_check(tuning.sleep()),
        disk_check(folder, shutil.disk_usage(_there(folder)).free),
    ]


def _tuned(site: Site, ports: list[str]) -> list[Check]:
    rate_bps = _highest(site.handoffs)
    discipline = settings.words("net.core.default_qdisc")
    backlog = settings.number("net.core.netdev_max_backlog")
    checks = [host_tuning.governor_check(tuning.processors())]
    checks += [host_tuning.offload_check(name, tuning.offloads(name), rate_bps=rate_bps) for name in ports]
    checks.append(host_tuning.queue_check(discipline[0] if discipline else None))
    checks.append(host_tuning.backlog_check(backlog, rate_bps=rate_bps))
    if _paced(site):
        found = settings.number("net.core.wmem_max")
        checks.append(host_tuning.send_buffer_check(found, least=RECEIVE_BYTES))
    return checks


def ceiling_check(key: Key, found: Ceiling | None, *, rate_bps: int | None, factor: float) -> Check:
    """Whether a machine carries enough for the highest rate that is stated."""
    of, endpoint, flows = key
    whose = "host" if of is CeilingOf.HOST else f"endpoint {endpoint}"
    name = f"ceiling of {whose}, {counted(flows, 'flow')}"
    wanted_bps = None if rate_bps is None else round(rate_bps * factor)
    right = (
        "to know it before the first rate run"
        if wanted_bps is None
        else f"{factor:g} times the stated rate: {port_rate(wanted_bps)} or more"
    )
    if found is None:
        return Check(name=name, state=State.UNKNOWN, found="not measured yet", right=right)
    enough = wanted_bps is None or found.carries_bps >= wanted_bps
    said = f"{port_rate(found.carries_bps)} of payload, measured {rfc3339(found.started_unix_ns)[:10]}"
    return Check(name=name, state=State.RIGHT if enough else State.WRONG, found=said, right=right)


def port_check(handoff: Handoff, port: Interface | None) -> Check:
    """Whether the port of a handoff runs at the stated rate or more, by wire and in full duplex."""
    name, card = f"port of {handoff.name}", handoff.card
    stated_bps = max((card.rate_bps(way) or 0 for way in (Direction.UP, Direction.DOWN)), default=0)
    least_bps = card.port_rate_bps or stated_bps
    right = f"a wire, full duplex{f', {port_rate(least_bps)} or more' if least_bps else ''}"
    if port is None:
        return Check(name=name, state=State.UNKNOWN, found="no way to an endpoint is known", right=right)
    if port.mtu_bytes is None:  # every interface that is there has one
        return Check(
            name=name,
            state=State.WRONG,
            found=f"this host has no interface {port.name}",
            right=right,
            change="in the site file, `interface` of the handoff to a name that `ip link` shows",
        )
    rate = "an unknown rate" if port.port_rate_bps is None else port_rate(port.port_rate_bps)
    found = f"{port.name}: {port.carrier}, {rate}, {port.duplex or 'unknown'} duplex"
    slow = port.port_rate_bps is not None and port.port_rate_bps < least_bps
    if port.carrier in (Carrier.WIRELESS, Carrier.TUNNEL) or port.duplex == "half" or slow:
        return Check(name=name, state=State.WRONG, found=found, right=right)
    known = port.port_rate_bps is not None and port.duplex is not None and port.carrier is Carrier.WIRED
    return Check(name=name, state=State.RIGHT if known else State.UNKNOWN, found=found, right=right)


_BUFFERS = ("net.ipv4.tcp_rmem", "net.ipv4.tcp_wmem")
_RECEIVE = "net.core.rmem_max"


def kernel_checks(
    read: Mapping[str, int | None],
    congestion: list[str] | None,
    *,
    rate_bps: int | None,
    flows: int,
    paced: bool,
) -> list[Check]:
    """The settings that would spoil a measurement; buffers are wanted for what one flow must carry."""
    checks = [_setting(name, read[name], least=1, why=why) for name, why in _ON.items()]
    if rate_bps is not None:
        # twice the product of rate and round trip: the kernel counts its own overhead in the buffer too
        least = round(2 * rate_bps * RTT_S / 8 / flows)
        why = f"a window for {port_rate(rate_bps)} in {flows} flows over {RTT_S * 1000:g} ms"
        checks += [_setting(name, read[name], least=least, why=why) for name in _BUFFERS]
    if paced:
        checks.append(_setting(_RECEIVE, read[_RECEIVE], least=RECEIVE_BYTES, why="room for a paced run"))
    has = congestion is not None and "cubic" in congestion
    state = State.UNKNOWN if congestion is None else State.RIGHT if has else State.WRONG
    said = "unknown" if congestion is None else " ".join(congestion)
    return [
        *checks,
        Check(
            name="congestion control",
            state=state,
            found=said,
            right="cubic among them, as runs ask for",
            change="modprobe tcp_cubic",
        ),
    ]


def clock_check(state: ClockState) -> Check:
    """Whether an outside source sets the clock, and how far it may be off."""
    right = f"set by an outside source, at most {CLOCK_ERROR_US // 1000} ms off"
    if state.synchronised is None:
        return Check(name="clock", state=State.UNKNOWN, found="the kernel does not say", right=right)
    off = "" if state.error_us is None else f", up to {state.error_us / 1000:.1f} ms off by its own account"
    found = f"{'set' if state.synchronised else 'not set'} by an outside source{off}"
    near = state.error_us is None or state.error_us <= CLOCK_ERROR_US
    return Check(
        name="clock",
        state=State.RIGHT if state.synchronised and near else State.WRONG,
        found=found,
        right=right,
        change="timedatectl set-ntp true, or a time service of your own (chrony, ntpd)",
    )


def disk_check(folder: Path, free_bytes: int) -> Check:
    """Whether a year's record finds room beside the database."""
    return Check(
        name="free disk",
        state=State.RIGHT if free_bytes >= DISK_BYTES else State.WRONG,
        found=f"{free_bytes / 1e9:.1f} GB in {folder}",
        right=f"{DISK_BYTES / 1e9:g} GB or more, a year of six trains",
    )


def as_json(checks: list[Check], *, now_ns: int) -> dict[str, object]:
    """The checks as one object for programs."""
    head = {"kind": "host_check", "schema": 1, "started": rfc3339(now_ns), "standing": "valid", "reasons": []}
    rows = [
        {
            "name": one.name,
            "state": str(one.state),
            "found": one.found,
            "right": one.right,
            "change": one.change or None,
        }
        for one in checks
    ]
    return head | {"checks": rows}


async def _ceilings(site: Site, *, clock: Clock, say: Callable[[str], None]) -> dict[Key, Ceiling]:
    """Those on record; this host's are measured now where one is missing and no probe runs to do it."""
    known = await asyncio.to_thread(_on_record, site, clock.unix_ns())
    kernel = os.uname().release
    missing = [
        key
        for key in _asked(site)
        if key[0] is CeilingOf.HOST and valid(known.get(key), now_ns=clock.unix_ns(), kernel=kernel) is None
    ]
    if not missing or await _probe_runs(site):
        return known
    for key in missing:
        of, _, flows = key
        say(f"Measuring this host against itself in {flows} flows, some 3 s; nothing leaves it.")
        found = await ceiling.run(CeilingPlan(of=of, flows=flows), None, clock)
        if isinstance(found, Failed):
            say(f"Not measured: {found.why}")
            continue
        known[key] = found
        try:
            await asyncio.to_thread(_keep, site, found, clock)
        except LinebookError as trouble:
            say(f"Not put on record: {trouble}")
    return known


def _on_record(site: Site, now_ns: int) -> dict[Key, Ceiling]:
    if not site.database.exists():
        return {}
    with closing(Reader.open(site.database)) as reader:
        return newest(reader.documents(Ceiling, since_ns=now_ns - VALID_NS))


def _keep(site: Site, found: Ceiling, clock: Clock) -> None:
    writer = Writer.open(site.database, clock=clock, timezone=site.timezone)
    try:
        writer.append(found)
    finally:
        writer.close()


async def _probe_runs(site: Site) -> bool:
    try:
        await door.ask(site.database, door.Act.STATUS)
    except NotRunning:
        return False
    return True


def _asked(site: Site) -> list[Key]:
    """Whose ceilings the planned runs are held against, the host's first."""
    plans = (*site.runs, *(campaign.run for campaign in site.campaigns))
    found = {key for one in plans if one.method.by_tcp for key in keys(one.endpoint, one.flows)}
    return sorted(found, key=lambda key: (key[0] is not CeilingOf.HOST, key))


def _stated_to(site: Site, key: Key) -> int | None:
    """The highest rate of the handoffs whose runs are held against this ceiling."""
    plans = (*site.runs, *(campaign.run for campaign in site.campaigns))
    names = {one.handoff for one in plans if key in keys(one.endpoint, one.flows)}
    return _highest(one for one in site.handoffs if one.name in names)


def _highest(handoffs: Iterable[Handoff]) -> int | None:
    rates = (one.card.rate_bps(way) or 0 for one in handoffs for way in (Direction.UP, Direction.DOWN))
    return max(rates, default=0) or None


def _paced(site: Site) -> bool:
    return any(plan.method is Method.PACED for plan in site.runs)


async def _ports(site: Site) -> list[tuple[Handoff, Interface | None]]:
    """The port of each handoff: the one that is named, or by which the kernel leads to an endpoint."""
    interfaces, found = Interfaces(), []
    for handoff in site.handoffs:
        ways = list(reaches_of(site)[handoff.name].values())
        name = handoff.interface or (await interfaces.name(ways[0]) if ways else None)
        port = None if name is None else await asyncio.to_thread(interface.describe, name)
        found.append((handoff, port))
    return found


def _there(folder: Path) -> Path:
    """The folder, or the nearest above it that exists."""
    return next(one for one in (folder, *folder.absolute().parents) if one.exists())


def _setting(name: str, found: int | None, *, least: int, why: str) -> Check:
    if found is None:
        return Check(name=name, state=State.UNKNOWN, found="unknown", right=f"{least} or more: {why}")
    state = State.RIGHT if found >= least else State.WRONG
    return Check(
        name=name, state=state, found=str(found), right=f"{least} or more: {why}", change=_sysctl(name, least)
    )


def _sysctl(name: str, least: int) -> str:
    """Of a range of three numbers the largest is what is meant."""
    value = f'"4096 131072 {least}"' if name in _BUFFERS else str(least)
    return f"sysctl -w {name}={value}, and the same in /etc/sysctl.d"
