"""`linebook run METHOD`: one measurement, now.

Each command loads its own method and no other. May import all three packages.
"""

from __future__ import annotations

import functools
import json
from collections.abc import Callable, Coroutine
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from commands import answering
from store.clock import Clock
from store.errors import UserMistake

if TYPE_CHECKING:
    from probe.methods.rehearsal import RehearsalPlan
    from probe.reach import Reach
    from probe.wire.invitation import Invitation
    from store.site import Handoff, Site

T = TypeVar("T")


def rate_run(options: Any) -> int:
    from dashboard import text
    from probe import safety
    from probe.methods import rate
    from store import pace
    from store.records import Direction

    direction = Direction(options.direction)
    asked = pace.each_way(direction, options.at_most)
    if (why := pace.too_little(asked, flows=options.flows)) is not None:
        raise UserMistake(f"--at-most: {why}")
    plan = rate.RatePlan(
        direction=direction,
        flows=options.flows,
        seconds=options.seconds,
        congestion=options.congestion,
        pace=asked,
    )
    return _once(
        rate.run, plan, options, said=text.rate_run, caution=safety.CAUTION_LIGHT if plan.pace else ""
    )


def paced_run(options: Any) -> int:
    from dashboard import text
    from probe.methods import paced
    from store.records import Direction

    plan = paced.PacedPlan(
        direction=Direction(options.direction),
        offered_bps=options.offered,
        seconds=options.seconds,
        payload_bytes=options.payload,
    )
    return _once(paced.run, plan, options, said=text.paced_run)


def rehearsal_run(options: Any) -> int:
    from dashboard import text_rehearsal
    from probe import safety
    from probe.methods import rehearsal
    from store import site as sites
    from store.jsonform import as_json
    from store.records import Failed, Owner

    site = sites.load(options.site)
    stream = answering.stream_plan(site, options.plan)
    plan = rehearsal.RehearsalPlan(stream=stream, seconds=options.seconds)
    where = _rehearsal_reach(options, site, site.handoff(stream.handoff))
    why = _held_back(site, plan, where)
    if why is not None:
        failed = Failed(what=rehearsal.WHAT, why=why, whose=Owner.HOUSE, started_unix_ns=Clock().unix_ns())
        return answering.failed(failed, as_json=options.json)
    answering.say(safety.CAUTION)
    found = answering.finish(lambda: rehearsal.run(plan, where, Clock(), on_progress=answering.say))
    if isinstance(found, Failed):
        return answering.failed(found, as_json=options.json)
    if where.endpoint:
        answering.put_on_record(site, found)
    else:
        answering.say("Not put on record: the site file has no such endpoint.")
    answering.print_json(as_json(found)) if options.json else print(text_rehearsal.rehearsal(found))
    return 0


def loaded_delay_run(options: Any) -> int:
    from dashboard import text
    from probe.methods import loaded_delay
    from store.loaded_delay import SERIES
    from store.records import Direction

    plan = loaded_delay.LoadedDelayPlan(
        directions=tuple(map(Direction, options.direction or SERIES)),
        flows=options.flows,
        seconds=options.seconds,
        per_second=options.per_second,
        congestion=options.congestion,
    )
    return _once(loaded_delay.run, plan, options, said=text.loaded_delay_run)


def capacity_run(options: Any) -> int:
    from dashboard import text
    from probe import safety
    from probe.methods import capacity
    from store.jsonform import as_json, both_ways
    from store.records import Direction, Failed

    both = options.direction == Direction.BOTH
    plans = [
        capacity.CapacityPlan(direction=one, seconds=options.seconds, payload_bytes=options.payload)
        for one in ((Direction.UP, Direction.DOWN) if both else (Direction(options.direction),))
    ]
    where = _reach(options)
    answering.say(safety.CAUTION)
    found = []
    for plan in plans:  # two at once would share this host, and one's reports the other's load
        run = answering.finish(
            functools.partial(capacity.run, plan, where, Clock(), on_progress=answering.say)
        )
        if isinstance(run, Failed):
            return answering.failed(run, as_json=options.json)
        found.append(run)
    if options.json:
        answering.print_json(both_ways(*found) if both else as_json(found[0]))
    else:
        print("\n\n".join(text.capacity_run(run) for run in found))
    return 0


