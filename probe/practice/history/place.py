"""The site file of the practice site's eighteen months, and the kiln's own list. Every name is invented.

Pure: text out. Contract GC-40417 stands in the cards of handoffs A and B, the old line's order in its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta

from probe.practice.history.script import TIMEZONE, USUAL, Script
from probe.wire import invitation

KILN = "kiln.csv"  # beside the site file
_HOSTS = {
    "lan": "lan.house.example.net",
    "edge": "edge.house.example.net",
    "north": "north.example.net",
    "south": "south.example.net",
    "ref": "ref.greyfell.example.net",
}


def site_text(*, database: str, secrets: str, script: Script = USUAL) -> str:
    """The site file, with the script's announced works as maintenance windows of handoff A."""
    works = "".join(
        _WORKS.format(
            name=one.reference.lower(),
            day=one.start.date(),
            hours=f"{one.start:%H:%M}-{one.planned_end:%H:%M}",
            reference=one.reference,
            announced=one.start.date() - timedelta(days=_ANNOUNCED_DAYS),
        )
        for one in script.new.works_a
    )
    return (
        _SITE.format(timezone=TIMEZONE, database=database, secrets=secrets, own_list=KILN) + _house() + works
    )


def secrets_text() -> str:
    """Invitations in their form, with keys of zeros: no endpoint answers for an invented line."""
    return "[invitation]\n" + "".join(f'{name} = "{_invitation(host)}"\n' for name, host in _HOSTS.items())


def _invitation(host: str) -> str:
    return invitation.write(
        invitation.Invitation(host=host, port=47862, flow_port=47863, key=bytes(32), pin=bytes(32))
    )


def kiln_list(script: Script, until: date) -> str:
    """When the kiln was on, as the school wrote it down: the CSV that the site file names as its own list."""
    return "what,from,to\n" + "".join(
        f"kiln,{day}T{_clock(start)},{day}T{_clock(end)}\n" for day, start, end in _firings(script, until)
    )


def _firings(script: Script, until: date) -> Iterator[tuple[date, int, int]]:
    kiln, day = script.old.kiln, script.old.first
    while kiln is not None and day <= min(until, script.old.last):
        off = day - timedelta(days=day.weekday()) in kiln.off
        if day.weekday() in kiln.hours.weekdays and not off:
            yield day, kiln.hours.from_minute, kiln.hours.to_minute
        day += timedelta(days=1)


def _clock(minute: int) -> str:
    return f"{minute // 60:02d}:{minute % 60:02d}"


_ANNOUNCED_DAYS = 14
_WORKS = """
[[window]]
name = "{name}"
kind = "maintenance"
dates = [{day}]
hours = "{hours}"
handoffs = ["A"]
reference = "{reference}"
announced = {announced}
"""

_CARD = """\
provider = "Greyfell Circuits"
reference = "GC-40417"
rate_up = "{rate}"
rate_down = "{rate}"
layer = "layer 2"
commitment = "committed"
both_at_once = "yes"
excess = "none"
burst = "{burst}"
reach = "97 %"
medium = "{medium}"
port_rate = "{port}"
at_once_with = ["{other}"]
total_rate = "2.0 Gb/s"
shared_device = ["{other}"]
shared_power = ["{other}"]
shared_fibre = ["{other}"]
frame = {frame}
tags = {tags}
addresses = {addresses}
mtu = 1500
measured_to = "ref.greyfell.example.net"
delay = "9 ms"
delay_variation = "3 ms"
loss = "0.05 %"
availability_rule = "10 consecutive seconds with loss over 50 % begin an outage, 10 good seconds end it"
maintenance_cap = "4 h"
repair = "5 h"
fee = "{fee} crowns a month"
service_start = 2026-06-22
term = "48 months"
renewal = "12 months"
index_from_month = 25
index_most = "3 %"
notice = "4 months"
handover = 2026-06-16
deemed_acceptance = "10 working days"
[handoff.card.availability]
target = "99.93 %"
rule = "severe seconds"
threshold = "50 %"
interval = "1 s"
intervals = 10
good_intervals = 10
period = "month"
counts_from = "detection"
overruns_count = true
excluded_time = "available"
maintenance_days = ["Tue", "Thu"]
maintenance_hours = "02:00-05:00"
maintenance_notice = "10 days"
[handoff.card.loss_interval]
every = "5 min"
loss = "1 %"
[handoff.card.credits]
cap = "45 %"
claim = "21 days"
repair_credit = "3 %"
repair_reported_within = "30 min"
repeat = 3
repeat_longer_than = "4 h"
repeat_within = "90 days"
[[handoff.card.credits.ladder]]
below = "99.93 %"
credit = "8 %"
[[handoff.card.credits.ladder]]
below = "99.50 %"
credit = "20 %"
[[handoff.card.credits.ladder]]
below = "98.00 %"
credit = "40 %"
"""

