"""The site file: the documented example, and every mistake with its key, its line and what would be right."""

from __future__ import annotations

import re
from datetime import date
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from store import card_reader, notice_reader, site_reader
from store.calendar_span import CalendarSpan
from store.card import Card, Commitment, Limiter
from store.errors import SiteMistake
from store.layers import Layer
from store.notice_channels import Command, Hook, Matter
from store.records import Direction, Owner
from store.site import (
    Evidence,
    HopPlan,
    LookupPlan,
    Method,
    Rules,
    Site,
    Transport,
    Where,
    WindowKind,
    database_of,
    load,
)
from store.terms import (
    AvailabilityTerms,
    CountsFrom,
    CreditTerms,
    ExcludedTime,
    LossInterval,
    Money,
    Once,
    OutageRule,
    Step,
)
from store.terms_reader import money

EXAMPLE = Path(__file__).parents[2] / "deploy" / "site.example.toml"
KEY = "c2VjcmV0LXNlY3JldC1zZWNyZXQtc2VjcmV0LXNlY3I"
PASSWORD = "cGxhbnRlZC1wYXNzd29yZA"
INVITATION = f"linebook://192.0.2.230:47862/?v=1&key={KEY}&pin={KEY}"

SMALL = f"""
name = "Quillet Lane School of Ceramics"
invented = true
timezone = "Europe/Lisbon"

[[handoff]]
name = "old"
[handoff.card]
rate_up = "15 Mb/s"

[[endpoint]]
name = "north"
invitation = "{INVITATION}"
"""


PLAN = """
[[plan]]
name = "P1"
handoff = "old"
hours = "19:00-21:00"
[[plan.destination]]
name = "class"
video = "4.5 Mb/s"
audio = "160 kb/s"
transport = "tcp"
"""
REHEARSAL = """
[[run]]
method = "rehearsal"
plan = "P1"
endpoint = "north"
seconds = 60
every = "24 h"
"""


def example(folder: Path) -> Path:
    """The documented example with a secrets file as it describes it."""
    path = folder / "site.toml"
    path.write_text(EXAMPLE.read_text())
    secrets = folder / "secrets.toml"
    secrets.write_text(
        "[invitation]\n"
        + "".join(f'{name} = "{INVITATION}"\n' for name in ("lan", "north", "south"))
        + f'[notice]\nowner-mail = "{PASSWORD}"\n'
    )
    secrets.chmod(0o600)
    return path


def small(folder: Path, text: str = SMALL) -> Site:
    path = folder / "small.toml"
    path.write_text(text)
    return load(path)


def mistake(path: Path) -> SiteMistake:
    with pytest.raises(SiteMistake) as caught:
        load(path)
    return caught.value


def mistake_or_none(path: Path) -> SiteMistake | None:
    try:
        load(path)
    except SiteMistake as caught:
        return caught
    return None