def burst_run(options: Any) -> int:
    from dashboard import text_shapes
    from probe.methods import burst
    from store.records import Direction

    plan = burst.BurstPlan(
        direction=Direction(options.direction), most_bytes=options.most, line_bps=options.line
    )
    return _once(burst.run, plan, options, said=text_shapes.burst_run)


def sizes_run(options: Any) -> int:
    from dashboard import text_shapes
    from probe.methods import sizes
    from store.records import Direction

    plan = sizes.SizesPlan(
        direction=Direction(options.direction), offered_bps=options.offered, seconds=options.seconds
    )
    return _once(sizes.run, plan, options, said=text_shapes.sizes_run)


def steps_run(options: Any) -> int:
    from dashboard import text_shapes
    from probe.methods import steps
    from store.records import Direction

    plan = steps.StepsPlan(
        direction=Direction(options.direction), stated_bps=options.rate, seconds=options.seconds
    )
    return _once(steps.run, plan, options, said=text_shapes.steps_run)


def train_run(options: Any) -> int:
    from dashboard import text
    from probe.methods import train
    from store.jsonform import as_json
    from store.records import Failed
    from store.samples import sample_json

    plan = train.TrainRequest(
        seconds=options.seconds,
        per_second=options.per_second,
        packet_bytes=options.size,
        waiting_s=options.wait,
    )
    where = _reach(options)
    samples = _writable(options.samples) if options.samples else None
    found = answering.finish(lambda: train.run(plan, where, Clock()))
    if isinstance(found, Failed):
        return answering.failed(found, as_json=options.json)
    if samples is not None:
        samples.write_text("".join(f"{json.dumps(sample_json(packet))}\n" for packet in found.packets))
    answering.print_json(as_json(found.span, stalls=found.stalls)) if options.json else print(
        text.train(found.span, found.stalls)
    )
    return 0


def soak_run(options: Any) -> int:
    from dashboard import text_soak
    from dashboard.judge import soak as judge
    from probe import soak_file
    from probe.methods import soak
    from store.jsonform import as_json
    from store.records import Failed

    where, clock = _reach(options), Clock()
    question = soak.question_of(where, seconds=options.seconds, per_second=options.per_second)
    with closing(soak_file.open_file(options.kept, question, now_ns=clock.unix_ns())) as file:
        found = answering.unless_terminated(lambda: soak.run(where, clock, file, on_progress=answering.say))
        if found is None:
            answering.say(f"Stopped. The same command goes on with what {options.kept} holds.")
            return answering.EXIT_STOPPED
        if isinstance(found, Failed):
            file.discard()
            return answering.failed(found, as_json=options.json)
    bounds = judge.judge(found)
    answering.print_json(as_json(found) | judge.as_json(bounds)) if options.json else print(
        text_soak.soak(found, bounds)
    )
    return 0


def mtu_run(options: Any) -> int:
    from dashboard import text
    from probe.methods import mtu

    where = _reach(options)
    found = answering.finish(lambda: mtu.run(where, Clock(), on_progress=answering.say))
    return _printed(found, options, said=text.path_mtu)


def lookup_run(options: Any) -> int:
    from dashboard import text
    from probe.methods import lookup
    from probe.reach import Binding

    plan = lookup.LookupPlan(name=options.name, resolver=options.resolver, port=options.port)
    way = Binding(interface=options.interface, source=options.source)
    handoff = options.interface or options.source or ""
    found = answering.finish(lambda: lookup.run(plan, way, Clock(), handoff=handoff))
    return _printed(found, options, said=text.lookup)


def _once(
    measure: Callable[..., Coroutine[Any, Any, Any]],
    plan: Any,
    options: Any,
    *,
    said: Callable[[Any], str],
    caution: str = "",
) -> int:
    """Warn, measure by `plan` over the way that the options name, and print the record or why there is none.

    Without a `caution` of its own it is that of a run that fills the line.
    """
    from probe import safety

    where = _reach(options)
    answering.say(caution or safety.CAUTION)
    found = answering.finish(lambda: measure(plan, where, Clock(), on_progress=answering.say))
    return _printed(found, options, said=said)


