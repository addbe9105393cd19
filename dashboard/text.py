"""Records and verdicts as plain text for a terminal: sentences first, figures after.

What a command prints when it is not asked for JSON. Pure: values in, text out. Imports store
and the judges' values, never probe.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict
from datetime import date, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dashboard.judge import mtu as mtu_words
from dashboard.judge.card_check import Trouble, Warned
from store import case_words
from store.capacity import CapacityRun
from store.clock import local, rfc3339, zone
from store.histogram import Delays
from store.loaded_delay import Added, Foreign, LoadedDelayRun, PartDelay, UnderLoad
from store.lookups import WAITED_S, Heard, Lookups, NameAsked
from store.paced import PacedRun
from store.path_mtu import PathMtu
from store.quantities import counted, grouped, percent, size_text
from store.records import REASONS, Direction, RateRun, RateSide, Stall, TrainSpan
from store.samples import PACKET_BYTES
from store.segments import Split
from store.site import CampaignPlan, Claim, Evidence, Handoff, Site, StreamPlan

if TYPE_CHECKING:  # only their values are looked at, and that would load scipy, numpy or cryptography
    from dashboard.campaign_results import Told
    from dashboard.judge.campaign import Fate
    from dashboard.judge.segments import Judged, Segment
    from dashboard.judge.stream import Check
    from store.bundle import Checked
    from store.cap import CapState
    from store.cases import Case
    from store.corrections import Corrected
    from store.export import Exported
    from store.pack import Written
    from store.thinning import Due, Plan, Rule
    from store.verify import Finding, Result

Costs = Mapping[str, Sequence[tuple[str, int]]]  # handoff -> (what, bytes)


def rate_run(run: RateRun) -> str:
    """A rate run: what arrived at which layer, what held it, delay idle and loaded, its standing."""
    flows = counted(run.flows, "flow")
    what = "light run" if run.light else "rate run"
    lines = [f"{rfc3339(run.started_unix_ns)}  {what}, {run.seconds:g} s, {flows} a direction"]
    lines += [_asked(run, direction) for direction in run.sides() if run.light]
    lines += [line for direction, side in run.sides().items() for line in _side(direction, side)]
    lines += [
        f"Delay idle:   {_delays(run.rtt_idle_us)}",
        f"Delay loaded: {_delays(run.rtt_loaded_us)} ({run.timestamps} time stamps, round trip)",
        standing_line(str(run.standing), run.reasons),
    ]
    return "\n".join(lines)


def events(found: Sequence[Case], *, first: date, last: date, where: tzinfo) -> str:
    """The cases of some days, oldest first, each with its events; times are local at `where`."""
    if not found:
        return f"No event is on record from {first} to {last}."
    return "\n".join(line for case in found for line in _case(case, where))


def _case(case: Case, where: tzinfo) -> Iterator[str]:
    state = "under way" if case.under_way else "open" if case.ended_unix_ns is None else "over"
    yield f"{local(case.started_unix_ns, where):%Y-%m-%d %H:%M:%S}  {state}  {case_words.says(case)}"
    why = f"{case.why} " if case.why else ""
    yield f"  Owner: {case.owner}. {why}Next: {case_words.next_step(case)}"
    for event in case.events:
        yield f"    {local(event.started_unix_ns, where):%m-%d %H:%M:%S}  {event.what}: {event.says}"


def host_check(checks: Sequence[tuple[str, str, str, str]]) -> str:
    """A line a check: name, state, what was found, and what is right."""
    width = max(len(name) for name, *_ in checks)
    return "\n".join(
        f"{state:<8} {name:<{width}}  {found}; right is {right}" for name, state, found, right in checks
    )


def paced_run(run: PacedRun) -> str:
    """A paced run: what arrived of what was offered, what became of the rest, delay variation, standing."""
    lines = [
        f"{rfc3339(run.started_unix_ns)}  paced run {run.direction}, {run.seconds:g} s, "
        f"{mbps(run.offered_bps)} offered at the IP layer in packets of {run.payload_bytes} bytes, "
        f"IPv{run.ip_version}",
        f"{mbps(run.rates.ip_bps)} arrived at the IP layer in the "
        f"{(run.steady_to_ms - run.steady_from_ms) / 1000:g} s counted (the first "
        f"{run.steady_from_ms / 1000:g} s are start-up): payload {mbps(run.rates.goodput_bps)}, "
        f"layer 2 {mbps(run.rates.ethernet_bps)}, on the wire {mbps(run.rates.wire_bps)}.",
        f"{run.sent} sent, {run.lost} lost on the way ({percent(run.loss_ratio, 4)}); "
        f"{run.reordered} reordered, {run.duplicated} duplicated, {run.late} too late to tell.",
        _receiver(run),
        _sender(run),
        f"PDV: {_delays(run.pdv_us.delays())} ({run.timestamps} time stamps; over the least of each 100 ms)",
        f"Limited by: {run.limited_by or 'nothing, all of it arrived'}.",
        standing_line(str(run.standing), run.reasons),
    ]
    return "\n".join(lines)


def path_mtu(found: PathMtu) -> str:
    """The path MTU: a line for each IP version, and standing."""
    lines = [f"{rfc3339(found.started_unix_ns)}  path MTU, found in {found.seconds:.1f} s"]
    lines += [f"IPv{one.ip_version}: {mtu_words.said(one)}" for one in found.found]
    return "\n".join([*lines, standing_line(str(found.standing), found.reasons)])


def lookup(found: Lookups) -> str:
    """A line for each query, what its TTL tells, and standing."""
    lines = [f"{rfc3339(found.started_unix_ns)}  name lookup, resolver {found.resolver}"]
    lines += [f"{one.name}: {_looked_up(one)}" for one in found.asked]
    lines.append(
        "A resolver answers from its memory what it was asked before: a TTL below the highest that a name "
        "ever has tells it, and the time is then that of its memory."
    )
    return "\n".join([*lines, standing_line(str(found.standing), found.reasons)])


def _looked_up(one: NameAsked) -> str:
    why = f" ({one.why})" if one.why else ""
    if one.took_us is None:
        wait = f" within {WAITED_S:g} s" if one.told is Heard.SILENT else ""
        return f"{one.told}{wait}{why}"
    ttl = "" if one.ttl_s is None else f", TTL {one.ttl_s} s"
    return f"{one.told}{why} after {_ms(one.took_us)}{ttl}"


def capacity_run(run: CapacityRun) -> str:
    """A capacity run: the most that arrived in a second, how it was found, the rest, standing."""
    second_s = run.maximum_from_ms / 1000
    lines = [
        f"{rfc3339(run.started_unix_ns)}  capacity run {run.direction}, {run.seconds:g} s, "
        f"packets of {run.payload_bytes} bytes, IPv{run.ip_version}",
        f"{mbps(run.ip_capacity_bps)} at the IP layer was the most that arrived in a second "
        f"(from {second_s:g} s to {second_s + run.sub_interval_ms / 1000:g} s): "
        f"payload {mbps(run.rates.goodput_bps)}, layer 2 {mbps(run.rates.ethernet_bps)}, "
        f"on the wire {mbps(run.rates.wire_bps)}. "
        f"{percent(run.maximum_loss_ratio, 4)} of its packets were lost.",
        f"Second by second, IP layer: {', '.join(mbps(each.ip_bps) for each in run.sub_intervals)}.",
        _searched(run),
        f"{run.sent} sent, {run.lost} lost on the way ({percent(run.loss_ratio, 4)}); "
        f"{run.reordered} reordered, {run.duplicated} duplicated, {run.late} too late to tell.",
        _receiver(run),
        f"PDV: {_delays(run.pdv_us.delays())} ({run.timestamps} time stamps; over the least of each 100 ms)",
        f"Limited by: {run.limited_by}.",
        standing_line(str(run.standing), run.reasons),
    ]
    return "\n".join(lines)


def loaded_delay_run(run: LoadedDelayRun) -> str:
    """A loaded-delay run: the delay without load and under each load, apart, and what the load added."""
    lines = [
        f"{rfc3339(run.started_unix_ns)}  loaded-delay run, {run.seconds:g} s a load with "
        f"{counted(run.flows, 'flow')}, {run.per_second:g} packets a second of {run.packet_bytes} bytes "
        f"({run.timestamps} time stamps)",
        f"Idle, {run.idle.seconds:.1f} s without load:",
        *_part(run.idle),
    ]
    for load in run.loads:
        lines += _under(load)
    lines.append(f"Round trips per minute are by {run.responsiveness}.")
    return "\n".join([*lines, standing_line(str(run.standing), run.reasons)])


def train(span: TrainSpan, stalls: Sequence[Stall]) -> str:
    """A whole train: loss by direction, delay and its variation, silences."""
    lost = f"{span.lost_up} lost up, {span.lost_down} lost down"
    lost += f", {span.lost_unattributed} lost without a known direction" if span.lost_unattributed else ""
    lines = [
        f"{rfc3339(span.started_unix_ns)}  train, {span.seconds:g} s, {span.per_second:g} a second, "
        f"{span.packet_bytes} bytes",
        f"{span.sent} sent, {lost}; {span.held_up} held up, {span.held_down} held down; "
        f"{span.reordered} reordered, {span.duplicated} duplicated.",
        f"Round trip: {_delays(span.rtt.delays())} ({span.timestamps} time stamps)",
        f"PDV up:     {_delays(span.pdv_up.delays())} (delay over the span's minimum)",
        f"PDV down:   {_delays(span.pdv_down.delays())}",
        f"Jitter up {_ms(span.jitter_up_us)}, down {_ms(span.jitter_down_us)} (RFC 3550, at the end)",
        f"{counted(len(stalls), 'stall')} of 0.5 s and more, {counted(span.blips, 'blip')} from 0.2 s on.",
    ]
    lines += [
        f"  {rfc3339(stall.started_unix_ns)}  {stall.class_} of {stall.seconds:.2f} s, {stall.direction}, "
        f"packets {stall.how} ({stall.lost} lost, {stall.held} held)"
        for stall in stalls
    ]
    return "\n".join([*lines, standing_line(str(span.standing), span.reasons)])


def split(record: Split, found: Judged) -> str:
    """A split: who must act, why, what would decide, and a row for each segment."""
    from dashboard.judge.segments import Word  # numerics, that only this text needs

    match found.word:
        case Word.CLEAR:
            head = "Owner: nobody."
        case Word.DECIDED:
            head = f"Owner: {found.owner}."
        case _:
            head = "Undecided."
    lines = [f"{rfc3339(record.started_unix_ns)}  split of handoff {record.handoff}, {record.seconds:g} s"]
    lines += [head, found.because]
    if found.decides:
        lines.append(f"What would decide: {found.decides}.")
    lines += [_segment(one) for one in found.segments]
    lines.append("Loss is there and back, outside of stalls; a hop's answers have limits of their own.")
    if record.reasons:
        lines.append(standing_line(str(record.standing), record.reasons))
    return "\n".join(lines)


def _segment(one: Segment) -> str:
    seen = one.seen
    name = seen.name or "no answer"
    what = f"{seen.station} {name}" + (f" at TTL {seen.ttl}" if seen.ttl is not None else "")
    if seen.failed is None:
        loss = "" if one.loss_ratio is None else f", {percent(one.loss_ratio, 2)} of {seen.sent} lost"
        delays = seen.rtt_us
        rtt = "" if delays is None else f", round trip {_ms(delays.p50)}, p95 {_ms(delays.p95)}"
        stalls = f", {counted(len(seen.stalls), 'stall')}" if seen.stalls else ""
        what += f"{loss}{rtt}{stalls}"
    return f"  {one.segment}  {what}{f' ({one.note})' if one.note else ''}"


def exported(done: Exported, *, to: Path) -> str:
    """What an export holds, by kind of record."""
    rows = [f"{kind}: {counted(count, 'row')}" for kind, count in done.rows.items() if count]
    if done.rows and not rows:
        rows = ["no record of that time and handoff"]
    return "\n".join([*rows, f"{counted(len(done.files), 'file')} written: {to}"])


def packed(written: Written, *, to: Path) -> str:
    """What a pack holds."""
    return (
        f"{counted(written.records, 'record')} of {counted(written.days, 'day')} written: {to}\n"
        f"Anybody can check it with: linebook verify {to}"
    )


def verified(result: Result, *, what: Path, asked_key: bool) -> str:
    """Whether a record is what was sealed, how far, and what it rests on."""
    lines = [f"{what}: {'verified' if result.verified else 'NOT VERIFIED'}."]
    lines += [_finding(finding, nth) for nth, finding in enumerate(result.findings)]
    if result.signed_unix_ns is not None:
        day = f", the last whole day {result.complete_day}" if result.complete_day else ""
        lines.append(
            f"Signed up to record {result.signed_seq}, at {rfc3339(result.signed_unix_ns)}{day}; "
            f"{counted(result.heads, 'head')}."
        )
    if result.provisional:
        lines.append(
            f"Provisional: {counted(result.provisional, 'record')} after that fit the chain, but no head is "
            "signed for them yet."
        )
    if result.before_seal:
        lines.append(
            f"Records 1 to {result.before_seal} are from before the seal: unchanged since, not before."
        )
    lines += [
        f"Thinned: {one.first_seq} to {one.last_seq} ({one.why}); what is left of them fits."
        for one in result.thinned
    ]
    lines += [
        f"Time stamp of {one.day}'s head: {rfc3339(one.unix_ns)} (its own signature is not checked here)"
        for one in result.stamped
    ]
    hint = "" if asked_key else "; compare it with the one you noted elsewhere, or give it with --key"
    lines += [f"Key {name}{hint}." for name in result.fingerprints]
    return "\n".join(lines)


def bundle_verified(found: Checked, *, what: Path, asked_key: bool) -> str:
    """Whether an evidence pack is what was signed; the first sentence names the first file that is not."""
    lines = [f"{what}: {'verified' if found.verified else 'NOT VERIFIED'}."]
    lines += [f"{one.what.capitalize()}: {one.why}." for one in found.findings]
    lines.append(
        f"{counted(found.files, 'file')} by the manifest; {counted(found.heads, 'signed head')} of the "
        f"record, up to record {found.head_seq}."
    )
    lines += [
        f"Time stamp of head {head}: {rfc3339(at_ns)} (its own signature is not checked here)"
        for head, at_ns in found.stamped
    ]
    if found.fingerprint is not None:
        hint = "" if asked_key else "; compare it with the one that its keeper told you by another way"
        lines.append(f"Key {found.fingerprint}{hint}.")
    return "\n".join(lines)


def check(plan: StreamPlan, found: Check, notes: Iterable[str]) -> str:
    """The answer for a stream plan, its deciding reason, the changes that help, and notes on it."""
    lines = [f"{str(found.answer).capitalize()}: {found.because}"]
    if found.smallest_change:
        lines.append(f"Smallest change that helps: {found.smallest_change}")
    if others := [one.text for one in found.options[1:]]:
        lines.append(f"Others: {' '.join(others)}")
    lines += notes
    lines += [*_chance(found), *(f"Latency of {name}: {one.because}." for name, one in found.latencies)]
    floor = "none yet" if found.floor_bps is None else mbps(found.floor_bps)
    lines.append(
        f"{plan.title}: demand {mbps(found.demand_bps)}, peak {mbps(found.peak_bps)}, floor of comparable "
        f"hours {floor} (all at the IP layer); keyframes of all at once {size_text(found.keyframes_bytes)}"
        + ("" if found.keyframes_ms is None else f", which take {found.keyframes_ms} ms at the floor")
    )
    return "\n".join(lines)


def _chance(found: Check) -> list[str]:
    """The chance of a clean show as a sentence, with its bounds; none without a day that was watched."""
    chance = found.chance
    if chance is None or not chance.days:
        return []
    return [
        f"Clean from start to end: {chance.clean:.3g} of {counted(chance.days, 'comparable show')} would "
        f"have been; the next one is with a chance of {chance.low * 100:.0f} to {chance.high * 100:.0f} % "
        "(each bound with 95 % confidence)."
    ]


def campaigns(told: Sequence[Told], ahead: Sequence[CampaignPlan]) -> str:
    """Every campaign with its counts and its answer in a word, then those that have not begun."""
    lines = []
    for one in told:
        campaign = one.campaign
        lines += [
            f"{campaign.name}, handoff {campaign.handoff}: {campaign.question}",
            f"  {_answer_word(one)}; {_outcomes(one)}",
        ]
    for plan in ahead:
        lines += [
            f"{plan.name}, handoff {plan.run.handoff}: {plan.question}",
            f"  not begun; fixed when it begins, on {plan.first_day}",
        ]
    return "\n".join(lines) or "No campaign is on record."


def campaign(told: Told) -> str:
    """A campaign's result: its question, what was fixed, the answer, and every planned run."""
    campaign, where = told.campaign, zone(told.campaign.timezone)
    fixed = local(campaign.started_unix_ns, where).isoformat(sep=" ", timespec="seconds")
    lines = [
        f"{campaign.name}, handoff {campaign.handoff}, to {campaign.endpoint}: {campaign.question}",
        f"Answer: {_answer_word(told)}.",
        *told.answer.sentences,
        f"Question and moments of its {counted(len(campaign.planned), 'run')} were fixed on {fixed}, as "
        f"record {told.seq} of the chain.",
    ]
    if told.thinned:
        lines.append(
            f"The 100 ms bins of {counted(told.thinned, 'run')} were let go with age; all else is whole."
        )
    if told.corrected:
        many = len(told.corrected)
        lines.append(
            f"{counted(many, 'record')} of it {'has' if many == 1 else 'have'} been corrected; the figures "
            f"still count {'it' if many == 1 else 'them'} as measured."
        )
    lines += [*_corrections(told.corrections.of(campaign), where), _outcomes(told)]
    for fate in told.result.fates:
        lines.append(_fate(fate, where))
        if fate.record is not None:
            lines += _corrections(told.corrections.of(fate.record), where)
    return "\n".join(lines)