class TestExample:
    @pytest.fixture
    def site(self, tmp_path: Path) -> Site:
        return load(example(tmp_path))

    def test_is_the_invented_practice_site(self, site: Site, tmp_path: Path) -> None:
        assert site.invented is True
        assert site.name == "Quillet Lane School of Ceramics"
        assert site.database == tmp_path / "linebook.db"
        assert [handoff.name for handoff in site.handoffs] == ["old", "A", "B"]
        assert [(each.name, each.where) for each in site.endpoints] == [
            ("lan", Where.HOUSE),
            ("north", Where.OUTSIDE),
            ("south", Where.OUTSIDE),
        ]
        assert {each.invitation for each in site.endpoints} == {INVITATION}

    def test_the_old_lines_card_leaves_open_what_its_contract_does(self, site: Site) -> None:
        """Upload "normally 15 Mb/s or more"; no layer, no availability; 64 a month, notice 60 days."""
        card = site.handoff("old").card
        assert (card.rate_up_bps, card.rate_down_bps, card.layer) == (15_000_000, None, Layer.NOT_STATED)
        assert (card.fee_per_month, card.notice) == ("64 crowns a month", "60 days")
        assert set(card.not_stated) >= {"rate_down", "layer", "delay", "loss", "availability", "term_end"}
        assert "rate_up" not in card.not_stated
        assert "upload normally 15 Mb/s or more" in dict(card.pages)["rate_up"]

    def test_the_new_circuits_card_states_everything(self, site: Site) -> None:
        """600 Mb/s at layer 2 each way, RTT p95 9 ms, PDV p99 3 ms, loss 0.05 %, 99.93 % a month."""
        card = site.handoff("A").card
        assert card == Card(
            provider="Greyfell Circuits",
            reference="GC-40417",
            rate_up_bps=600_000_000,
            rate_down_bps=600_000_000,
            layer=Layer.ETHERNET,
            commitment=Commitment.COMMITTED,
            both_at_once=True,
            excess_bps=0,
            burst_up_bytes=2_000_000,
            burst_down_bytes=2_000_000,
            limiter_up=Limiter.POLICER,
            limiter_down=Limiter.POLICER,
            met_ratio=0.95,
            reach_ratio=0.97,
            medium="copper, 1000BASE-T",
            connector=card.connector,
            port_rate_bps=1_000_000_000,
            auto_negotiation=True,
            at_once_with=("B",),
            total_bps=2_000_000_000,
            shared_device=("B",),
            shared_uplink=("B",),
            shared_power=("B",),
            shared_fibre=("B",),
            mtu_bytes=1500,
            frame_bytes=1518,
            vlan_tags=(),
            addresses=site.handoff("A").addresses,
            routing=card.routing,
            reverse_dns=card.reverse_dns,
            rtt_p95_us=9_000,
            pdv_p99_us=3_000,
            loss_ratio=0.0005,
            measured_to="ref.greyfell.example.net",
            availability_ratio=0.9993,
            availability_rule=card.availability_rule,
            maintenance_cap_s=4 * 3600,
            repair_s=5 * 3600,
            fee_per_month="210 crowns a month",
            service_start=date(2026, 6, 22),
            term=CalendarSpan(months=48),
            term_end=date(2030, 6, 21),
            renewal=CalendarSpan(months=12),
            index_from_month=25,
            index_most_ratio=0.03,
            notice="4 months",
            loss_interval=LossInterval(every_s=300, loss_ratio=0.01),
            outages=AvailabilityTerms(
                rule=OutageRule.SEVERE_SECONDS,
                threshold_ratio=0.5,
                interval_s=1,
                intervals=10,
                good_intervals=10,
                counts_from=CountsFrom.DETECTION,
                overruns_count=True,
                excluded_time=ExcludedTime.AVAILABLE,
                maintenance_weekdays=frozenset({1, 3}),
                maintenance_hours=(120, 300),
                maintenance_notice_days=10,
            ),
            credits=CreditTerms(
                ladder=tuple(
                    Step(below=Decimal(below), credit=Decimal(credit))
                    for below, credit in (("0.9993", "0.08"), ("0.995", "0.2"), ("0.98", "0.4"))
                ),
                cap_ratio=Decimal("0.45"),
                claim_days=21,
                repair_s=5 * 3600,
                repair_credit=Decimal("0.03"),
                repair_reported_within_s=30 * 60,
                repeat_count=3,
                repeat_longer_than_s=4 * 3600,
                repeat_days=90,
            ),
            handover=date(2026, 6, 16),
            deemed_working_days=10,
            acceptable_use=card.acceptable_use,
            cable_owner=card.cable_owner,
            escalation=card.escalation,
            upgrade_price=card.upgrade_price,
            move_price=card.move_price,
            once=(
                Once(
                    what="installation of both handoffs",
                    costs=Money(amount=Decimal(1450), unit="crowns"),
                    on=date(2026, 6, 16),
                ),
            ),
            pages=card.pages,
            not_stated=(),
        )
        assert card.ends() == date(2030, 6, 21)
        assert card.notice_span == CalendarSpan(months=4)
        assert site.handoff("B").card.rate_bps(Direction.DOWN) == 1_400_000_000

    def test_availability_may_be_a_share_alone(self, site: Site) -> None:
        """Other words of a rule are for people; the very name of one is taken for it."""
        card = site.handoff("B").card
        assert (card.availability_ratio, card.outages) == (0.9993, AvailabilityTerms())
        named = SMALL.replace('rate_up = "15 Mb/s"', 'availability_rule = "ticket"')
        assert small(site.file.parent, named).handoffs[0].card.outages.rule is OutageRule.TICKET

    def test_half_a_clause_is_refused(self, site: Site) -> None:
        path = site.file.parent / "half.toml"
        path.write_text(SMALL.replace("[[endpoint]]", "[handoff.card.credits]\nrepeat = 3\n[[endpoint]]"))
        assert "needs all three" in mistake(path).why

    @pytest.mark.parametrize(
        ("text", "found"),
        [
            ("210 crowns a month", Money(amount=Decimal(210), unit="crowns")),
            ("64.50 crowns", Money(amount=Decimal("64.50"), unit="crowns")),
            ("as agreed", None),
            ("1,200 crowns", None),
            (None, None),
        ],
    )
    def test_a_fee_is_a_number_where_it_is_one(self, text: str | None, found: Money | None) -> None:
        assert money(text) == found

    def test_its_plans_send_what_the_shows_send(self, site: Site) -> None:
        plans = {plan.name: plan for plan in site.plans}
        evening, opening = plans["evening-class"], plans["kiln-opening"]
        assert (evening.times.weekdays, evening.times.from_minute, evening.times.to_minute) == (
            frozenset({0, 1, 2, 3}),
            19 * 60,
            21 * 60,
        )
        assert opening.times.weekdays == frozenset()
        assert {day.strftime("%a") for day in opening.times.dates} == {"Sat"}
        archive = opening.destinations[2]
        assert (archive.transport, archive.video_bps, archive.audio_bps) == (
            Transport.ARQ,
            14_000_000,
            160_000,
        )
        assert (archive.buffer_s, archive.repeat_ceiling, archive.peak_factor) == (1.5, 0.25, 1.0)
        assert sum(each.video_bps for each in opening.destinations) == 27_000_000

    def test_its_windows(self, site: Site) -> None:
        quiet, works = site.windows
        assert (quiet.kind, quiet.handoffs, quiet.times.to_minute) == (WindowKind.QUIET, ("old",), 60)
        assert (works.kind, works.times.weekdays) == (WindowKind.MAINTENANCE, frozenset({1, 3}))
        assert (works.reference, site.handoff("A").card.maintenance_cap_s) == (
            "contract GC-40417, schedule 3",
            4 * 3600,
        )

    def test_its_rules_are_those_that_hold_without_any(self, site: Site, tmp_path: Path) -> None:
        assert site.rules == small(tmp_path).rules == Rules()
        never = small(tmp_path, SMALL + '[rules]\nshow_upload = "never"\n')
        assert never.rules == Rules(show_upload_bps=None)

    def test_rules_of_evidence(self, site: Site, tmp_path: Path) -> None:
        """As the file says them; what is changed is named in every record made under them."""
        assert site.rules.evidence.changed() is None
        text = (
            SMALL + '[rules]\nother_traffic = "10 %"\nwireless = "allow"\nport_errors = "any"\ncpu = "80 %"\n'
        )
        found = small(tmp_path, text).rules
        assert found.other_traffic_ratio == found.evidence.other_traffic_ratio == 0.1
        assert found.evidence == Evidence(
            other_traffic_ratio=0.1, wireless=True, port_errors=None, cpu_ratio=0.8
        )
        assert (
            found.evidence.changed() == "cpu_ratio=0.8 other_traffic_ratio=0.1 port_errors=None wireless=True"
        )

    def test_assigned_addresses(self, site: Site) -> None:
        """Networks in both versions, as RFC 4632 and RFC 4291 write them; none where the file has none."""
        assert site.handoff("A").addresses == ("198.51.100.40/29", "2001:db8:417::/48")
        assert site.handoff("old").addresses == ()

    def test_its_notices(self, site: Site) -> None:
        mail, lamp, desk = site.notices
        assert (mail.secret, mail.handoffs) == (PASSWORD, ("old", "A"))
        assert lamp.way == Command(words=("/usr/local/bin/lamp", "--on"))
        assert lamp.matters == {Matter.OUTAGE, Matter.CARRIER}
        assert desk.way == Hook(url="https://hooks.example.net/linebook")

    def test_its_database_is_found_whatever_else_is_wrong(self, tmp_path: Path) -> None:
        path = tmp_path / "wrong.toml"
        path.write_text('timezone = 5\ndatabase = "kept/line.db"\n')
        assert database_of(path) == tmp_path / "kept" / "line.db"
        path.write_text("timezone = 5\n")
        assert database_of(path) == tmp_path / "linebook.db"
        path.write_text("database = 5\n")
        with pytest.raises(SiteMistake, match=r"line 1: database: 5 is no text"):
            database_of(path)

    def test_it_explains_every_key_there_is(self) -> None:
        """No key can be read that the example does not show."""
        keys = {*site_reader._QUESTIONS, *site_reader._RUN_KEYS, *site_reader._CAMPAIGN_KEYS}
        keys |= (
            set(site_reader._RULES_KEYS)
            | set(site_reader._SITE_KEYS)
            | set(site_reader._TABLES)
            | set(site_reader._HANDOFF_KEYS)
        )
        keys |= {
            *notice_reader.KEYS,
            *notice_reader.MAIL_KEYS,
            *notice_reader.COMMAND_KEYS,
            *notice_reader.HOOK_KEYS,
        }
        keys |= set(card_reader.CARD_KEYS) | set(site_reader._DESTINATION_KEYS) | set(site_reader._TIMES_KEYS)
        shown = {"count"}  # beside `to`, of which it takes the place
        shown |= set(re.findall(r"^(?:# )?([a-z_]+) = ", EXAMPLE.read_text(), re.MULTILINE))
        shown |= {
            part
            for each in re.findall(r"^\[+([a-z._]+)\]+", EXAMPLE.read_text(), re.M)
            for part in each.split(".")
        }
        assert keys - shown == set()

    def test_no_invitation_shows(self, site: Site) -> None:
        assert KEY not in repr(site)
        assert PASSWORD not in repr(site)