def _printed(found: Any, options: Any, *, said: Callable[[Any], str]) -> int:
    from store.jsonform import as_json
    from store.records import Failed

    if isinstance(found, Failed):
        return answering.failed(found, as_json=options.json)
    answering.print_json(as_json(found)) if options.json else print(said(found))
    return 0


def _rehearsal_reach(options: Any, site: Site, handoff: Handoff) -> Reach:
    """The way to the endpoint that is meant, by the plan's handoff; one by an invitation has no name."""
    from dataclasses import replace

    from probe.reach import reaches_of
    from store.site import Where

    known = reaches_of(site)[handoff.name]
    if options.endpoint is None:
        outside = [one.name for one in site.endpoints if one.where is Where.OUTSIDE]
        if not outside:
            raise UserMistake(f"{options.site}: endpoint: none stands outside; name one with --endpoint")
        return known[outside[0]]
    if options.endpoint in known:
        return known[options.endpoint]
    if "://" not in options.endpoint and not Path(options.endpoint).exists():
        near = answering.near(options.endpoint, list(known))
        raise UserMistake(f"--endpoint: {options.site} has no endpoint {options.endpoint!r}{near}")
    invitation = _invited(options.endpoint)
    same = next((one for one in known.values() if one.invitation == invitation), None)
    way = next(iter(known.values()))  # by the same handoff, whatever it leads to
    return same or replace(way, endpoint="", invitation=invitation)


def _held_back(site: Site, plan: RehearsalPlan, where: Reach) -> str | None:
    """The sentence of the rule that forbids a rehearsal now: safety, a window, the allowance, a stop."""
    from commands import permission
    from store import demand
    from store.records import Direction
    from store.site import Method, RunPlan

    now_ns, handoff = Clock().unix_ns(), site.handoff(plan.stream.handoff)
    needs_bps, _, _ = demand.together(plan.stream.destinations)
    asked = RunPlan(
        handoff=handoff.name,
        endpoint=where.endpoint,
        direction=Direction.UP,
        seconds=round(plan.seconds),
        flows=len(plan.stream.destinations),
        every_s=86_400,
        method=Method.REHEARSAL,
        offered_bps=needs_bps,
        stream=plan.stream,
    )
    return permission.standing(site, handoff, now_ns=now_ns).why_not(site, asked, now_ns=now_ns)


def _reach(options: Any) -> Reach:
    from probe.reach import Binding, Reach

    return Reach(
        handoff=options.interface or options.source or "",
        endpoint="",
        invitation=_invited(options.endpoint),
        binding=Binding(interface=options.interface, source=options.source),
    )


def _invited(line: str) -> Invitation:
    """The invitation that `--endpoint` holds, or the file that it names."""
    from probe.wire import invitation

    if "://" not in line:
        try:
            line = Path(line).read_text("utf-8").strip()
        except (OSError, UnicodeDecodeError) as error:
            why = error.strerror if isinstance(error, OSError) else "it is no text"
            raise UserMistake(
                f"--endpoint: {line!r} is neither an invitation (linebook://...) nor a readable file: {why}"
            ) from None
    return invitation.parse(line)


def _writable(path: Path) -> Path:
    try:
        path.touch()
    except OSError as error:
        raise UserMistake(f"--samples: {path} cannot be written: {error.strerror}") from None
    return path


BY_METHOD: dict[str, Callable[[Any], int]] = {
    "rate": rate_run,
    "lookup": lookup_run,
    "paced": paced_run,
    "rehearsal": rehearsal_run,
    "loaded-delay": loaded_delay_run,
    "capacity": capacity_run,
    "burst": burst_run,
    "sizes": sizes_run,
    "steps": steps_run,
    "train": train_run,
    "soak": soak_run,
    "mtu": mtu_run,
}


def command(options: Any) -> int:
    """Measure once by the method that was named."""
    return BY_METHOD[options.word](options)