def site(
    site: Site,
    costs: Costs,
    questions: Mapping[str, Sequence[str]],
    answers: Mapping[str, Sequence[str]],
    warned: Mapping[str, Sequence[Warned]],
) -> str:
    """What `site check` says of a file without mistakes: its schedule's bytes, its cards' open questions.

    `answers` are sentences about each handoff; the first is whether runs may fill it, and comes before all.
    """
    lines = [f"{site.file}: no mistakes found. {'Invented data. ' if site.invented else ''}".rstrip()]
    lines += [f"Handoff {name}: {sentences[0]}" for name, sentences in answers.items()]
    for handoff in site.handoffs:
        lines += ["", f"Handoff {handoff.name} ({handoff.title})", *answers[handoff.name][1:]]
        lines.append("Bytes in 30 days, both directions:")
        rows = costs.get(handoff.name, ())
        lines += [f"  {size_text(amount):>10}  {what}" for what, amount in rows]
        total = sum(amount for _, amount in rows)
        allowed = handoff.allowance_bytes
        verdict = "no test allowance is set" if allowed is None else f"test allowance {size_text(allowed)}"
        over = ", which it EXCEEDS" if allowed is not None and total > allowed else ""
        lines.append(f"  {size_text(total):>10}  together; {verdict}{over}")
        if handoff.cap is not None:
            cap = handoff.cap
            lines.append(
                f"  The provider lets {size_text(cap.limit_bytes)} a month pass, from day {cap.resets_day} "
                f"on; tests are {percent(total / cap.limit_bytes, 1)} of that. "
                "This host's interface counts it."
            )
        open_ = questions.get(handoff.name, ())
        lines += _versions(handoff, zone(site.timezone))
        lines += _warnings(handoff.name, warned.get(handoff.name, ()))
        asked = {one.question for one in warned.get(handoff.name, ())}
        left = [question for question in open_ if question not in asked]
        besides = " besides" if len(left) < len(open_) else ""
        lines.append(f"Contract card {handoff.name}: {counted(len(left), 'open question')}{besides}")
        lines += [f"  - {question}" for question in left]
    return "\n".join([*lines, "", *_evidence(site.rules.evidence)])