class TestHops:
    def test_of_the_example(self, tmp_path: Path) -> None:
        site = load(example(tmp_path))
        assert site.handoff("old").hops == HopPlan(house=1, most=4, watch=True)
        assert site.handoff("A").hops == HopPlan(house=1, most=4, watch=False)

    @pytest.mark.parametrize(
        ("line", "key", "says"),
        [
            ("most = 1", "handoff[1].hops.most", "no router beyond the house's 1"),
            ("house = 5", "handoff[1].hops.house", "no whole number from 0 to 4"),
            ("watch = 1", "handoff[1].hops.watch", "neither true nor false"),
            ("wach = true", "handoff[1].hops.wach", "did you mean"),
        ],
    )
    def test_mistakes(self, tmp_path: Path, line: str, key: str, says: str) -> None:
        path = tmp_path / "small.toml"
        path.write_text(SMALL.replace("[handoff.card]", f"[handoff.hops]\n{line}\n[handoff.card]"))
        found = mistake(path)
        assert key in str(found)
        assert says in str(found)


class TestLookups:
    def test_of_the_example(self, tmp_path: Path) -> None:
        site = load(example(tmp_path))
        assert site.handoff("old").lookups == LookupPlan(
            names=("ingest.example.net",), resolver="192.0.2.254", run_by=Owner.PROVIDER
        )
        assert site.handoff("A").lookups == LookupPlan(watch=True, every_s=600, resolver=None)

    @pytest.mark.parametrize(
        ("line", "key", "says"),
        [
            ('every = "5 s"', "handoff[1].lookups.every", "expected 1 min to 1 h"),
            ('names = ["192.0.2.1"]', "handoff[1].lookups.names", 'such as "north.example.net"'),
            ('resolver = "dns.example.net"', "handoff[1].lookups.resolver", "no IP address"),
            ('run_by = "them"', "handoff[1].lookups.run_by", '"house", "provider"'),
            ("wach = true", "handoff[1].lookups.wach", "did you mean"),
        ],
    )
    def test_mistakes(self, tmp_path: Path, line: str, key: str, says: str) -> None:
        path = tmp_path / "small.toml"
        path.write_text(SMALL.replace("[handoff.card]", f"[handoff.lookups]\n{line}\n[handoff.card]"))
        found = mistake(path)
        assert key in str(found)
        assert says in str(found)


