"""The queries of docs/many-sites.md over five sites, held against the same questions asked of the records.

The other route is plain Python over the records that were written: no SQL, no export, no reader of ours.
"""

from __future__ import annotations

import json
import math
import random
from collections import Counter, defaultdict
from collections.abc import Iterator
from contextlib import closing
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest

from store import export, pack
from store.clock import Clock, zone
from store.export import Choice, Format
from store.reader import Reader
from store.records import RateRun, Record, Stall, Standing, TrainSpan
from store.writer import Writer
from tests.bench import many_sites

SITES = 3
WHERE = timezone(timedelta(hours=1))  # many_sites.WHERE

Recorded = dict[str, list[Record]]


@pytest.fixture(scope="module")
def recorded() -> Recorded:
    """A week of five sites, a span an hour."""
    return {
        f"Site {seed}": list(many_sites.measured(random.Random(seed), days=7, every_s=3600))
        for seed in range(SITES)
    }


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory, recorded: Recorded) -> Path:
    found = tmp_path_factory.mktemp("many")
    for site, records in recorded.items():
        many_sites.through_exporter(found, site, records)
    return found


def answer(root: Path, heading: str) -> list[dict[str, Any]]:
    """All rows of a query of the page, not only the first ten."""
    sql, limit, _ = many_sites.queries()[heading].rpartition("LIMIT 10")
    assert limit
    return many_sites.asked(root, sql)


def of_kind(recorded: Recorded, kind: type[Record]) -> Iterator[tuple[str, Any]]:
    for site, records in recorded.items():
        yield from ((site, record) for record in records if isinstance(record, kind))


def local(record: Any) -> datetime:
    return datetime.fromtimestamp(record.started_unix_ns // 10**9, WHERE)


def test_the_page_has_its_queries() -> None:
    assert list(many_sites.queries()) == [
        "Ship the days of hundreds of circuits",
        "Worst handoffs by p5 rate",
        "Stalls per site and hour of the week",
        "Share of days with loss above a limit",
        "Percentiles of a longer time",
    ]


def test_worst_handoffs(root: Path, recorded: Recorded) -> None:
    """The smallest rate that at least 5 % of the valid runs reach or stay under (RFC 2330 section 11.3)."""
    rates = defaultdict(list)
    for site, run in of_kind(recorded, RateRun):
        if run.standing is Standing.VALID:
            rates[site, run.handoff].append(run.up.rates.goodput_bps)
    expected = [
        (site, handoff, len(found), sorted(found)[math.ceil(0.05 * len(found)) - 1])
        for (site, handoff), found in rates.items()
    ]
    assert len(expected) == SITES * 2
    assert any(count < 168 for _, _, count, _ in expected)  # void runs were left out
    found = [tuple(row.values()) for row in answer(root, "Worst handoffs by p5 rate")]
    assert found == sorted(expected, key=lambda row: (row[3], row[0], row[1]))


def test_stalls_by_hour_of_the_week(root: Path, recorded: Recorded) -> None:
    stalls: Counter[tuple[str, int, int]] = Counter()
    stalled_us: Counter[tuple[str, int, int]] = Counter()
    hours: Counter[tuple[str, int, int]] = Counter()
    for site, stall in of_kind(recorded, Stall):
        at = local(stall)
        stalls[site, at.isoweekday(), at.hour] += 1
        stalled_us[site, at.isoweekday(), at.hour] += stall.duration_us
    for site, span in of_kind(recorded, TrainSpan):
        at = local(span)
        hours[site, at.isoweekday(), at.hour] += span.seconds / 3600
    found = answer(root, "Stalls per site and hour of the week")
    assert len(found) == len(hours) == SITES * 7 * 24
    assert sum(row["stalls"] for row in found) == stalls.total() > 0
    for row in found:
        where = row["site"], row["weekday"], row["hour"]
        assert row["stalls"] == stalls[where]
        assert row["stalled_s"] == pytest.approx(stalled_us[where] / 1e6)
        assert row["stalls_per_train_hour"] == pytest.approx(stalls[where] / hours[where])
    worst = [row["stalls_per_train_hour"] for row in found]
    assert worst == sorted(worst, reverse=True)


def test_days_with_loss(root: Path, recorded: Recorded) -> None:
    sent: Counter[tuple[str, str, str]] = Counter()
    lost: Counter[tuple[str, str, str]] = Counter()
    for site, span in of_kind(recorded, TrainSpan):
        if span.standing is Standing.VALID:
            where = site, span.handoff, local(span).date().isoformat()
            sent[where] += span.sent
            lost[where] += span.lost_up + span.lost_down + span.lost_unattributed
    days: Counter[tuple[str, str]] = Counter(where[:2] for where in sent)
    above: Counter[tuple[str, str]] = Counter(
        where[:2] for where in sent if lost[where] / sent[where] > 0.001
    )
    assert 0 < above.total() < days.total()
    for row in answer(root, "Share of days with loss above a limit"):
        where = row["site"], row["handoff"]
        assert (row["days"], row["days_above"]) == (days.pop(where), above[where])
        assert row["share_above"] == pytest.approx(above[where] / row["days"])
    assert not days


def test_percentiles_of_a_day(root: Path, recorded: Recorded) -> None:
    """Against the buckets of the records themselves, added up sample by sample; within their width."""
    samples = defaultdict(list)
    for site, span in of_kind(recorded, TrainSpan):
        if span.standing is Standing.VALID and local(span).date().isoformat() == "2026-11-25":
            for middle, times in span.pdv_up.buckets():
                samples[site, span.handoff] += [middle] * times
    found = answer(root, "Percentiles of a longer time")
    assert len(found) == len(samples) == SITES * 2
    for row in found:
        ordered = sorted(samples[row["site"], row["handoff"]])
        assert row["packets"] == len(ordered)
        p99 = ordered[math.ceil(0.99 * len(ordered)) - 1]
        assert p99 <= row["p99_pdv_up_us"] <= p99 * (1 + 1 / 32)


def test_a_row_leads_to_its_sealed_line(tmp_path: Path) -> None:
    """The longest stall by Parquet, its line by the page's own query over a pack that verifies."""
    path = tmp_path / "line.db"
    records = list(many_sites.measured(random.Random(7), days=1, every_s=3600))
    with closing(Writer.open(path, clock=Clock())) as writer:
        for record in records:
            writer.append(record)
    with closing(Reader.open(path)) as reader:
        choice = Choice(site="One", where=zone(many_sites.WHERE))
        export.write(reader, tmp_path / "exports", choice, format_=Format.PARQUET)
    pack.write(path, tmp_path / "sealed")
    assert pack.verify(tmp_path / "sealed").verified
    longest = max((one for one in records if isinstance(one, Stall)), key=lambda one: one.duration_us)
    sql = "SELECT seq FROM read_parquet('exports/*/*/stall.parquet') ORDER BY duration_us DESC LIMIT 1"
    [row] = many_sites.asked(tmp_path, sql)
    sealed_line = many_sites.queries()["Ship the days of hundreds of circuits"]
    [found] = many_sites.asked(tmp_path, sealed_line.replace("4711", str(row["seq"])))
    record = json.loads(found["record"])
    assert record["seq"] == row["seq"]
    assert str(longest.duration_us) in found["record"]