def _versions(handoff: Handoff, where: tzinfo) -> list[str]:
    """Since when each version of a card is in force; nothing where there is one."""
    if not handoff.earlier:
        return []
    since = [
        "the beginning"
        if card.from_unix_ns is None
        else local(card.from_unix_ns, where).isoformat(sep=" ", timespec="minutes")
        for card in handoff.cards
    ]
    return [
        f"Contract card {handoff.name}: {len(since)} versions, in force from {', then from '.join(since)}"
    ]


def _warnings(handoff: str, warned: Sequence[Warned]) -> list[str]:
    """What a card promises and cannot keep, or says vaguely, each with what to ask; nothing without any."""
    lines = [f"Contract card {handoff}: {counted(len(warned), 'warning')}"] if warned else []
    for one in warned:
        word = "CANNOT BE MET" if one.trouble is Trouble.UNMEETABLE else "Vague"
        lines += [f"  {word}: {one.because}", f"    Ask: {one.question}"]
    return lines


def _evidence(rules: Evidence) -> list[str]:
    """The rules by which a record may speak about the line, each as it is in force."""
    errors = "never asked" if rules.port_errors is None else f"at most {rules.port_errors}"
    allowed = {True: "allowed", False: "excludes"}
    changed = rules.changed()
    return [
        "Evidence about a line, by [rules]"
        + (f" (changed: {changed}):" if changed else " (the usual ones):"),
        f"  other traffic at the handoff      at most {rules.other_traffic_ratio * 100:g} % of the rate",
        f"  wireless                          {allowed[rules.wireless]}",
        f"  a tunnel                          {allowed[rules.tunnel]}",
        f"  half duplex                       {allowed[rules.half_duplex]}",
        f"  damaged frames at the own port    {errors}",
        f"  one core of probe or endpoint     below {rules.cpu_ratio * 100:g} %",
        f"  TCP windows without a queue       below {rules.window_ratio * 100:g} % of the busy time",
        f"  rate at the top of a port         not within {rules.port_band_ratio * 100:g} % of it",
        f"  ceiling of host and of endpoint   {rules.ceiling_factor:g} times the rate or more",
        "  another way out than the handoff  excludes, always",
    ]