class TestDefaults:
    def test_a_small_file_measures_by_the_schedule_for_a_capped_line(self, tmp_path: Path) -> None:
        """One train at 5/s, up 10 s an hour, down 5 s every 4 h (common practice, no source)."""
        site = small(tmp_path)
        assert [(each.endpoint, each.per_second, each.span_s) for each in site.trains] == [("north", 5.0, 60)]
        assert [(each.direction, each.seconds, each.every_s) for each in site.runs] == [
            (Direction.UP, 10, 3_600),
            (Direction.DOWN, 5, 14_400),
        ]
        assert site.handoff("old").title == "old"
        assert site.handoff("old").card.met_ratio == 0.95

    @pytest.mark.parametrize(
        ("stated", "direction"),
        [('"600 Mb/s"', Direction.UP), ('"600 Mb/s"\nrate_down = "600 Mb/s"', Direction.BOTH)],
    )
    def test_a_fast_line_has_a_light_run(self, tmp_path: Path, stated: str, direction: Direction) -> None:
        """10 % for 5 s an hour (common practice, no source), of the rates that the card states."""
        runs = small(tmp_path, SMALL.replace('"15 Mb/s"', stated)).runs
        (light,) = (each for each in runs if each.light)
        assert (light.direction, light.seconds, light.every_s) == (direction, 5, 3_600)
        assert light.share_ratio == 0.1

    def test_the_whole_share_is_a_full_run(self, tmp_path: Path) -> None:
        run = '[[run]]\nhandoff = "old"\nendpoint = "north"\ndirection = "up"\nseconds = 5\nevery = "1 h"\n'
        for share, light in (('share = "100 %"\n', False), ("", False), ('share = "99 %"\n', True)):
            (found,) = small(tmp_path, SMALL + run + share).runs
            assert found.light is light

    def test_no_runs_when_none_are_wanted_or_the_line_is_metered(self, tmp_path: Path) -> None:
        assert small(tmp_path, "run = []\n" + SMALL).runs == ()
        assert small(tmp_path, SMALL.replace('name = "old"', 'name = "old"\nmetered = true')).runs == ()

    def test_a_paced_run_says_what_it_offers(self, tmp_path: Path) -> None:
        paced = (
            '[[run]]\nhandoff = "old"\nendpoint = "north"\ndirection = "up"\nseconds = 10\nevery = "6 h"\n'
        )
        (found,) = small(tmp_path, SMALL + paced + 'method = "paced"\noffered = "20 Mb/s"\n').runs
        assert (found.offered_bps, found.direction) == (20_000_000, Direction.UP)
        (found,) = small(tmp_path, SMALL + paced + 'method = "rate"\n').runs
        assert found.offered_bps is None
        for more, key in (
            ('method = "paced"\n', "offered"),
            ('offered = "20 Mb/s"\n', "offered"),
            ('method = "paced"\noffered = "20 kb/s"\n', "offered"),
            ('method = "paced"\noffered = 20\n', "offered"),
            ('method = "paced"\noffered = "20 Mb/s"\nflows = 2\n', "flows"),
            ('method = "pased"\n', "method"),
        ):
            with pytest.raises(SiteMistake, match=key):
                small(tmp_path, SMALL + paced + more)
        both = paced.replace('"up"', '"both"') + 'method = "paced"\noffered = "20 Mb/s"\n'
        with pytest.raises(SiteMistake, match="direction"):
            small(tmp_path, SMALL + both)

    def test_a_capacity_run_is_told_no_rate(self, tmp_path: Path) -> None:
        searching = (
            '[[run]]\nhandoff = "old"\nendpoint = "north"\ndirection = "down"\nevery = "24 h"\n'
            'method = "capacity"\n'
        )
        (found,) = small(tmp_path, SMALL + searching + "seconds = 10\n").runs
        assert (found.method, found.offered_bps, found.direction) == (Method.CAPACITY, None, Direction.DOWN)
        for more, key in (
            ("seconds = 1\n", "seconds"),
            ("seconds = 61\n", "seconds"),
            ('seconds = 10\noffered = "20 Mb/s"\n', "offered"),
            ("seconds = 10\nflows = 2\n", "flows"),
            ('seconds = 10\nshare = "10 %"\n', "share"),
        ):
            with pytest.raises(SiteMistake, match=key):
                small(tmp_path, SMALL + searching + more)
        with pytest.raises(SiteMistake, match="direction"):
            small(tmp_path, SMALL + searching.replace('"down"', '"both"') + "seconds = 10\n")

    def test_a_burst_run_ends_by_itself(self, tmp_path: Path) -> None:
        """So it has no seconds; its cost is that of three of its largest bursts and the smaller ones."""
        burst = (
            '[[run]]\nhandoff = "old"\nendpoint = "north"\ndirection = "up"\nevery = "24 h"\n'
            'method = "burst"\n'
        )
        (found,) = small(tmp_path, SMALL + burst + 'most = "3 MB"\n').runs
        assert (found.method, found.most_bytes, found.one_way_bytes) == (Method.BURST, 3_000_000, 10_000_000)
        for more, key in (
            ("seconds = 10\n", "seconds"),
            ('most = "1 kB"\n', "most"),
            ('offered = "20 Mb/s"\n', "offered"),
            ("flows = 2\n", "flows"),
        ):
            with pytest.raises(SiteMistake, match=key):
                small(tmp_path, SMALL + burst + more)
        with pytest.raises(SiteMistake, match="direction"):
            small(tmp_path, SMALL + burst.replace('"up"', '"both"'))

    @pytest.mark.parametrize(
        ("method", "lasts_s", "one_way_bytes"),
        [("sizes", 6 * 13, 6 * 25_000_000), ("steps", 2 * 7 * 13, 143_750_000)],
    )
    def test_sizes_and_steps_cost_all_their_parts(
        self, tmp_path: Path, method: str, lasts_s: int, one_way_bytes: int
    ) -> None:
        """20 Mb/s for 10 s in six sizes, or for 575 % of them each way."""
        way = "up" if method == "sizes" else "both"
        run = (
            f'[[run]]\nhandoff = "old"\nendpoint = "north"\ndirection = "{way}"\nseconds = 10\n'
            f'every = "24 h"\nmethod = "{method}"\n'
        )
        (found,) = small(tmp_path, SMALL + run + 'offered = "20 Mb/s"\n').runs
        assert (found.lasts_s, found.one_way_bytes) == (lasts_s, one_way_bytes)
        for more, key in (
            ("", "offered"),
            ('offered = "20 kb/s"\n', "offered"),
            ('offered = "20 Mb/s"\nmost = "1 MB"\n', "most"),
            ('offered = "20 Mb/s"\nshare = "10 %"\n', "share"),
        ):
            with pytest.raises(SiteMistake, match=key):
                small(tmp_path, SMALL + run + more)
        with pytest.raises(SiteMistake, match="every"):
            small(tmp_path, SMALL + run.replace("24 h", "1 min") + 'offered = "20 Mb/s"\n')

    def test_a_rehearsal_is_of_a_plan_and_goes_where_that_goes(self, tmp_path: Path) -> None:
        """It costs what the plan needs: 4.66 Mb/s x 1.040 of a push (`store.demand`), for a minute."""
        (found,) = small(tmp_path, SMALL + PLAN + REHEARSAL).runs
        assert (found.method, found.handoff, found.direction) == ("rehearsal", "old", Direction.UP)
        assert found.stream is not None
        assert found.stream.name == "P1"
        assert found.one_way_bytes == pytest.approx(4_660_000 * 1.004 * 1500 / 1448 * 60 / 8, rel=1e-6)
        for wrong, key in (
            (REHEARSAL.replace('"P1"', '"P2"'), "plan"),
            (REHEARSAL.replace('plan = "P1"\n', ""), "plan"),
            (REHEARSAL.replace("60", "3601"), "seconds"),
            (REHEARSAL + 'handoff = "old"\n', "handoff"),
            (REHEARSAL + 'direction = "up"\n', "direction"),
            (REHEARSAL.replace("24 h", "50 s"), "every"),
        ):
            with pytest.raises(SiteMistake) as mistake:
                small(tmp_path, SMALL + PLAN + wrong)
            assert key in str(mistake.value)

    def test_soaks_rest_on_a_train(self, tmp_path: Path) -> None:
        """They stand apart from runs, since they send nothing; what would be a run's is refused."""
        train = '[[train]]\nhandoff = "old"\nendpoint = "north"\nper_second = 50\n'
        soak = '[[run]]\nmethod = "soak"\nhandoff = "old"\nendpoint = "north"\nevery = "168 h"\n'
        found = small(tmp_path, SMALL + train + soak + "seconds = 86400\n")
        assert found.runs == ()
        assert [(one.method, one.seconds, one.every_s) for one in found.soaks] == [
            (Method.SOAK, 86_400, 7 * 86_400)
        ]
        assert not found.runs_by_default
        for more, key in (
            ("seconds = 30\n", "seconds"),
            ("seconds = 604800\n", "every"),
            ('seconds = 3600\ndirection = "up"\n', "direction"),
            ("", "seconds"),
        ):
            with pytest.raises(SiteMistake, match=key):
                small(tmp_path, SMALL + train + soak + more)
        lan = '[[endpoint]]\nname = "lan"\nwhere = "house"\ninvitation = "linebook://192.0.2.9/?v=1"\n'
        with pytest.raises(SiteMistake, match="no train goes from old to lan"):
            small(tmp_path, SMALL + lan + train + soak.replace("north", "lan") + "seconds = 3600\n")

    def test_a_search_for_the_path_mtu(self, tmp_path: Path) -> None:
        """It ends by itself, finds both directions, and fills nothing; the card may state a size."""
        mtu = '[[run]]\nhandoff = "old"\nendpoint = "north"\nevery = "24 h"\nmethod = "mtu"\n'
        (found,) = small(tmp_path, SMALL + mtu).runs
        assert (found.method, found.direction) == (Method.MTU, Direction.BOTH)
        assert found.one_way_bytes is not None
        assert found.one_way_bytes < 1_000_000
        for more in ("seconds = 10\n", "flows = 2\n", 'share = "10 %"\n', 'direction = "up"\n'):
            with pytest.raises(SiteMistake, match=more.split()[0]):
                small(tmp_path, SMALL + mtu + more)
        stated = SMALL.replace('rate_up = "15 Mb/s"', 'rate_up = "15 Mb/s"\nmtu = 1500')
        assert small(tmp_path, stated).handoffs[0].card.mtu_bytes == 1500
        with pytest.raises(SiteMistake, match=r"handoff\[1\]\.card\.mtu: .*from 576 to 9216"):
            small(tmp_path, stated.replace("1500", '"1500"'))

    def test_a_loaded_delay_run_has_every_load_or_the_one_it_names(self, tmp_path: Path) -> None:
        loaded = (
            '[[run]]\nhandoff = "old"\nendpoint = "north"\nseconds = 10\nevery = "24 h"\n'
            'method = "loaded-delay"\n'
        )
        (found,) = small(tmp_path, SMALL + loaded).runs
        assert (found.loads, found.direction) == (
            (Direction.UP, Direction.DOWN, Direction.BOTH),
            Direction.BOTH,
        )
        assert found.lasts_s == 5 + 3 * (10 + 5 + 2)
        (found,) = small(tmp_path, SMALL + loaded + 'direction = "up"\nflows = 2\n').runs
        assert (found.loads, found.direction, found.flows) == ((Direction.UP,), Direction.UP, 2)
        for more, key in (
            ('share = "10 %"\n', "share"),
            ('offered = "20 Mb/s"\n', "offered"),
            ('direction = "sideways"\n', "direction"),
        ):
            with pytest.raises(SiteMistake, match=key):
                small(tmp_path, SMALL + loaded + more)
        with pytest.raises(SiteMistake, match="every: a loaded-delay run takes about 56 s"):
            small(tmp_path, SMALL + loaded.replace("24 h", "50 s"))
        with pytest.raises(SiteMistake, match="seconds: a load of a loaded-delay run takes 4 s or more"):
            small(tmp_path, SMALL + loaded.replace("seconds = 10", "seconds = 3"))

    def test_only_a_house_endpoint_needs_a_schedule_of_its_own(self, tmp_path: Path) -> None:
        text = SMALL.replace('name = "north"', 'name = "north"\nwhere = "house"')
        with pytest.raises(SiteMistake, match="none stands outside"):
            small(tmp_path, text)
        assert small(tmp_path, "run = []\ntrain = []\n" + text).trains == ()

    @pytest.mark.parametrize(
        ("transport", "peak", "buffer_s", "repeats"),
        [("tcp", 1.1, 1.0, 0.0), ("rtp", 1.1, 0.5, 0.0), ("arq", 1.0, 0.2, 0.25)],
    )
    def test_of_a_transport(
        self, tmp_path: Path, transport: str, peak: float, buffer_s: float, repeats: float
    ) -> None:
        """Common practice, no source; an ARQ latency is never guessed."""
        plan = f"""
[[plan]]
name = "show"
handoff = "old"
hours = "22:00-24:00"
[[plan.destination]]
name = "one"
video = "4 Mb/s"
audio = "128 kb/s"
transport = "{transport}"
"""
        if transport == "arq":
            with pytest.raises(SiteMistake, match=r"plan\[1\]\.destination\[1\]\.latency: missing"):
                small(tmp_path, SMALL + plan)
            plan += 'latency = "200 ms"\n'
        (found,) = small(tmp_path, SMALL + plan).plans
        (one,) = found.destinations
        assert (one.peak_factor, one.buffer_s, one.repeat_ceiling) == (peak, buffer_s, repeats)
        assert (one.keyframe_s, one.frames_per_second) == (2.0, 30.0)
        assert (found.times.weekdays, found.times.to_minute) == (frozenset(range(7)), 1440)