_STREAM = """\
[[plan.destination]]
name = "{name}"
picture = "{picture}"
video = "{video} Mb/s"
audio = "{audio} kb/s"
{how}
"""
_PUSH = 'transport = "tcp"\nbuffer = "1 s"'
_CLASS_DAYS = 'days = ["Mon", "Tue", "Wed", "Thu"]\nhours = "19:00-21:00"'
_PLANS = (
    (
        "P1",
        "Evening class",
        _CLASS_DAYS,
        _STREAM.format(name="class", picture="1080p30 H.264", video=4.5, audio=160, how=_PUSH),
    ),
    (
        "P2",
        "Kiln opening",
        'days = ["Sat"]\nhours = "15:00-18:00"',
        "".join(
            _STREAM.format(
                name=name,
                picture="1080p60 H.264",
                video=6.5,
                audio=160,
                how=_PUSH + "\nframes_per_second = 60",
            )
            for name in ("hands", "kiln")
        )
        + _STREAM.format(
            name="hall",
            picture="2160p30 HEVC",
            video=14,
            audio=160,
            how='transport = "arq"\nlatency = "1.5 s"\nrepeats = "25 %"',
        ),
    ),
    (
        "P3",
        "Guest potter",
        'days = ["Wed"]\nhours = "17:30-18:15"',
        _STREAM.format(name="guest", picture="call", video=2.5, audio=50, how='transport = "rtp"'),
    ),
    (
        "P5",
        "Rescue rung",
        _CLASS_DAYS,
        _STREAM.format(name="class", picture="720p30 H.264", video=2.5, audio=128, how=_PUSH),
    ),
)

_HOPS = {  # the house's own way: from, to, port rate, cable, length
    "A": ("handoff A", "router", "1 Gb/s", "Cat 6", "2 m"),
    "B": ("handoff B", "router", "10 Gb/s", "fibre", None),
    "switch": ("router", "switch", "10 Gb/s", "Cat 6A", "3 m"),
    "studio 1": ("switch", "studio 1", "5 Gb/s", "Cat 6", "48 m"),
    "studio 2": ("switch", "studio 2", "1 Gb/s", "Cat 5e", "62 m"),
    "office": ("switch", "office", "100 Mb/s", "unknown", None),  # cable of the 1990s, used again
}


def _house() -> str:
    """Both handoffs to both studios and the office."""
    return "".join(
        f'\n[[house]]\nname = "{room} by {handoff}"\nhandoffs = ["{handoff}"]\n'
        + "".join(_hop(_HOPS[each]) for each in (handoff, "switch", room))
        for handoff in ("A", "B")
        for room in ("studio 1", "studio 2", "office")
    )


def _hop(hop: tuple[str, str, str, str, str | None]) -> str:
    start, end, rate, cable, length = hop
    text = f'[[house.hop]]\nfrom = "{start}"\nto = "{end}"\nport_rate = "{rate}"\ncable = "{cable}"\n'
    return text if length is None else f'{text}length = "{length}"\n'