def budget(rows: Sequence[tuple[Sequence[str], CapState | None]], where: tzinfo) -> str:
    """What is spent and used on each handoff: sentences about tests, and how its cap stands."""
    from dashboard.pages.budget import said as cap_said  # the reader, that only this text needs

    lines = []
    for sentences, state in rows:
        lines += [f"{said[:1].upper()}{said[1:]}." for said in sentences]
        if state is not None:
            lines.append(f"  {cap_said(state, where)}")
    return "\n".join(lines)


def keep(site: Site, plan: Plan, due: Sequence[Due] | None) -> str:
    """What the rules for age will remove the next time; `due` is None without a database."""
    lines = ["", "Kept, by age:"]
    for rule in plan.rules:
        said = f"  {rule.key}: {counted(rule.days, 'day')}"
        if due is not None:
            rows, size = _going(rule, due)
            gone = f"{rows} rows, {size_text(size)}" if rows else "nothing"
            said += f"; will remove what began before {rfc3339(rule.before_ns)} next time: {gone}"
        lines.append(said)
    lines.append(f"  {counted(len(plan.spared), 'claim')} in this file, of whose days nothing goes")
    lines += [
        f"  claim {claim.name}: measured on its days, every packet of a train is kept, some "
        f"{size_text(_claim_day_bytes(site, claim))} a day"
        for claim in site.claims
    ]
    return "\n".join(lines)