# What is replaced in the example by what; the key; what the sentence must say
MISTAKES = [
    (
        'rate_up = "15 Mb/s"',
        "rate_up = 15",
        "handoff[1].card.rate_up",
        'no unit; expected text such as "15 Mb/s"',
    ),
    ('"600 Mb/s"', '"600 MB/s"', "handoff[2].card.rate_up", 'did you mean "Mb/s"?'),
    ('"600 Mb/s"', '"-600 Mb/s"', "handoff[2].card.rate_up", "not more than 0"),
    ('rate_down = "600 Mb/s"', 'rate_down = "0 Mb/s"', "handoff[2].card.rate_down", "not more than 0"),
    ('rate_up = "15', 'rate_upp = "15', "handoff[1].card.rate_upp", 'unknown key; did you mean "rate_up"?'),
    ('layer = "layer 2"', 'layer = "L2"', "handoff[2].card.layer", '"layer 2"'),
    ('met_ratio = "95 %"', "met_ratio = 0.95", "handoff[1].card.met_ratio", '"0.95 %"'),
    ('met_ratio = "95 %"', 'met_ratio = "5 %"', "handoff[1].card.met_ratio", "from 50 % to 100 %"),
    ('delay = "9 ms"', "delay = 9", "handoff[2].card.delay", '"9 ms"'),
    ('loss = "0.05 %"', "loss = 0.05", "handoff[2].card.loss", '"0.05 %"'),
    ('target = "99.93 %"', 'target = "99.93"', "handoff[2].card.availability.target", '"99.93 %"'),
    (
        'rule = "severe seconds"',
        'rule = "severe second"',
        "handoff[2].card.availability.rule",
        "severe seconds",
    ),
    (
        'counts_from = "detection"',
        'counts_from = "now"',
        "handoff[2].card.availability.counts_from",
        "report",
    ),
    (
        "overruns_count = true",
        "overrun_counts = true",
        "handoff[2].card.availability.overrun_counts",
        "overruns_",
    ),
    (
        'maintenance_notice = "10 days"',
        'maintenance_notice = "10 d"',
        "handoff[2].card.availability.maintenance_notice",
        "21 days",
    ),
    ('claim = "21 days"', "claim = 21", "handoff[2].card.credits.claim", "in quotes"),
    (
        'below = "99.50 %"',
        'below = "99.95 %"',
        "handoff[2].card.credits.ladder[2].below",
        "from the highest down",
    ),
    (
        'credit = "20 %"',
        'credit = "7 %"',
        "handoff[2].card.credits.ladder[2].credit",
        "a ladder that pays more",
    ),
    ("term_end = 2030-06-21", "term_end = 2026-06-22", "handoff[2].card.term_end", "not after service_start"),
    (
        "service_start = 2026-06-22",
        'service_start = "22 June"',
        "handoff[2].card.service_start",
        "without quotes",
    ),
    (
        "service_start = 2026-06-22",
        "service_start = 2026-06-22T00:00:00",
        "handoff[2].card.service_start",
        "no date",
    ),
    ('delay = "schedule', 'dealy = "schedule', "handoff[2].card.pages.dealy", 'did you mean "delay"?'),
    ('allowance = "50 GB"', "allowance = 50", "handoff[1].allowance", '"50 GB"'),
    ('cap = "1.2 TB"', 'cap = "1.2 Tb"', "handoff[1].cap", "TB"),
    ('cap = "1.2 TB"', "", "handoff[1].cap_resets", 'such as cap = "1 TB"'),
    ("cap_resets = 1 ", "cap_resets = 32 ", "handoff[1].cap_resets", "from 1 to 31"),
    ('cap_counts = "both"', 'cap_counts = "all"', "handoff[1].cap_counts", '"both", "up", "down"'),
    ('alarms = "no"', "alarms = false", "safety.alarms", 'none of "yes", "no"'),
    ('alarms = "no"', 'alarm = "no"', "safety.alarm", 'did you mean "alarms"?'),
    ('hours = "09:00-10:00"', 'hours = "9-10"', "safety.never[1].hours", "no stretch of a day"),
    ('busy_hours = "18:00-23:00"', 'busy_hours = "evening"', "busy_hours", "no stretch of a day"),
    ("to = 2026-03-29", "to = 2026-03-01", "campaign[1].to", "before 2026-03-02"),
    ("to = 2026-03-29", "to = 2026-03-29\ncount = 5", "campaign[1].to", "expected one of them"),
    ('every = "75 min"', 'every = "24 h"', "run[2].every", "a slot is at most those hours"),
    ("metered = false", 'metered = "no"', "handoff[1].metered", "neither true nor false"),
    ('source = "192.0.2.130"', 'source = "192.0.2.300"', "handoff[1].source", "no IP address"),
    ('interface = "eth0"', 'interface = "eth 0"', "handoff[1].interface", "no interface name"),
    ('name = "A"', 'name = "old"', "handoff[2].name", "taken"),
    ('name = "A"', 'name = "A/B"', "handoff[2].name", "no short name"),
    ('name = "A"', "", "handoff[2].name", "missing"),
    ('where = "house"', 'where = "home"', "endpoint[1].where", 'did you mean "house"?'),
    ('name = "south"', 'name = "north"', "endpoint[3].name", "taken"),
    ('name = "south"', 'name = "sout"', "endpoint[3].invitation", 'did you mean "south"?'),
    ('endpoint = "lan"', 'endpoint = "lann"', "train[2].endpoint", 'did you mean "lan"?'),
    ('endpoint = "lan"', 'endpoint = "north"', "train[2]", "already"),
    ("per_second = 5 ", "per_second = 0 ", "train[1].per_second", "from 1 to 200"),
    ("per_second = 5 ", "per_second = 201 ", "train[1].per_second", "from 1 to 200"),
    ('span = "60 s"', "span = 60", "train[1].span", "no unit"),
    ('span = "60 s"', 'span = "2 h"', "train[1].span", "from 1 to 3600"),
    ('direction = "up"', 'direction = "upward"', "run[1].direction", '"up", "down", "both"'),
    ("seconds = 10 ", "seconds = 0 ", "run[1].seconds", "from 1 to 3600"),
    ("seconds = 10 ", 'seconds = "10 s" ', "run[1].seconds", "without quotes"),
    ("flows = 4", "flows = 17", "run[1].flows", "from 1 to 16"),
    ('every = "60 min"', 'every = "10 s"', "run[1].every", "does not fit"),
    ('every = "60 min"', "every = 60", "run[1].every", "no unit"),
    ('share = "10 %"', "share = 10", "run[5].share", '"10 %"'),
    ('share = "10 %"', 'share = "110 %"', "run[5].share", "no share from 0 % to 100 %"),
    ('share = "10 %"', 'share = "0 %"', "run[5].share", "no share above 0 %"),
    ('share = "10 %"', 'shares = "10 %"', "run[5].shares", 'did you mean "share"?'),
    ('share = "10 %"', 'share = "0.01 %"', "run[5].share", "too little to hold 4 flows to"),
    (
        'seconds = 5\nevery = "285 min"',
        'share = "10 %"\nseconds = 5\nevery = "285 min"',
        "run[3].share",
        "the card of handoff old states no rate_down to take a share of",
    ),
    ("to = 2026-03-29", 'to = 2026-03-29\nshare = "10 %"', "campaign[1].share", "answers no question"),
    ('handoff = "old"\ndays', 'handoff = "odl"\ndays', "plan[1].handoff", 'did you mean "old"?'),
    ('hours = "19:00-21:00"', 'hours = "19-21"', "plan[1].hours", '"19:00-21:00"'),
    ('hours = "19:00-21:00"', 'hours = "24:00-25:00"', "plan[1].hours", '"19:00-21:00"'),
    ('["Mon", "Tue",', '["Mon", "Tues",', "plan[1].days", 'did you mean "Tue"?'),
    ('["Mon", "Tue", "Wed", "Thu"]', "[]", "plan[1].days", "is empty"),
    ("dates = [2026-03-28,", 'days = ["Sat"]\ndates = [2026-03-28,', "plan[2].dates", "beside days"),
    ("dates = [2026-03-28,", 'dates = ["2026-03-28",', "plan[2].dates", "without quotes"),
    ('video = "4.5 Mb/s"', "video = 4.5", "plan[1].destination[1].video", '"4.5 Mb/s"'),
    ('transport = "tcp" ', 'transport = "quic" ', "plan[1].destination[1].transport", '"tcp", "arq", "rtp"'),
    ('buffer = "1 s"', 'latency = "1 s"', "plan[1].destination[1].latency", 'belongs to transport "arq"'),
    ('latency = "1.5 s"', 'buffer = "1.5 s"', "plan[2].destination[3].buffer", "expected its latency"),
    ("peak_factor = 1.1", "peak_factor = 0.9", "plan[1].destination[1].peak_factor", "from 1 to 10"),
    ('name = "channel-2"', 'name = "channel-1"', "plan[2].destination[2].name", "taken"),
    ('kind = "quiet"', 'kind = "quite"', "window[1].kind", 'did you mean "quiet"?'),
    ('handoffs = ["old"]', 'handoffs = ["odl"]', "window[1].handoffs", 'did you mean "old"?'),
    ('handoffs = ["old"]', 'handoffs = "old"', "window[1].handoffs", "a list in brackets"),
    ('timezone = "UTC+01:00"', 'timezone = "Mars/Olympus"', "timezone", "no time zone"),
    ("invented = true", "invented = 1", "invented", "neither true nor false"),
    ("[[window]]", "[[windows]]", "windows", 'did you mean "window"?'),
    ('maintenance_cap = "4 h"', "maintenance_cap = 4", "handoff[2].card.maintenance_cap", "no unit"),
    ('other_traffic = "5 %"', "other_traffic = 5", "rules.other_traffic", '"5 %"'),
    ('show_upload = "2 Mb/s"', 'show_upload = "nevr"', "rules.show_upload", "is not a rate"),
    ('show_after = "60 s"', 'show_after = "1 s"', "rules.show_after", "from 10 to 3600"),
    ('wireless = "exclude"', 'wireless = "yes"', "rules.wireless", '"allow"'),
    ("port_errors = 0", "port_errors = -1", "rules.port_errors", '"any"'),
    ('cpu = "90 %"', 'cpu = "0 %"', "rules.cpu", "above 0 %"),
    ('port_band = "1 %"', 'port_band = "11 %"', "rules.port_band", "0 % to 10 %"),
    ('"198.51.100.40/29"', '"198.51.100.40/33"', "handoff[2].addresses", "no network"),
    ('samples = "400 days"', 'samples = "30 days"', "keep.samples", "of 62 at least"),
    ('samples = "400 days"', 'sample = "400 days"', "keep.sample", 'did you mean "samples"?'),
    ('show_closes_after = "10 min"', 'show_close_after = "10 min"', "rules.show_close_after", "did you mean"),
]