_SITE = (
    """\
# The practice site over eighteen months. All of it is invented: place, providers, contracts, plans, figures.
name = "Quillet Lane School of Ceramics"
invented = true
timezone = "{timezone}"
database = "{database}"
secrets = "{secrets}"
own_list = "{own_list}"
busy_hours = "19:00-22:30"

[safety] # nothing depends on an invented line
emergency_calls = "no"
alarms = "no"
medical_devices = "no"

[[handoff]]
name = "old-wan"
title = "Old line, router side"
interface = "enp3s0"
source = "192.0.2.130"
cap = "1.2 TB"
[handoff.hops]
house = 1
watch = true
[handoff.card]
provider = "Marlstone Cable"
rate_up = "15 Mb/s"
rate_down = "not stated" # sold as "up to" 275/18 Mb/s, which commits to nothing
layer = "not stated"
availability = "not stated"
fee = "64 crowns a month"
notice = "60 days"
[handoff.card.pages]
rate_up = "order confirmation: upload normally 15 Mb/s or more"
rate_down = "tariff sheet: up to 275/18 Mb/s"

[[handoff]]
name = "A"
title = "Handoff A, copper"
interface = "enp5s0"
source = "198.51.100.42"
[handoff.hops]
house = 1
watch = true
[handoff.card]
"""
    + _CARD.format(
        rate="600 Mb/s",
        burst="2.0 MB",
        medium="copper, 1000BASE-T",
        port="1 Gb/s",
        other="B",
        frame=1518,
        tags='"none"',
        addresses='["198.51.100.40/29", "2001:db8:a0::/48"]',
        fee=210,
    )
    + """
[[handoff.card.once]]
what = "installation of both handoffs"
costs = "1450 crowns"
on = 2026-06-16

[[handoff]]
name = "B"
title = "Handoff B, optical"
interface = "enp6s0"
source = "203.0.113.66"
[handoff.hops]
house = 1
watch = true
[handoff.card]
"""
    + _CARD.format(
        rate="1.4 Gb/s",
        burst="4.0 MB",
        medium="single-mode fibre, 10GBASE-LR",
        port="10 Gb/s",
        other="A",
        frame=1600,
        tags="[830]",
        addresses='["203.0.113.64/28", "2001:db8:b0::/48"]',
        fee=375,
    )
    + """
[[endpoint]] # lan.house.example.net, 192.0.2.131
name = "lan"
where = "house"

[[endpoint]] # edge.house.example.net, 192.0.2.190
name = "edge"
where = "house"

[[endpoint]] # north.example.net, 192.0.2.230, 2001:db8:e1::10
name = "north"

[[endpoint]] # south.example.net, 198.51.100.210, 2001:db8:e2::10
name = "south"

[[endpoint]] # ref.greyfell.example.net, 203.0.113.9, in the provider's own network
name = "ref"
"""
    + "".join(
        f'\n[[train]]\nhandoff = "{handoff}"\nendpoint = "{endpoint}"\nper_second = 20\nspan = "{span} s"\n'
        for handoff, ends in (
            ("old-wan", (("north", 300), ("south", 300), ("lan", 300))),
            ("A", (("north", 1800), ("south", 1800), ("ref", 300), ("edge", 1800))),
            ("B", (("north", 1800), ("south", 1800), ("ref", 300), ("edge", 1800))),
        )
        for endpoint, span in ends
    )
    + "".join(
        f'\n[[run]]\nhandoff = "{handoff}"\nendpoint = "{endpoint}"\ndirection = "{direction}"\n'
        f'seconds = {seconds}\nevery = "{every}"\n'
        for handoff, endpoint, direction, seconds, every in (
            ("old-wan", "north", "up", 10, "15 min"),
            ("old-wan", "south", "up", 10, "15 min"),
            ("old-wan", "north", "down", 5, "1 h"),
            ("A", "north", "up", 5, "4 h"),
            ("A", "south", "up", 5, "4 h"),
            ("A", "north", "down", 5, "4 h"),
            ("B", "north", "up", 5, "1 h"),
            ("B", "south", "up", 5, "1 h"),
            ("B", "north", "down", 5, "4 h"),
        )
    )
    + "".join(
        f'\n[[plan]]\nname = "{name}{suffix}"\ntitle = "{title}"\nhandoff = "{handoff}"\n{when}\n{streams}'
        for suffix, handoff in (("", "A"), ("-old", "old-wan"))
        for name, title, when, streams in _PLANS
    )
)