def keep_json(plan: Plan, due: Sequence[Due] | None) -> list[dict[str, Any]]:
    """The same for programs; rows and bytes are None without a database."""
    return [
        {
            "rule": rule.key,
            "days": rule.days,
            "before": rfc3339(rule.before_ns),
            "rows": None if due is None else _going(rule, due)[0],
            "bytes": None if due is None else _going(rule, due)[1],
        }
        for rule in plan.rules
    ]


def _claim_day_bytes(site: Site, claim: Claim) -> int:
    """What keeping every packet of a day comes to, on trains that go all day."""
    trains = (train for train in site.trains if claim.handoff in (None, train.handoff))
    return round(sum(train.per_second for train in trains) * 86_400 * PACKET_BYTES)


def _going(rule: Rule, due: Sequence[Due]) -> tuple[int, int]:
    own = [one for one in due if one.rule == rule]
    return sum(one.rows for one in own), sum(one.bytes for one in own)


def site_json(
    site: Site,
    costs: Costs,
    questions: Mapping[str, Sequence[str]],
    answers: Mapping[str, Sequence[str]],
    warned: Mapping[str, Sequence[Warned]],
) -> dict[str, Any]:
    """The same as one JSON object."""
    return {
        "kind": "site",
        "schema": 1,
        "name": site.name,
        "invented": site.invented,
        "handoffs": [
            {
                "handoff": handoff.name,
                "said": list(answers[handoff.name]),
                "allowance_bytes": handoff.allowance_bytes,
                "month_bytes": sum(amount for _, amount in costs.get(handoff.name, ())),
                "month": [{"what": what, "bytes": amount} for what, amount in costs.get(handoff.name, ())],
                "cards": [
                    {
                        "from": None if card.from_unix_ns is None else rfc3339(card.from_unix_ns),
                        "not_stated": list(card.not_stated),
                    }
                    for card in handoff.cards
                ],
                "questions": list(questions.get(handoff.name, ())),
                "warnings": [one.as_json() for one in warned.get(handoff.name, ())],
            }
            for handoff in site.handoffs
        ],
        "evidence": asdict(site.rules.evidence),
    }