class TestMistakes:
    @pytest.mark.parametrize(("right", "wrong", "key", "sentence"), MISTAKES)
    def test_names_the_key_its_line_and_what_would_be_right(
        self, tmp_path: Path, right: str, wrong: str, key: str, sentence: str
    ) -> None:
        path = example(tmp_path)
        before, found, after = path.read_text().partition(right)
        assert found, right
        path.write_text(before + wrong + after)
        caught = mistake(path)
        assert (caught.key, caught.file) == (key, str(path))
        assert sentence in caught.why
        assert str(caught).startswith(f"{path}, line {caught.line}: {key}: ")
        assert caught.line is not None
        named = key.rpartition(".")[2].partition("[")[0]
        around = path.read_text().splitlines()[caught.line - 1]
        # a missing key is shown where its table begins, any other on its own line
        assert (
            around.startswith("[[") if "missing" in caught.why or "already" in caught.why else named in around
        )

    @pytest.mark.parametrize(
        ("text", "line", "why"),
        [
            ('name = "a\n', 1, "is not TOML here"),
            ("name = 'a'\nrate = 5 Mb/s\n", 2, "is not TOML here"),
            ("name = 'a'\nname = 'b'\n", 2, "is not TOML here"),
            (f"name = {'9' * 5000}\n", None, "is not TOML here"),
            (f"name = {'[' * 20_000}\n", None, "is not TOML here"),
        ],
    )
    def test_of_toml_itself(self, tmp_path: Path, text: str, line: int | None, why: str) -> None:
        path = tmp_path / "site.toml"
        path.write_text(text)
        caught = mistake(path)
        assert (caught.line, caught.key) == (line, "")
        assert why in caught.why

    @pytest.mark.parametrize("key", ["name", "timezone"])
    def test_what_every_site_must_say(self, tmp_path: Path, key: str) -> None:
        text = re.sub(rf"^{key} = .*\n", "", SMALL, count=1, flags=re.MULTILINE)
        with pytest.raises(SiteMistake, match=f": {key}: missing; expected"):
            small(tmp_path, text)

    @pytest.mark.parametrize("table", ["handoff", "endpoint"])
    def test_at_least_one_of_each(self, tmp_path: Path, table: str) -> None:
        start = SMALL.index(f"[[{table}]]")
        end = SMALL.find("[[", start + 2) if table == "handoff" else len(SMALL)
        with pytest.raises(SiteMistake, match=f"{table}: missing; expected at least one"):
            small(tmp_path, SMALL[:start] + SMALL[end:])

    def test_several_handoffs_need_their_ways_out(self, tmp_path: Path) -> None:
        with pytest.raises(SiteMistake, match="with several handoffs each needs its interface"):
            small(tmp_path, SMALL + '[[handoff]]\nname = "new"\n')

    def test_a_table_that_is_none(self, tmp_path: Path) -> None:
        with pytest.raises(SiteMistake, match=r"handoff: expected tables, each under a line \[\[handoff\]\]"):
            small(tmp_path, SMALL.replace("[[handoff]]", "[handoff]"))
        with pytest.raises(SiteMistake, match=r"expected a table, under a line \[handoff\.card\]"):
            small(tmp_path, SMALL.replace('[handoff.card]\nrate_up = "15 Mb/s"', "card = 5"))

    def test_files_that_cannot_be_read(self, tmp_path: Path) -> None:
        assert "No such file" in mistake(tmp_path / "nothing.toml").why
        assert "Is a directory" in mistake(tmp_path).why
        (tmp_path / "latin.toml").write_bytes('name = "Café"'.encode("latin-1"))
        assert "UTF-8" in mistake(tmp_path / "latin.toml").why

    @given(st.text(max_size=80) | st.binary(max_size=80))
    def test_any_file_is_a_site_or_a_mistake(
        self, tmp_path_factory: pytest.TempPathFactory, content: str | bytes
    ) -> None:
        path = tmp_path_factory.getbasetemp() / "any.toml"
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        mistake(path)

    @given(st.data())
    def test_any_value_in_any_place_is_read_or_a_mistake(
        self, tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
    ) -> None:
        """One line of the example gets another value: nothing but a site or a SiteMistake with its line."""
        rows = EXAMPLE.read_text().splitlines()
        keyed = [nth for nth, row in enumerate(rows) if re.match(r"[a-z_]+ = ", row)]
        nth = data.draw(st.sampled_from(keyed))
        value = data.draw(
            st.sampled_from(
                [
                    "1",
                    "-1.5",
                    "true",
                    '""',
                    '"x"',
                    "[]",
                    "[[1]]",
                    "{}",
                    "{a=1}",
                    "inf",
                    "nan",
                    "2026-01-01",
                    "12:00:00",
                ]
            )
        )
        rows[nth] = f"{rows[nth].partition(' = ')[0]} = {value}"
        folder = tmp_path_factory.mktemp("any")
        path = example(folder)
        path.write_text("\n".join(rows))
        caught = mistake_or_none(path)
        assert caught is None or (caught.line is not None and caught.why != "")


