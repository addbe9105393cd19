"""Who must act for a case, on made silences: as the parts of the way say, the provider never without them.

Readings of one silence: the trade's table of segments S1 to S5 (common practice, no source), as
`tests/dashboard/judge/test_stall_places.py` has it.
"""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from dashboard.judge import case_owner
from dashboard.judge.incidents import Incident
from dashboard.judge.segments import Judged, Word
from dashboard.judge.stall_places import StallPlace
from store import case_words
from store.cases import Case, cases
from store.clock import NS_PER_S
from store.events import Event, EventKind
from store.records import Owner
from tests.dashboard.judge.test_stall_places import START_NS, other, placed, stall

PROVIDER = placed(["clear", "hit"], [other("lan", hit=False), other("south", hit=True)])
HOUSE = placed(["", ""], [other("lan", hit=True), other("south", hit=True)])
ENDPOINT = placed(["", ""], [other("lan", hit=False), other("south", hit=False)])
NOT_MEASURED = placed(["", ""], [other("lan", hit=False), other("south", hit=True)])


def case(*owners: Owner, what: EventKind = EventKind.STALL, more: Sequence[Event] = ()) -> Case:
    """A case of one event for each owner, a second apart."""
    events = [_event(what, owner, START_NS + nth * NS_PER_S) for nth, owner in enumerate(owners)]
    (made,) = cases([*events, *more], gap_s=600, now_ns=START_NS + 3600 * NS_PER_S)
    return made


def _event(what: EventKind, owner: Owner, unix_ns: int) -> Event:
    return Event(
        handoff="A", endpoint="north", started_unix_ns=unix_ns, what=what, says="so it was", owner=owner
    )


def silences(*places: StallPlace) -> list[Incident]:
    return [
        Incident(stalls=(stall(start_ns=START_NS + nth * NS_PER_S),), place=place)
        for nth, place in enumerate(places)
    ]


def split(owner: Owner | None) -> Judged:
    word = Word.UNDECIDED if owner is None else Word.DECIDED
    return Judged(word=word, owner=owner, because="Stalls: so.", decides="", findings=(), segments=())


@pytest.mark.parametrize(
    ("places", "owner", "why"),
    [
        ((PROVIDER,), Owner.PROVIDER, "The house's own router 198.51.100.1 is clear, the provider's hop"),
        ((HOUSE,), Owner.HOUSE, "The house endpoint is hit too"),
        ((ENDPOINT,), Owner.ENDPOINT, "North is hit and south is not"),
        ((NOT_MEASURED,), Owner.UNKNOWN, "The house endpoint is clear and everything outside is hit, but"),
        ((PROVIDER,) * 4 + (HOUSE,), Owner.PROVIDER, "4 of 5 lie there by who answered meanwhile: "),
        ((PROVIDER,) * 3 + (HOUSE,) * 2, Owner.UNKNOWN, "Of 5 silences could be placed: 3 provider, 2 house"),
        ((PROVIDER,) + (NOT_MEASURED,) * 9, Owner.UNKNOWN, "Of 10 silences could be placed: 1 provider"),
    ],
)
def test_an_owner_comes_from_the_parts_of_the_way(
    places: tuple[StallPlace, ...], owner: Owner, why: str
) -> None:
    """With its reason; few of many, and a mixture, name nobody."""
    found = case_owner.placed(case(Owner.UNKNOWN), silences(*places))
    assert found.owner is owner
    assert found.why.startswith(why)
    assert found.why.endswith(".")
    assert case_words.as_json(found)["owner"] == str(owner)


@pytest.mark.parametrize(
    ("told", "places", "owner"),
    [
        (Owner.HOUSE, [PROVIDER], Owner.PROVIDER),  # what the probe said at once, from less
        (Owner.ENDPOINT, [NOT_MEASURED], Owner.ENDPOINT),  # it knows of a restart, say
        (Owner.HOUSE, [PROVIDER] * 3 + [HOUSE] * 2, Owner.UNKNOWN),
        (Owner.ENDPOINT, [], Owner.ENDPOINT),  # under way: no train has told its stall yet
    ],
)
def test_what_the_events_say_counts_where_nothing_is_placed(
    told: Owner, places: list[StallPlace], owner: Owner
) -> None:
    assert case_owner.placed(case(told), silences(*places)).owner is owner


def test_a_port_that_changed_is_nearer_than_a_router() -> None:
    """With a port's word for the house nobody is named; a lost carrier is asked of no router at all."""
    port = _event(EventKind.PORT, Owner.HOUSE, START_NS + NS_PER_S)
    assert case_owner.placed(case(Owner.UNKNOWN, more=[port]), silences(PROVIDER)).owner is Owner.UNKNOWN
    carrier = _event(EventKind.CARRIER_LOST, Owner.UNKNOWN, START_NS + NS_PER_S)
    lost = case(Owner.UNKNOWN, more=[carrier])
    assert case_owner.placed(lost, silences(PROVIDER)) is lost


@pytest.mark.parametrize(
    ("places", "splits", "owner"),
    [
        ([NOT_MEASURED], [split(Owner.PROVIDER)], Owner.PROVIDER),
        ([], [split(Owner.HOUSE)], Owner.HOUSE),
        ([PROVIDER], [split(Owner.PROVIDER)], Owner.PROVIDER),
        ([PROVIDER], [split(Owner.HOUSE)], Owner.UNKNOWN),
        ([PROVIDER], [split(None)], Owner.PROVIDER),
    ],
)
def test_a_split_within_the_case_speaks_too(
    places: list[StallPlace], splits: list[Judged], owner: Owner
) -> None:
    """Where silences and a split disagree nobody is named."""
    found = case_owner.placed(case(Owner.UNKNOWN), silences(*places), splits)
    assert found.owner is owner
    assert found.why


def test_a_case_without_silence_is_as_its_events_say() -> None:
    """A path that changed, a run at a limit."""
    for what in (EventKind.PATH_STEP, EventKind.CEILING):
        made = case(Owner.HOUSE, what=what)
        assert case_owner.placed(made, silences(PROVIDER)) is made