def mbps(rate_bps: float) -> str:
    """A rate in Mb/s (10^6) with three or four digits that mean something."""
    rate = rate_bps / 1e6
    return f"{rate:.2f} Mb/s" if rate < 10 else f"{rate:.1f} Mb/s" if rate < 1000 else f"{rate:.0f} Mb/s"


def _answer_word(told: Told) -> str:
    if told.answer.word is not None:
        return str(told.answer.word)
    return "measured, no verdict" if told.result.ended else "under way, no answer yet"


def _outcomes(told: Told) -> str:
    counts = ", ".join(f"{count} {_spaced(outcome)}" for outcome, count in told.result.counts.items())
    return f"{counted(len(told.campaign.planned), 'planned run')}: {counts}"


def _spaced(outcome: str) -> str:
    return outcome.replace("_", " ")


def _fate(fate: Fate, where: tzinfo) -> str:
    at = local(fate.planned.start_unix_ns, where).isoformat(sep=" ", timespec="seconds")
    found = fate.why
    if isinstance(fate.record, RateRun):
        rates = [f"{way} {mbps(side.rates.goodput_bps)}" for way, side in fate.record.sides().items()]
        against = [why for brings, why in map(REASONS.__getitem__, fate.record.reasons) if brings != "valid"]
        found = ", ".join([*rates, *against])
    return f"  {at}  {_spaced(fate.outcome):<11}  {found}"