class TestSecrets:
    def test_a_file_open_to_every_account_is_refused_with_the_command_to_run(self, tmp_path: Path) -> None:
        path = example(tmp_path)
        secrets = tmp_path / "secrets.toml"
        for mode in (0o604, 0o602, 0o644):
            secrets.chmod(mode)
            caught = mistake(path)
            assert caught.key == "secrets"
            assert f"run: chmod o= {secrets}" in caught.why
        secrets.chmod(0o640)
        load(path)

    def test_one_that_is_not_there(self, tmp_path: Path) -> None:
        path = example(tmp_path)
        (tmp_path / "secrets.toml").unlink()
        assert "secrets.toml cannot be read: No such file" in mistake(path).why

    def test_an_invitation_may_stand_in_one_place_only(self, tmp_path: Path) -> None:
        path = example(tmp_path)
        path.write_text(
            path.read_text().replace('name = "south"', f'name = "south"\ninvitation = "{INVITATION}"')
        )
        caught = mistake(path)
        assert (caught.key, "keep one of them" in caught.why) == ("endpoint[3].invitation", True)
        assert KEY not in str(caught)

    @pytest.mark.parametrize(
        "content",
        [
            f'[invitation]\nnorth = ["{INVITATION}"]\n',
            f'[invitation]\nnorth = "{INVITATION}\n',
            f"[invitation]\nnorth = {INVITATION}\n",
            f'[invitations]\nnorth = "{INVITATION}"\n',
            f'invitation = "{INVITATION}"\n',
            f'[invitation]\nnorht = "{INVITATION}"\n',
        ],
    )
    def test_no_mistake_repeats_an_invitation(self, tmp_path: Path, content: str) -> None:
        path = example(tmp_path)
        (tmp_path / "secrets.toml").write_text(content)
        path.write_text(
            path.read_text().replace('[[endpoint]]\nname = "lan"', '[[endpoint]]\nname = "north"')
        )
        assert KEY not in str(mistake(path))

    @pytest.mark.parametrize("key", ["where", "name", "timezone", "layer", "rate_up", "hours", "transport"])
    def test_not_even_when_it_stands_under_a_wrong_key(self, tmp_path: Path, key: str) -> None:
        path = example(tmp_path)
        path.write_text(
            re.sub(rf"^{key} = .*$", f'{key} = "{INVITATION}"', path.read_text(), flags=re.MULTILINE)
        )
        assert KEY not in str(mistake_or_none(path))
