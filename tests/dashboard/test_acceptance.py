"""An acceptance read from the record: the practice site's findings on both handoffs, as they were written.

G1 (A, a policer of 600 Mb/s at layer 1), G2 (B, a bucket of 128 kB until 19 June) and G3 (47 s to fail over).
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from dashboard import acceptance
from dashboard.acceptance import Found
from dashboard.judge.acceptance_rows import BY_ID
from dashboard.judge.verdict import Word
from store.ceilings import CeilingOf
from store.clock import NS_PER_S, Clock
from store.reader import Reader
from store.records import Direction, Owner, Record
from store.site import Handoff, RunPlan, Site
from store.sizes import FRAMES_BYTES, Counted
from store.writer import Writer
from tests.dashboard.judge import test_acceptance as sheet
from tests.dashboard.judge.made import at, run
from tests.dashboard.judge.made import site as made_site
from tests.store import samples

NOW = at("2026-06-20 12:00")
FIXED = at("2026-06-19 15:00")
MBPS = sheet.MBPS


def records() -> list[Record]:
    passes = {frame: sheet.layer_one(frame) for frame in FRAMES_BYTES}
    small = {"committed_bytes": 126_500, "committed_ethernet_bytes": 128_000, "bound_bytes": 1_800}
    mended = {"committed_bytes": 3_995_000, "committed_ethernet_bytes": 4_043_000, "bound_bytes": 20_000}
    burst = replace(samples.burst(sheet.DAY, handoff="B"), **small)
    flows = [(720, 1), (1330, 8), (1050, 1), (1331, 8)]
    pull = replace(samples.failover(sheet.DAY), handoff="A", backup="B", without_ms=47_000)
    return [
        *sheet.both_ways(sheet.layer_one(1518)),
        *(sheet.sweep(way, passes, Counted.WIRE) for way in sheet.WAYS),
        *(replace(burst, direction=way) for way in sheet.WAYS),
        *(replace(burst, direction=way, started_unix_ns=FIXED, **mended) for way in sheet.WAYS),
        *(
            replace(
                run(rate * MBPS if nth < 2 else None, down_bps=None if nth < 2 else rate * MBPS),
                handoff="B",
                flows=count,
                seconds=60.0,
                started_unix_ns=sheet.DAY + nth * NS_PER_S,
            )
            for nth, (rate, count) in enumerate(flows)
        ),
        *(
            replace(samples.ceiling(sheet.DAY), of=of, endpoint=endpoint, flows=4)
            for of, endpoint in ((CeilingOf.HOST, ""), (CeilingOf.ENDPOINT, "north"))
        ),
        *(replace(pull, started_unix_ns=sheet.DAY + nth * sheet.HOUR) for nth in range(3)),
    ]


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    folder = tmp_path_factory.mktemp("accept")
    file = folder / "line.db"
    writer = Writer.open(file, clock=Clock(unix_ns=lambda: NOW), timezone="Europe/Lisbon")
    for record in sorted(records(), key=lambda one: one.started_unix_ns):
        writer.append(record)
    writer.close()
    card = replace(sheet.CARD, burst_up_bytes=4_000_000, burst_down_bytes=4_000_000)
    fast = replace(card, rate_up_bps=1_400 * MBPS, rate_down_bps=1_400 * MBPS)
    (one,) = made_site().handoffs
    a = replace(one, name="A", card=sheet.CARD, failover_within_s=10.0)
    return replace(
        made_site(), database=file, file=Path("site.toml"), handoffs=(a, replace(a, name="B", card=fast))
    )


def read(site: Site, handoff: str, now_ns: int = NOW) -> Found:
    reader = Reader.open(site.database)
    found = acceptance.read(reader, site, site.handoff(handoff), now_unix_ns=now_ns)
    reader.close()
    return found


def words(found: Found) -> dict[str, Word]:
    return {one.row: one.word for one in found.sheet.rows}


def test_handoff_a(site: Site) -> None:
    """A6 98.7 % passes the 97 % clause, A10 fails and is the provider's, the failover is the house's."""
    found = read(site, "A")
    assert {row: words(found)[row] for row in ("A6", "A10", "A17")} == {
        "A6": Word.MET,
        "A10": Word.NOT_MET,
        "A17": Word.NOT_MET,
    }
    assert {one.name: one.owner for one in found.sheet.defects} == {"A10": Owner.PROVIDER, "A17": Owner.HOUSE}
    assert found.sheet.deemed.working_days_left == 7


def test_handoff_b_before_and_after_the_bucket_was_mended(site: Site) -> None:
    """The same sheet on 18 and on 20 June; one flow is weak all the while, on record only while it was so."""
    before, after = (words(read(site, "B", now_ns)) for now_ns in (FIXED - sheet.HOUR, NOW))
    assert (before["A11"], after["A11"]) == (Word.NOT_MET, Word.MET)
    assert before["A16"] is Word.NOT_MET
    text = acceptance.as_text(read(site, "B"), site)
    assert "A11  MET" in text


def test_what_was_before_handover_is_not_looked_at(site: Site) -> None:
    """Nor what comes long after: an acceptance takes days."""
    handoff: Handoff = site.handoff("A")
    late = replace(handoff, card=replace(handoff.card, handover=date(2026, 6, 18)))
    assert words(read(replace(site, handoffs=(late, site.handoff("B"))), "A"))["A6"] is Word.NOT_TESTED
    early = replace(handoff, card=replace(handoff.card, handover=date(2026, 6, 16) - timedelta(days=121)))
    assert words(read(replace(site, handoffs=(early, site.handoff("B"))), "A"))["A6"] is Word.NOT_TESTED


def test_a_sheet_read_years_later_has_the_ceilings_of_its_time(site: Site) -> None:
    """Measured on the day of the runs, they hold for the sheet as long as it is read."""
    run = RunPlan(handoff="A", endpoint="north", direction=Direction.UP, seconds=10, flows=4, every_s=3600)
    planned = replace(site, runs=(run,))
    for now_ns in (NOW, NOW + 900 * 86_400 * NS_PER_S):
        assert words(read(planned, "A", now_ns))["A19"] is Word.MET


def test_a_failover_takes_two_handoffs(site: Site) -> None:
    """The backup is another handoff, however the record was read; of one alone the row is done by hand."""
    row, (first, *_) = BY_ID["A17"], site.handoffs
    command = acceptance.command_of(row, site, replace(first))
    assert command is not None
    assert command.endswith(f"--main {first.name} --backup {site.handoffs[1].name}")
    assert acceptance.command_of(row, replace(site, handoffs=(first,)), first) is None