def _corrections(found: Corrected | None, where: tzinfo) -> Iterable[str]:
    for one in found.corrections if found else ():
        at = local(one.written_unix_ns, where).isoformat(sep=" ", timespec="seconds")
        yield f"    corrected on {at}: {one.what} ({one.why})"


def _finding(finding: Finding, nth: int) -> str:
    """A thing that does not fit, with the record that it is about where it is still there."""
    place = "" if finding.seq is None else f" record {finding.seq}"
    if finding.kind is not None:
        at = f" of {finding.started}" if finding.started else ""
        of_handoff = f", handoff {finding.handoff}" if finding.handoff else ""
        place += f" ({finding.kind}{at}{of_handoff})"
    words = f"{finding.what.capitalize()}:{place}: {finding.why}" if place else finding.why
    return f"{'First' if nth == 0 else 'Also'}: {words}."


def _under(load: UnderLoad) -> Iterator[str]:
    rates = {"up": load.up_goodput_bps, "down": load.down_goodput_bps}
    filled = ", ".join(f"{mbps(rate)} {way}" for way, rate in rates.items() if rate is not None)
    how = "both ways at once" if load.direction is Direction.BOTH else str(load.direction)
    yield f"Under load {how}, {load.seconds:.1f} s with {filled} of payload:"
    yield from _part(load.delay)
    added = {"round trip": load.added_rtt, "way up": load.added_up, "way down": load.added_down}
    yield f"  Added by the load: {'; '.join(f'{what} {_added(each)}' for what, each in added.items())}."
    if load.buffer_delay_ratio is not None:
        yield (
            f"  Buffer delay {percent(load.buffer_delay_ratio)} of the least idle round trip (RFC 6349 4.3)."
        )
    back = f"still there {load.after_s:.1f} s" if load.back_ms is None else f"gone {load.back_ms} ms"
    yield f"  What it added was {back} after its end."


def _part(part: PartDelay) -> Iterator[str]:
    yield f"  Round trip: {_delays(part.rtt_us.delays())}"
    for way, pdv in (("up:  ", part.pdv_up_us), ("down:", part.pdv_down_us)):
        yield f"  PDV {way}   {_delays(pdv.delays() if pdv else None)}"
    yield (
        f"  {part.sent} sent, {part.lost_up} lost up, {part.lost_down} lost down, {part.lost_unattributed} "
        "lost without a known direction."
    )
    yield f"  {_foreign(part.foreign)}"


