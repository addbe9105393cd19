"""Rows of an acceptance sheet about the port (A1, A2, A3) and the machines that measure (A19). Pure."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator

from dashboard.judge import mtu
from dashboard.judge.acceptance_material import Material, newest, valid
from dashboard.judge.acceptance_rows import LIGHT_ERROR_DB, STRONG_MARGIN_DB, WEAK_MARGIN_DB
from dashboard.judge.acceptance_verdict import RowVerdict, at_least, at_most, long_enough, untested, worst
from dashboard.judge.ceilings import Enough
from dashboard.judge.layers import rate_text
from dashboard.judge.verdict import Word
from store.clock import NS_PER_S
from store.events import EventKind
from store.quantities import counted
from store.records import Circumstances, Owner

# Received power that a class of optic needs at least and bears at most, dBm: IEEE 802.3 tables 38-8, 52-9,
# 52-13 and 52-17, from memory. Of 10GBASE-LR, 3 dB above the weak end is the practice site's -11.4 dBm.
_CLASSES = {
    "1000BASE-SX": (-17.0, 0.0),
    "1000BASE-LX": (-19.0, -3.0),
    "10GBASE-SR": (-9.9, -1.0),
    "10GBASE-LR": (-14.4, 0.5),
    "10GBASE-ER": (-15.8, -1.0),
}
_COPPER = ("BASE-T", "RJ45", "copper", "Copper")
_HOT_MC = 70_000  # commercial optics are specified to 70 degrees Celsius: common practice, no source


def port(found: Material) -> RowVerdict:
    """A1: rate and duplex of the port, and whether they stayed.

    The port is the one by which most of it was measured; a run from elsewhere in the house had another.
    """
    everywhere = list(_seen(found))
    if not everywhere:
        return untested("A1", "No record says how the port negotiated.")
    ((own, _),) = Counter(one.interface for _, one in everywhere).most_common(1)
    seen = [(at_ns, one) for at_ns, one in everywhere if one.interface == own]
    started_ns, newest_seen = max(seen, key=lambda one: one[0])
    watched_s = (started_ns - min(at_ns for at_ns, _ in seen)) / NS_PER_S
    rates = {one.port_rate_bps for _, one in seen if one.port_rate_bps}
    changes = [each for each in found.events if each.what in (EventKind.PORT, EventKind.CARRIER_LOST)]
    words = []
    stated = found.card.port_rate_bps
    duplex = newest_seen.duplex or "unknown"
    said = f"The port runs at {rate_text(newest_seen.port_rate_bps or 0)}, {duplex} duplex"
    if stated is None:
        words.append(Word.UNDECIDED)
        said += ", and the contract card states no port rate"
    else:
        words.append(Word.MET if rates == {stated} else Word.NOT_MET)
        said += f"; {rate_text(stated)} is stated"
        others = sorted(rates - {newest_seen.port_rate_bps or 0})
        if others:
            said += f", and it ran at {' and '.join(map(rate_text, others))} before"
    elsewhere = len(everywhere) - len(seen)
    if elsewhere:
        said += f"; {elsewhere} records by another port than {own} are left out"
    if newest_seen.duplex is not None:
        words.append(Word.MET if newest_seen.duplex == "full" else Word.NOT_MET)
    if changes:
        words.append(Word.NOT_MET)
        said += f"; since then {len(changes)} times it negotiated anew or lost its carrier"
    verdict = RowVerdict(
        row="A1",
        word=worst(words),
        because=f"{said}.",
        limit="not stated" if stated is None else f"{rate_text(stated)}, full duplex",
        found=rate_text(newest_seen.port_rate_bps or 0),
        error="none",
        started_unix_ns=started_ns,
    )
    return long_enough(verdict, watched_s)


def light(found: Material) -> RowVerdict:
    """A2: the light that arrives, against the optic's class and the sensor's error."""
    medium = found.card.medium or ""
    if not found.light and any(word in medium for word in _COPPER):
        return RowVerdict(
            row="A2", word=Word.NOT_TESTED, because="A copper port has no light.", applies=False
        )
    if not found.light:
        return untested(
            "A2", "No optic of this handoff was read; type in what its display or the fitter says."
        )
    first, last = found.light[0], found.light[-1]
    levels = [_dbm(one.received_nw) for one in found.light]
    weakest, strongest = min(levels), max(levels)
    said = (
        f"{_power(levels[-1])} received, {weakest:.1f} to {strongest:.1f} dBm since the first reading "
        f"({_power(levels[0])}, the baseline), optic at {last.temperature_mc / 1000:.0f} degrees Celsius"
    )
    limits = next((each for name, each in _CLASSES.items() if name in medium), None)
    error = f"± {LIGHT_ERROR_DB:g} dB"
    if limits is None:
        return RowVerdict(
            row="A2",
            word=Word.UNDECIDED,
            because=f"{said}; the card's medium names no class of optic known here, so nothing says how much "
            "is enough.",
            found=said,
            error=error,
            started_unix_ns=last.started_unix_ns,
        )
    least, most = limits[0] + WEAK_MARGIN_DB, limits[1] - STRONG_MARGIN_DB
    words = [
        at_least(weakest, least, error=LIGHT_ERROR_DB),
        at_most(strongest, most, error=LIGHT_ERROR_DB),
    ]
    because = (
        f"{said}; with the margins {least:.1f} to {most:.1f} dBm are asked, and the sensor is good to 3 dB."
    )
    if last.temperature_mc > _HOT_MC:
        because += " The optic is hot: see to its ventilation."
    verdict = RowVerdict(
        row="A2",
        word=worst(words),
        because=because,
        limit=f"{least:.1f} to {most:.1f} dBm",
        found=said,
        error=error,
        started_unix_ns=last.started_unix_ns,
    )
    return long_enough(verdict, (last.started_unix_ns - first.started_unix_ns) / NS_PER_S)


def packet_size(found: Material) -> RowVerdict:
    """A3: the largest packet, by judge.mtu."""
    run = newest(valid(found.mtus))
    if run is None:
        return untested("A3", "No path MTU was found yet.")
    verdict = mtu.verdict(run, found.card.mtu_bytes)
    sizes = "; ".join(f"IPv{one.ip_version}: {mtu.said(one).rstrip('.')}" for one in run.found)
    return RowVerdict(
        row="A3",
        word=verdict.word if found.card.mtu_bytes is not None else Word.UNDECIDED,
        because=f"{verdict.because} {sizes}.",
        limit="not stated" if found.card.mtu_bytes is None else f"{found.card.mtu_bytes} bytes",
        found=sizes,
        error="none: to the byte",
        started_unix_ns=run.started_unix_ns,
    )


def ceilings(found: Material) -> RowVerdict:
    """A19: can this host and the endpoints carry 1.2 times the rate?"""
    rooms = [room for room in found.rooms if room.word is not Enough.NOT_STATED]
    if not rooms:
        return untested("A19", "No run over TCP is planned, so nobody measured the ceilings.")
    words = {
        Enough.ENOUGH: Word.MET,
        Enough.TOO_LITTLE: Word.NOT_MET,
        Enough.NOT_MEASURED: Word.NOT_TESTED,
    }
    short = [room for room in rooms if room.word is Enough.TOO_LITTLE]
    said = [
        f"{room.endpoint or 'this host'} with {counted(room.flows, 'flow')}: "
        f"{rate_text(room.ceiling.carries_bps) if room.ceiling else 'not measured'}"
        for room in rooms
    ]
    wanted = next((room.wanted_bps for room in rooms if room.wanted_bps), 0)
    return RowVerdict(
        row="A19",
        word=worst(words[room.word] for room in rooms),
        because=f"{said[0][0].upper()}{said[0][1:]}{''.join(f'; {one}' for one in said[1:])}; "
        f"{rate_text(wanted)} is wanted.",
        limit=rate_text(wanted),
        found="; ".join(said),
        error="none",
        started_unix_ns=max((room.ceiling.started_unix_ns for room in rooms if room.ceiling), default=None),
        owner=Owner.ENDPOINT if short and all(room.endpoint for room in short) else Owner.HOUSE,
    )


def _seen(found: Material) -> Iterator[tuple[int, Circumstances]]:
    """When a record said how the port ran."""
    kinds = (found.rates, found.paced, found.bursts, found.loaded, found.mtus, found.sizes, found.steps)
    records = ((one.started_unix_ns, one.circumstances) for kind in kinds for one in kind)
    return ((at_ns, one) for at_ns, one in records if one.port_rate_bps is not None)


def _dbm(nanowatts: int) -> float:
    """Optical power in dBm; what is below what the sensor shows stands at -40."""
    return 10 * math.log10(nanowatts / 1e6) if nanowatts > 0 else -40.0


def _power(dbm: float) -> str:
    return f"{dbm:.1f} dBm"
