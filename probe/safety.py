"""Whether a line may be filled at all: what else depends on it, as the site file answers.

A rate run takes the whole line for some seconds. Telephony, emergency calls, alarms, lift phones and
medical devices on the same line may not get through meanwhile, so nothing fills a line until somebody has
answered for it, and never in the hours that are named. A rate run by TCP takes what it gets, and a light
run, which is held to a share of the rate that the contract states, takes all of a line that carries no
more than that share. So hours are all that can be promised, and they hold for light runs as well: where
something does depend on the line and no hours are named, neither goes.

Whether an answer is right only people on the spot can know. Pure. Imports windows and store.
"""

from __future__ import annotations

from datetime import tzinfo

from probe.windows import stretches
from store.site import Handoff, Safety

CAUTION = (
    "A rate run fills the line. Emergency calls, alarms, lift phones and medical devices may depend on it: "
    "ask their operators first, and keep to local rules."
)

CAUTION_LIGHT = (
    "A light run takes no more of the line than it was told, which is all of it where the line carries less. "
    "Emergency calls, alarms, lift phones and medical devices may depend on it: ask their operators first."
)

_ASKED = {  # the key of [safety], and what it asks after
    "emergency_calls": "emergency calls",
    "alarms": "alarms or lift phones",
    "medical_devices": "medical devices or telecare",
}


def unanswered(safety: Safety) -> tuple[str, ...]:
    """The keys that nobody answered yet."""
    return tuple(key for key in _ASKED if getattr(safety, key) is None)


def forbids(handoff: Handoff, *, from_ns: int, to_ns: int, where: tzinfo) -> str | None:
    """The sentence that forbids to fill a handoff from one instant to another; None where it may be."""
    if (why := standing_answer(handoff)) is not None:
        return why
    if closed(handoff.safety, from_ns=from_ns, to_ns=to_ns, where=where):
        return "it would touch hours of [safety] in which nothing may fill the line"
    return None


def standing_answer(handoff: Handoff) -> str | None:
    """What forbids every run on a handoff, whenever it would be; None when only hours do, or nothing."""
    safety = handoff.safety
    if missing := unanswered(safety):
        keys = " and ".join(f'{key} = "no" or "yes"' for key in missing)
        return (
            f"nobody has answered whether {_list(missing)} depend on handoff {handoff.name}; once the people "
            f"concerned were asked, write {keys} under [safety] in the site file"
        )
    depend = [key for key in _ASKED if getattr(safety, key)]
    if depend and not safety.never:
        return (
            f"{_list(depend)} depend on handoff {handoff.name}, and [safety] names no hours to keep free; "
            "write [[safety.never]] with days and hours, as agreed with the people concerned"
        )
    return None


def closed(safety: Safety, *, from_ns: int, to_ns: int, where: tzinfo) -> tuple[tuple[int, int], ...]:
    """The stretches of never-allowed hours that touch a span."""
    return tuple(
        one for times in safety.never for one in stretches(times, from_ns=from_ns, to_ns=to_ns, where=where)
    )


def said(handoff: Handoff) -> str:
    """What `site check` says first of a handoff: may its runs fill the line, and by which answer."""
    if (why := standing_answer(handoff)) is not None:
        return f"No run will fill this line: {why}. {CAUTION}"
    depend = [key for key in _ASKED if getattr(handoff.safety, key)]
    told = f"{_list(depend)} depend on it" if depend else "nothing is said to depend on it"
    hours = ", ".join(times.said() for times in handoff.safety.never)
    return f"Runs may fill this line ({told})" + (f", but never {hours}." if hours else ".")


def _list(keys: tuple[str, ...] | list[str]) -> str:
    words = [_ASKED[key] for key in keys]
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