def _foreign(found: Foreign | None) -> str:
    if found is None:
        return "Foreign probes: none was answered."
    return (
        f"Foreign probes: {found.foreign_rpm:.0f} round trips per minute (TCP {_ms(found.tcp_us)}, TLS "
        f"{_ms(found.tls_us)}, HTTP {_ms(found.http_us)}) of {found.count}, {found.failed} without an answer."
    )


def _added(added: Added | None) -> str:
    return "unknown" if added is None else f"p50 {_ms(added.p50_us)}, p95 {_ms(added.p95_us)}"


def _searched(run: CapacityRun) -> str:
    if run.top_bps is None or run.burst_bytes is None:
        return "How the search went is not known: the sender's report was lost."
    met = "met congestion" if run.congested else "met no congestion"
    paused = f", {run.paused_ms / 1000:g} s paused" if run.paused_ms else ""
    return (
        f"The search went up to {mbps(run.top_bps)} in {counted(len(run.steps), 'step')} and {met}; longest "
        f"burst {grouped(run.burst_bytes)} bytes, {grouped(run.unsent or 0)} packets due and not "
        f"sent{paused}."
    )


def _receiver(run: PacedRun | CapacityRun) -> str:
    if not run.dropped_socket and not run.dropped_host:
        return "Nothing was dropped at the receiving host."
    return (
        f"At the receiving host, no loss of the line: {grouped(run.dropped_socket)} dropped as the "
        "receive buffer "
        f"({grouped(run.buffer_bytes)} bytes) was full, {grouped(run.dropped_host)} of any kind dropped "
        "by its processors."
    )


def _sender(run: PacedRun) -> str:
    if run.sent_bps is None or run.burst_us is None or run.burst_bytes is None:
        return "What the sender did is not known: its report was lost."
    paused = f", {run.paused_ms / 1000:g} s paused" if run.paused_ms else ""
    return (
        f"Sender: {mbps(run.sent_bps)}, longest burst {run.burst_us / 1000:.3f} ms of the offered rate "
        f"({grouped(run.burst_bytes)} bytes), {run.segments} packets a call, {grouped(run.unsent or 0)} due "
        f"and not sent{paused}."
    )


def _asked(run: RateRun, direction: Direction) -> str:
    at_most_bps = run.at_most_goodput_bps(direction)
    if at_most_bps is None:
        return f"{direction.capitalize()}: asked for all that the line gives."
    return f"{direction.capitalize()}: asked for no more than {mbps(at_most_bps)} of payload."


def _side(direction: Direction, side: RateSide) -> Iterable[str]:
    counted_s = (side.steady_to_ms - side.steady_from_ms) / 1000
    rates = side.rates
    yield (
        f"{direction.capitalize()}: {mbps(rates.goodput_bps)} of payload arrived in the {counted_s:g} s "
        f"counted (the first {side.steady_from_ms / 1000:g} s are start-up)."
    )
    yield (
        f"  IP layer {mbps(rates.ip_bps)}, layer 2 {mbps(rates.ethernet_bps)}, "
        f"on the wire {mbps(rates.wire_bps)} (segments of {side.mss_bytes} bytes, IPv{side.ip_version})"
    )
    yield (
        f"  slowest second {mbps(side.lowest_second_bps)}; "
        f"{percent(side.retransmitted_ratio, 3)} of the bytes sent again; limited by: {side.limited_by}; "
        f"congestion control {side.congestion}"
    )


def _delays(delays: Delays | None) -> str:
    if delays is None:
        return "not measured"
    return (
        f"min {_ms(delays.min)}, p50 {_ms(delays.p50)}, p95 {_ms(delays.p95)}, p99 {_ms(delays.p99)}, "
        f"max {_ms(delays.max)} of {delays.count}"
    )


def _ms(delay_us: float | None) -> str:
    return "none" if delay_us is None else f"{delay_us / 1000:.2f} ms"


def standing_line(standing: str, reasons: Sequence[str]) -> str:
    """Whether a record may speak about the line, and why."""
    why = "; ".join(f"{reason} ({REASONS[reason][1]})" for reason in reasons)
    return f"Standing: {standing}{'; ' if why else ''}{why}"
