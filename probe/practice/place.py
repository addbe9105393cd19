"""The practice site as a site file: an invented school, its invented old line, and what it streams.

Every name and figure is invented. Pure: text out; the time is handed in.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta

ENDPOINT = "north"
HANDOFF = "old-wan"

_LEAD_MINUTES = (
    45  # comparable hours of a plan begin an hour before it, so the practice itself is one of them
)
_STEP_MINUTES = 15
_CLASS_HOURS = 2
_SATURDAY = 5

_SITE = """\
# The practice site. Everything here is invented: place, provider, contract, plans.
name = "Quillet Lane School of Ceramics"
invented = true
timezone = "{timezone}"
database = "{database}"
secrets = "{secrets}"

[safety] # nothing depends on an invented line
emergency_calls = "no"
alarms = "no"
medical_devices = "no"

[[handoff]]
name = "{handoff}"
title = "Old line"
[handoff.card]
provider = "Marlstone Cable"
rate_up = "15 Mb/s"
rate_down = "not stated" # sold as "up to" 275/18 Mb/s, which commits to nothing
layer = "not stated"
availability = "not stated"
fee = "64 crowns"
notice = "60 days"
[handoff.card.pages]
rate_up = "order confirmation: upload normally 15 Mb/s or more"
rate_down = "tariff sheet: up to 275/18 Mb/s"

[[endpoint]]
name = "{endpoint}"
where = "outside"

[[train]]
handoff = "{handoff}"
endpoint = "{endpoint}"
per_second = 20
span = "10 s"

[[run]]
handoff = "{handoff}"
endpoint = "{endpoint}"
direction = "up"
seconds = 4
every = "12 s"

[[run]]
handoff = "{handoff}"
endpoint = "{endpoint}"
direction = "down"
seconds = 3
every = "30 s"

[[plan]]
name = "P1"
title = "Evening class"
handoff = "{handoff}"
dates = [{class_date}]
hours = "{class_hours}"
[[plan.destination]]
name = "class"
picture = "1080p30 H.264"
video = "4.5 Mb/s"
audio = "160 kb/s"
transport = "tcp"
buffer = "1 s"

[[plan]]
name = "P2"
title = "Kiln opening"
handoff = "{handoff}"
dates = [{kiln_date}]
hours = "15:00-18:00"
[[plan.destination]]
name = "hands"
picture = "1080p60 H.264"
video = "6.5 Mb/s"
audio = "160 kb/s"
transport = "tcp"
frames_per_second = 60
[[plan.destination]]
name = "kiln"
picture = "1080p60 H.264"
video = "6.5 Mb/s"
audio = "160 kb/s"
transport = "tcp"
frames_per_second = 60
[[plan.destination]]
name = "hall"
picture = "2160p30 HEVC"
video = "14 Mb/s"
audio = "160 kb/s"
transport = "arq"
latency = "1.5 s"
repeats = "25 %"
"""


def site_text(*, now: datetime, timezone: str, database: str, secrets: str) -> str:
    """The site file, with a class that starts 45 to 60 minutes from `now` (local time of the site)."""
    starts = class_start(now)
    ends = starts + timedelta(hours=_CLASS_HOURS)
    return _SITE.format(
        timezone=timezone,
        database=database,
        secrets=secrets,
        handoff=HANDOFF,
        endpoint=ENDPOINT,
        class_date=starts.date(),
        class_hours=f"{starts:%H:%M}-{ends:%H:%M}",
        kiln_date=kiln_opening(now.date()),
    )


def secrets_text(invitation: str) -> str:
    """The secrets file with the one invitation."""
    return f'[invitation]\n{ENDPOINT} = "{invitation}"\n'


def class_start(now: datetime) -> datetime:
    """The first quarter of an hour that is at least 45 minutes away."""
    earliest = now + timedelta(minutes=_LEAD_MINUTES)
    whole = earliest.replace(minute=earliest.minute // _STEP_MINUTES * _STEP_MINUTES, second=0, microsecond=0)
    return whole if whole == earliest else whole + timedelta(minutes=_STEP_MINUTES)


def kiln_opening(today: date) -> date:
    """The first last Saturday of a month that is not today: its hours keep runs away."""
    day = today + timedelta(days=1)
    while day.weekday() != _SATURDAY or (day + timedelta(days=7)).month == day.month:
        day += timedelta(days=1)
    return day
