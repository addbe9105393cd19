"""What is read for the judges is enough: they say the same of it as of the whole record."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import pytest

from dashboard import history
from dashboard.judge import today
from dashboard.judge.evidence import Known
from dashboard.judge.today import Notice
from store.reader import Reader
from store.records import Record
from store.site import Site
from tests.dashboard import invented


@pytest.fixture
def reader(site: Site) -> Iterator[Reader]:
    opened = Reader.open(site.database)
    yield opened
    opened.close()


def _everything(reader: Reader) -> list[Record]:
    return [*reader.rate_runs(), *reader.troubles(), *reader.stalls(), *reader.train_spans()]


def _noticed(site: Site, records: Sequence[Known]) -> tuple[Notice, ...]:
    checks = {one.name: history.check(site, one, records, now_unix_ns=invented.NOW_NS) for one in site.plans}
    verdicts = [
        one
        for handoff in site.handoffs
        for one in history.verdicts(site, handoff, records, now_unix_ns=invented.NOW_NS)
    ]
    return today.notices(site, records, verdicts=verdicts, checks=checks, now_unix_ns=invented.NOW_NS)


def test_answers_are_those_of_the_whole_record(site: Site, reader: Reader) -> None:
    """A plan's answer does not change when all other hours are read as well."""
    everything = _everything(reader)
    limits = history.limits_of(reader, site, everything, now_unix_ns=invented.NOW_NS)
    for plan in site.plans:
        whole = history.check(
            site, plan, everything, now_unix_ns=invented.NOW_NS, limits=limits, elsewhere=True
        )
        assert history.check_of(reader, site, plan, now_unix_ns=invented.NOW_NS) == whole


def test_today_reads_no_span_twice_and_none_too_few(site: Site, reader: Reader) -> None:
    """Notices and answers from what Today reads are those of the whole record."""
    read = history.of_site(reader, site, now_unix_ns=invented.NOW_NS)
    everything = _everything(reader)
    assert _noticed(site, read) == _noticed(site, everything)
    assert len({id(record) for record in read}) == len(read) < len(everything)
    for plan in site.plans:
        assert history.check(site, plan, read, now_unix_ns=invented.NOW_NS) == history.check(
            site, plan, everything, now_unix_ns=invented.NOW_NS
        )


def test_verdicts_are_those_of_the_line(site: Site, reader: Reader) -> None:
    """One verdict for each direction, the same whether read for one handoff or for the site."""
    everything = _everything(reader)
    for handoff in site.handoffs:
        found = history.verdicts_of(reader, site, handoff, now_unix_ns=invented.NOW_NS)
        assert found == tuple(
            verdict for _, verdict in history.verdicts(site, handoff, everything, now_unix_ns=invented.NOW_NS)
        )


def test_hours_of_plans_that_overlap_are_read_apart(site: Site, reader: Reader) -> None:
    """An hour's sum never reaches from one plan's last quarter into another plan's hours."""
    evening = site.plans[0]
    late = replace(evening.times, from_minute=17 * 60 + 30, to_minute=18 * 60 + 15)
    both = replace(site, plans=(evening, replace(evening, name="guest", times=late)))
    read = history.of_site(reader, both, now_unix_ns=invented.NOW_NS, elsewhere=True)
    limits = history.limits_of(reader, both, read, now_unix_ns=invented.NOW_NS)
    for plan in both.plans:
        together = history.check(both, plan, read, now_unix_ns=invented.NOW_NS, limits=limits, elsewhere=True)
        assert together == history.check_of(reader, both, plan, now_unix_ns=invented.NOW_NS)


def test_other_uplinks_are_read_where_nothing_within_the_plan_helps(site: Site, reader: Reader) -> None:
    """Today's answer is that of the check which reads all handoffs, with the same smallest change."""
    read = history.of_site(reader, site, now_unix_ns=invented.NOW_NS)
    limits = history.limits_of(reader, site, read, now_unix_ns=invented.NOW_NS)
    for bps in (2_500_000, 4_500_000, 60_000_000):
        plan = replace(
            site.plans[0],
            destinations=tuple(replace(one, video_bps=bps) for one in site.plans[0].destinations),
        )
        asked = replace(site, plans=(plan,))
        found = history.answer(reader, asked, plan, read, now_unix_ns=invented.NOW_NS, limits=limits)
        whole = history.check_of(reader, asked, plan, now_unix_ns=invented.NOW_NS)
        assert (found.answer, found.smallest_change) == (whole.answer, whole.smallest_change)
