"""`linebook compare` and `linebook renewal` on the invented record, and mistakes in asking."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import linebook
from dashboard import over_time, text_over_time
from store.reader import Reader
from store.site import Site
from tests.dashboard import invented
from tests.dashboard.conftest import site as site
from tests.test_mistakes import SITE


def test_the_evening_shows_in_the_old_line_and_not_in_the_new(site: Site) -> None:
    """The invented old line sags in the evening; the new one does not, and both are there by hour."""
    reader = Reader.open(site.database)
    try:
        found = over_time.compared(
            reader, site, site.handoff("old"), site.handoff("A"), now_ns=invented.NOW_NS, days=7
        )
    finally:
        reader.close()
    assert len(found.hours) == 24
    old = {hour: each.up_bps for hour, (each, _) in enumerate(found.hours) if each.up_bps}
    new = {hour: each.up_bps for hour, (_, each) in enumerate(found.hours) if each.up_bps}
    assert min(old[hour] for hour in old if 19 <= hour < 22) < 0.8 * max(old.values())
    assert min(new.values()) > max(old.values())
    said = over_time.compared_json(found)
    json.dumps(said)
    assert said["hours"][20]["old"]["up_bps"] == old[20]
    text = text_over_time.side_by_side(found).splitlines()
    assert len(text) == 2 + 24 + 1
    assert max(map(len, text[1:-1])) <= 80  # columns of a terminal, by common practice
    # from 22 June to 25 November the new line costs 210 crowns a month beside the old one's 64
    assert "for old beside" in text[-1]


def test_a_time_without_a_record_is_no_table_of_dashes(site: Site) -> None:
    reader = Reader.open(site.database)
    try:
        found = over_time.compared(
            reader, site, site.handoff("old"), site.handoff("A"), now_ns=invented.NOW_NS + 10**18, days=7
        )
    finally:
        reader.close()
    assert text_over_time.side_by_side(found).splitlines()[0].endswith(": neither was measured in that time.")


def test_the_sheet_of_a_term(site: Site) -> None:
    reader = Reader.open(site.database)
    try:
        found = over_time.renewal_of(reader, site, site.handoff("A"), now_ns=invented.NOW_NS)
    finally:
        reader.close()
    json.dumps(over_time.renewal_json(found))
    text = text_over_time.renewal(found)
    assert "Paid in 6 months: 1260.00 crowns." in text  # June to November, 210 each
    assert "The whole term, 48 months: 10080.00 crowns." in text
    assert "The term ends on 2030-06-21." in text
    assert "Delivered up, last quarter: " in text


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["compare", "SITE"], "has one handoff"),
        (["compare", "SITE", "--days", "0"], "--days"),
        (["renewal", "SITE", "--handoff", "B"], "has no handoff 'B'"),
    ],
)
def test_mistakes_in_asking(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], says: str
) -> None:
    path = tmp_path / "house.toml"
    path.write_text(SITE)
    try:
        code = linebook.main([str(path) if word == "SITE" else word for word in words])
    except SystemExit as end:
        code = int(end.code or 0)
    assert code == 2
    assert says in capsys.readouterr().err
