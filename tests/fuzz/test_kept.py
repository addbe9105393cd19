"""What the fuzzer begins with, and everything it ever broke something with, goes through each target."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.fuzz.targets import TARGETS

KEPT = Path(__file__).with_name("kept")
CASES = [
    *(
        (name, f"seed {number}", seed)
        for name, one in TARGETS.items()
        for number, seed in enumerate(one.seeds)
    ),
    *((path.parent.name, path.name[:20], path.read_bytes()) for path in sorted(KEPT.glob("*/*"))),
]


@pytest.mark.parametrize(
    ("name", "octets"), [(one[0], one[2]) for one in CASES], ids=[f"{a}, {b}" for a, b, _ in CASES]
)
def test_it_is_read_or_refused(name: str, octets: bytes) -> None:
    TARGETS[name].feed(octets)


@pytest.mark.parametrize("name", TARGETS)
@given(data=st.data())
def test_any_octets_and_any_change_of_a_seed(name: str, data: st.DataObject) -> None:
    """Noise, and a seed with a stretch of it replaced."""
    target = TARGETS[name]
    octets = data.draw(st.binary(max_size=200))
    seed = data.draw(st.sampled_from(target.seeds))
    at = data.draw(st.integers(0, len(seed)))
    target.feed(octets)
    target.feed(seed[:at] + octets + seed[at + data.draw(st.integers(0, 9)) :])


def test_the_inputs_to_begin_with_get_past_the_seals() -> None:
    """Else the fuzzer would only ever see the first refusal."""
    from probe.wire import arq, paced, rtp
    from tests.fuzz.targets import KEY, sealed

    by_parser = {seed[0]: seed[1:] for seed in TARGETS["datagrams"].seeds}
    assert paced.unpack(KEY, sealed(by_parser[0], len(by_parser[0]) - 33, mac_bytes=32))
    assert arq.asked(KEY, sealed(by_parser[1], len(by_parser[1]) - 17, mac_bytes=16))
    assert rtp.unpack(KEY, KEY[:4], sealed(by_parser[3], len(by_parser[3]) - 11, mac_bytes=10)).last


def test_most_pieces_of_the_site_file_are_read() -> None:
    """So that what the fuzzer changes in them is read as well, and not only refused."""
    from store.errors import UserMistake
    from store.site_reader import read
    from tests.fuzz import targets

    refused = 0
    for seed in TARGETS["site"].seeds[:-1]:
        targets.Held.octets = targets._LEAST + seed[1:]
        try:
            read(targets.Held("/nowhere/site.toml"), now_ns=targets.NOON_NS)
        except UserMistake:
            refused += 1
    assert refused <= 2
