"""/metrics, read back by prometheus_client's parser of OpenMetrics, and held against plain SQL.

Sources: draft-richih-opsawg-openmetrics-01 (its parser is independent of ours); the record by SQL.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from dashboard.interface import exposition, metrics
from dashboard.interface.exposition import Family, Sample, Type
from store.histogram import Histogram
from tests.dashboard import invented
from tests.dashboard.conftest import Client, Site, client_of, sql

MIDNIGHT_S = invented.NOW_NS // 10**9 - 18 * 3600 - 50 * 60  # the site's clocks say 18:50


def parsed(text: str) -> dict[str, Any]:
    return {family.name: family for family in text_string_to_metric_families(text)}


def values(family: Any, **labels: str) -> list[float]:
    """The values of the samples that have these labels, `_created` aside."""
    return [
        one.value
        for one in family.samples
        if not one.name.endswith("_created") and labels.items() <= one.labels.items()
    ]


@pytest.mark.asyncio
async def test_what_a_collector_reads(client: Client, site: Site) -> None:
    """Type of content, end, names, units, and the counts of the day as SQL adds them up."""
    async with client.get("/metrics") as response:
        assert response.status == 200
        assert response.headers["Content-Type"] == exposition.CONTENT_TYPE
        text = await response.text()
    assert text.endswith("\n# EOF\n")
    found = parsed(text)
    assert all(re.fullmatch(r"linebook_[a-z0-9_]+", name) for name in found)
    assert all(not family.unit or name.endswith(f"_{family.unit}") for name, family in found.items())
    assert not re.search(r"_(percent|ms|bps|bits|milliseconds|minutes)\b", text)

    ((sent, lost),) = await sql(
        site,
        "SELECT sum(sent), sum(lost_up) FROM train JOIN path ON path.id = train.path WHERE handoff = 'old' "
        f"AND endpoint = 'north' AND started_unix_ns >= {MIDNIGHT_S * 10**9}",
    )
    train = {"handoff": "old", "endpoint": "north"}
    assert values(found["linebook_train_sent_packets"], **train) == [sent]
    assert values(found["linebook_train_lost_packets"], **train, direction="up") == [lost]
    created = [one for one in found["linebook_train_sent_packets"].samples if one.name.endswith("_created")]
    assert {one.value for one in created} == {MIDNIGHT_S}
    rtt = found["linebook_train_rtt_seconds"]
    assert values(rtt, **train, le="+Inf") == [sent - lost]
    # A stated rate of 600 Mb/s is 75 MB/s; the practice card says layer 2.
    assert values(found["linebook_card_rate_bytes_per_second"], handoff="A", direction="up") == [75e6]
    assert sum(values(found["linebook_rate_verdict"], handoff="old", direction="up")) == 1


@pytest.mark.asyncio
async def test_what_is_not_known_is_absent(client: Client) -> None:
    """No sample where the card states nothing, no family of a probe that does not answer, no NaN."""
    async with client.get("/metrics") as response:
        text = await response.text()
    found = parsed(text)
    assert values(found["linebook_card_rate_bytes_per_second"], handoff="old", direction="down") == []
    assert "linebook_train_state" not in found
    assert "NaN" not in text
    assert "linebook_plan_show_timestamp_seconds" in found


@pytest.mark.asyncio
async def test_nothing_that_is_secret_or_an_address(client: Client, nowhere: Site) -> None:
    """Of the site, names of handoffs, endpoints and plans alone; and no figure without any record."""
    async with client.get("/metrics") as response:
        text = await response.text()
    assert not re.search(r"\d+\.\d+\.\d+\.\d+|[0-9a-f]{16}|linebook://|example\.net|eth1|Greyfell", text)
    async with client_of(nowhere) as other, other.get("/metrics") as response:
        assert response.status == 503  # nothing to tell yet, which is not the same as zeros


def test_every_family_is_documented() -> None:
    """In docs/interfaces.md, by its whole name."""
    written = (Path(__file__).parents[3] / "docs" / "interfaces.md").read_text()
    source = Path(metrics.__file__).read_text()
    names = re.findall(r'(?:_gauge|_counter|_family|_stateset|counted)\(\s*\*?\(?"([a-z_]+)"', source)
    assert len(names) > 30
    assert [name for name in names if f"`linebook_{name}`" not in written] == []


def test_forms_that_are_easy_to_get_wrong() -> None:
    """Label values with each character that must be escaped, and a whole number without a point."""
    strange = 'a "b" \\ c\nd'
    text = exposition.text(
        [
            Family(
                name="linebook_x_bytes",
                type=Type.COUNTER,
                unit="bytes",
                help="One\nline.",
                samples=(Sample(value=2**60, labels={"of": strange}, ending="_total"),),
            ),
            Family(name="linebook_none", type=Type.GAUGE, unit="", help="Nothing known.", samples=()),
        ]
    )
    (family,) = text_string_to_metric_families(text)
    assert family.samples[0].labels == {"of": strange}
    assert f" {2**60}\n" in text


def test_status_of_a_probe() -> None:
    """States of trains, open windows and the clock, as the door tells them."""
    status = {
        "trains": [{"handoff": "old", "endpoint": "north", "state": "failed"}],
        "windows": [{"window": "show"}],
        "running": [],
        "waiting": 3,
        "clock": {"synchronised": None, "error_us": None},
    }
    found = parsed(exposition.text(metrics._probe(status)))
    states = {one.labels["linebook_train_state"]: one.value for one in found["linebook_train_state"].samples}
    assert states == {"begun": 0, "going": 0, "failed": 1, "stopped": 0}
    assert values(found["linebook_window_open"], kind="show") == [1]
    assert values(found["linebook_window_open"], kind="stop") == [0]
    assert "linebook_clock_error_seconds" not in found


def test_buckets_count_what_lies_below() -> None:
    """The cumulative counts of a pooled histogram against the delays themselves, edges aside."""
    delays_us = [300, 700, 1500, 4000, 4000, 30_000, 7_000_000]

    class Sums:
        rtt = Histogram(delays_us)

    one = metrics.Since(handoff="old", endpoint="north", sums=(Sums(), Sums()))  # type: ignore[arg-type]
    found = {
        sample.labels["le"]: sample.value
        for sample in metrics._histogram(one, 0)
        if sample.ending == "_bucket"
    }
    for edge_s in metrics.EDGES_S:
        assert found[str(edge_s)] == 2 * sum(each <= edge_s * 1e6 for each in delays_us)
    assert found["+Inf"] == 14
