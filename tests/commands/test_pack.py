"""An evidence pack through the command: what is in it, what is not, and who can check it.

Checked with programs of others: sha256sum (GNU coreutils), openssl (RFC 8032 signatures), a bare Python.
"""

from __future__ import annotations

import csv
import json
import shutil
import sqlite3
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from html import unescape
from pathlib import Path

import pytest

import linebook
from dashboard import method
from dashboard.papers import pdf, phrases, redaction
from store import bundle, chain, timestamp
from store.clock import NS_PER_S, Clock
from store.events import Event, EventKind
from store.records import Failed, Owner, Record
from store.site import load
from store.writer import Writer
from tests.dashboard.judge.made import at, run, span, stall
from tests.test_mistakes import INVITATION

TOKEN = "hook-token-0123456789abcdef"
SITE = f"""
name = "Quillet Lane School of Ceramics"
invented = true
timezone = "UTC"
database = "line.db"
secrets = "secrets.toml"
[[handoff]]
name = "A"
title = "Copper in the kiln room"
interface = "enp7s0"
source = "198.51.100.42"
addresses = ["198.51.100.40/29"]
[handoff.card]
provider = "Greyfell Circuits"
reference = "GC-40417"
rate_up = "15 Mb/s"
layer = "layer 2"
escalation = "duty desk 0700 555"
[[endpoint]]
name = "north"
invitation = "{INVITATION}"
[[endpoint]]
name = "lan"
where = "house"
invitation = "{INVITATION}"
[[plan]]
name = "monday-glaze"
title = "Monday glaze"
handoff = "A"
days = ["Mon"]
hours = "19:00-21:00"
[[plan.destination]]
name = "mirror-one"
video = "4.5 Mb/s"
audio = "160 kb/s"
transport = "tcp"
frames_per_second = 30
[[notice]]
name = "hook"
kind = "hook"
url = "https://alerts.example.net/line"
"""
PRIVATE = (
    *("Quillet", "kiln room", "enp7s0", "198.51.100.42", "Monday glaze", "mirror-one", "0700 555"),
    *("192.0.2.77", "oven-pc.house.example.net", "alerts.example.net", "52:54:00:12:34:56", "jo@example.net"),
)
FIRST, LAST = "2026-03-02", "2026-03-04"


def records() -> Iterator[Record]:
    """Three days of hourly runs and trains, a stall, and sentences in which names and addresses stand."""
    for day in (2, 3, 4):
        for hour in range(24):
            moment = at(f"2026-03-{day:02d} {hour:02d}:10")
            made = run(14_000_000 if hour in (19, 20) else 16_500_000, started_unix_ns=moment)
            around = replace(
                made.circumstances,
                interface="enp7s0",
                source_address="198.51.100.42",
                egress_address="198.51.100.42",
                other_up_bps=31_337,
                other_down_bps=31_338,
            )
            yield replace(made, handoff="A", circumstances=around)
            for endpoint in ("north", "lan"):
                yield span(moment, seconds=3000.0, handoff="A", endpoint=endpoint)
    yield stall(at("2026-03-03 19:20"), handoff="A")
    yield Failed(
        what="run rate",
        why="oven-pc.house.example.net (192.0.2.77, 52:54:00:12:34:56) of jo@example.net did not answer",
        whose=Owner.UNKNOWN,
        started_unix_ns=at("2026-03-03 21:40"),
        handoff="A",
        endpoint="north",
    )
    yield Event(
        handoff="A",
        endpoint="",
        started_unix_ns=at("2026-03-03 21:41"),
        what=EventKind.PORT,
        says="port enp7s0 runs at 100 Mb/s, the Monday glaze show was near 192.0.2.77",
        owner=Owner.HOUSE,
        before="1000",
        after="100",
    )


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("pack")
    file = folder / "site.toml"
    file.write_text(SITE)
    secrets = folder / "secrets.toml"
    secrets.write_text(f'[notice]\nhook = "{TOKEN}"\n')
    secrets.chmod(0o600)
    writer = Writer.open(folder / "line.db", clock=Clock(), timezone="UTC")
    for record in records():
        writer.append(record)
    writer.close()
    return file


@pytest.fixture(scope="module")
def pack(site: Path) -> Path:
    to = site.parent / "out"
    asked = ["pack", str(site), "--from", FIRST, "--to", LAST, "--to-dir", str(to)]
    assert linebook.main(asked) == 0
    return to


def test_what_a_provider_opens(pack: Path) -> None:
    """A page that asks for nothing and has no script, a PDF, CSV files, and a zip of the same."""
    page = (pack / "index.html").read_text()
    assert "<script" not in page
    assert "http" not in page.replace("http://www.w3.org/2000/svg", "")
    assert all(f'id="part-{nth}"' in page for nth in range(1, 16))
    assert (pack / "paper.pdf").read_bytes().startswith(b"%PDF-")
    with (pack / "data" / "rate.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 72
    assert rows[0]["started"] == "2026-03-02T00:10:00.000Z"
    verdicts = json.loads((pack / "verdicts.json").read_text())
    assert verdicts["runs"] == {"made": 72, "count": 72, "failed": 1, "skipped": 0}
    assert [one["number"] for one in verdicts["objections"]] == list(range(1, 21))
    up = verdicts["rates"][0]["verdicts"][0]
    assert (up["n"], up["met"]) == (72, 66)  # 14 Mb/s of payload are 14.67 Mb/s at layer 2, below 15
    with zipfile.ZipFile(pack.with_name("out.zip")) as archive:
        inside = {name.removeprefix("out/") for name in archive.namelist()}
    assert inside == {file.relative_to(pack).as_posix() for file in pack.rglob("*") if file.is_file()}


def test_nothing_private_and_nothing_secret(pack: Path) -> None:
    """Names, addresses and other traffic that were planted are in no file; nor are secrets."""
    key = (pack.parent / "line.db.key").read_text().splitlines()[1]
    secrets = (INVITATION, INVITATION.partition("key=")[2][:20], TOKEN, key)
    for file in pack.rglob("*"):
        if file.is_file():
            text = file.read_bytes().decode("utf-8", "replace")
            assert [word for word in (*PRIVATE, *secrets, "31337", "31338") if word in text] == [], file
    assert "Greyfell Circuits" in (pack / "index.html").read_text()
    with (pack / "data" / "failed.csv").open(newline="") as out:
        (row,) = csv.DictReader(out)
    assert row["why"] == "[host] ([address 1], [hardware address]) of [address] did not answer"


def test_standard_tools_check_it(pack: Path) -> None:
    """sha256sum and openssl, and the script in a bare Python, of forty lines at most."""

    def done(*words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(words, cwd=pack, capture_output=True, text=True, check=False)

    assert done("sha256sum", "--check", "--strict", "--quiet", "SHA256SUMS").returncode == 0
    for command in (phrases.CHECK_WITHOUT[1], *phrases.CHECK_HEAD):
        assert done(*command.split()).stdout == "Signature Verified Successfully\n"
    script = done(sys.executable, "-I", "check.py")
    assert (script.returncode, "none wrong" in script.stdout) == (0, True)
    assert len((pack / "check.py").read_text().splitlines()) <= 40


AUTHORITY = """
[authority]
serial = {folder}/serial
default_policy = 1.3.6.1.4.1.32473.1
digests = sha256
signer_digest = sha256
accuracy = secs:1
ess_cert_id_alg = sha256
"""
KEYS = (  # a root of one's own and a stamper that it vouches for; the purpose as RFC 3161 section 2.3 has it
    "openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 2 -subj /CN=root "
    "-keyout root.key -out AUTHORITY.pem",
    "openssl req -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -subj /CN=stamper "
    "-keyout stamper.key -out stamper.csr",
    "openssl x509 -req -in stamper.csr -CA AUTHORITY.pem -CAkey root.key -CAcreateserial -days 2 "
    "-extfile purpose -out stamper.pem",
)


def test_a_time_stamp_is_checked_as_the_pack_says(site: Path, tmp_path: Path) -> None:
    """A stamp of the first head by an authority of one's own, `openssl ts`: its line in the pack verifies it,
    and finds an octet that was changed. What the authority answers is what this program takes as an answer.
    """
    database, to = tmp_path / "line.db", tmp_path / "bundle"
    for file in site.parent.glob("line.db*"):
        shutil.copy(file, tmp_path)
    (tmp_path / "serial").write_text("01\n")
    (tmp_path / "purpose").write_text("extendedKeyUsage = critical, timeStamping\n")
    (tmp_path / "authority.cnf").write_text(AUTHORITY.format(folder=tmp_path))

    def done(command: str, where: Path = tmp_path) -> subprocess.CompletedProcess[str]:
        return subprocess.run(command.split(), cwd=where, capture_output=True, text=True, check=False)

    for command in KEYS:
        assert done(command).returncode == 0, command
    with closing(sqlite3.connect(database)) as connection:
        ((number, head), *_) = chain.heads(connection)
        asked = timestamp.request(head.statement)
        (tmp_path / "asked.tsq").write_bytes(asked.der)
        reply = "openssl ts -reply -config authority.cnf -section authority -queryfile asked.tsq"
        assert done(f"{reply} -signer stamper.pem -inkey stamper.key -out answer.tsr").returncode == 0
        token = (tmp_path / "answer.tsr").read_bytes()
        assert abs(timestamp.accept(token, asked) - Clock().unix_ns()) < 60 * NS_PER_S
        connection.execute("INSERT INTO time_stamp (head, token) VALUES (?, ?)", (number, token))
        connection.commit()
    to.mkdir()
    bundle.write_heads(database, to)
    bundle.close(to, {}, bundle.key_of(database))
    shutil.copy(tmp_path / "AUTHORITY.pem", to)
    (line,) = phrases.CHECK_STAMP
    assert "Verification: OK" in done(line, to).stderr + done(line, to).stdout
    found = bundle.verify(to)
    assert [one for one, _ in found.stamped] == [number]
    statement = to / "seal" / f"head-{number:05d}.json"
    statement.write_bytes(statement.read_bytes().replace(b"0", b"1", 1))
    assert done(line, to).returncode != 0


def test_the_method_is_told_once(pack: Path) -> None:
    """Word for word as the page Method has it, each with its source."""
    page = unescape((pack / "index.html").read_text()).replace("\u00a0", " ")
    for name in phrases.METHOD:
        assert method.WAYS[name].how in page
        assert method.WAYS[name].source in page


def test_the_first_changed_file_is_named(
    pack: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """By `linebook verify` of the folder and of the zip, and by the script."""
    assert linebook.main(["verify", str(pack.with_name("out.zip"))]) == 0
    copy = tmp_path / "copy"
    with zipfile.ZipFile(pack.with_name("out.zip")) as archive:
        archive.extractall(tmp_path)
    (tmp_path / "out").rename(copy)
    rates = copy / "data" / "rate.csv"
    rates.write_bytes(rates.read_bytes().replace(b"16500000", b"16500001", 1))
    (copy / "more.txt").write_text("added")
    capsys.readouterr()
    assert linebook.main(["verify", str(copy), "--json"]) == 3
    found = json.loads(capsys.readouterr().out)
    assert found["finding"]["why"] == "data/rate.csv is not the file that manifest.json names"
    assert [one["what"] for one in found["findings"]] == ["changed", "added"]
    script = subprocess.run(
        [sys.executable, "-I", "check.py"], cwd=copy, capture_output=True, text=True, check=False
    )
    assert script.returncode == 1
    assert script.stdout.splitlines()[:2] == ["CHANGED  data/rate.csv", "ADDED    more.txt"]
    manifest = copy / "manifest.json"
    manifest.write_bytes(manifest.read_bytes().replace(b'"redacted": true', b'"redacted":  true'))
    assert linebook.main(["verify", str(copy)]) == 3
    assert "manifest.json does not fit its signature" in capsys.readouterr().out


def test_a_preview_makes_nothing(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert linebook.main(["pack", str(site), "--preview", "--hide", "north", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    withheld = {one["what"] for one in found["withheld"]}
    assert {"Monday glaze", "mirror-one", "north", "rate.egress_address", "train.site"} <= withheld
    assert found["kept"] == ["A", "lan"]


@pytest.mark.parametrize(
    ("words", "holds"),
    [
        (["accept"], ("Acceptance sheet", "For Greyfell Circuits", "☐ Refused", "Signature")),
        (["check", "--plan", "monday-glaze"], ("Day sheet", "duty desk 0700 555", "Plan B", "mirror-one")),
        (
            ["show", "report", "--plan", "monday-glaze", "--date", FIRST],
            ("Show report", "No list of the"),
        ),
        (["receipt", "--to", "store", "--size", "64 GB", "--seconds", "2048"], ("64.000 GB", "59.605 GiB")),
        (["renewal"], ("Renewal sheet", "GC-40417")),
        (["statement", "--month", "2026-03"], ("A-2026-03 draft, not issued", "Rates")),
    ],
)
def test_every_paper_prints(site: Path, tmp_path: Path, words: list[str], holds: tuple[str, ...]) -> None:
    """By one option, whatever the paper; complete without script or anything from elsewhere."""
    to = tmp_path / "paper.html"
    at = 2 if words[0] == "show" else 1
    assert linebook.main([*words[:at], str(site), *words[at:], "--paper", str(to)]) == 0
    page = to.read_text().replace("\u00a0", " ")
    assert [one for one in holds if one not in page] == []
    assert "<script" not in page
    assert "Nothing here is legal advice." in page
    assert [word for word in phrases.NEVER if word in page.lower()] == []


def test_a_secret_stops_a_pack(site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Also one without redaction: whatever put it there, the folder does not come about."""
    to = tmp_path / "leak"
    asked = ["pack", str(site), "--unredacted", "--question", f"Is {TOKEN} fast?", "--to-dir", str(to)]
    assert linebook.main([*asked, "--from", LAST, "--to", LAST]) == 3
    assert "would hold a secret" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_without_the_systems_library(monkeypatch: pytest.MonkeyPatch) -> None:
    """A system without Pango: one sentence that names what is missing."""
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    with pytest.raises(pdf.NoPdf, match="apt-get install libpango"):
        pdf.pdf("<p>paper</p>")


def test_phrases_speak_of_no_intent(pack: Path) -> None:
    """trade practice: measured, observed, did not reach; no word of `NEVER` in any sentence of a pack."""
    page = (pack / "index.html").read_text().lower()
    assert [word for word in phrases.NEVER if word in page] == []


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        (["--from", "2026-03-05", "--to", "2026-03-04"], "--to: 2026-03-04 is before --from 2026-03-05"),
        (["--handoff", "B"], "--handoff: "),
        (["--from", "2024-01-01", "--to", "2026-03-04"], "make several packs"),
    ],
)
def test_mistakes(site: Path, more: list[str], sentence: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert linebook.main(["pack", str(site), *more]) == 2
    assert sentence in capsys.readouterr().err


def test_the_same_address_has_the_same_number(site: Path) -> None:
    found = redaction.redaction_of(load(site), on=True)
    assert found.text("192.0.2.1 then 2001:db8::1, at 12:30:05 again 192.0.2.1") == (
        "[address 1] then [address 2], at 12:30:05 again [address 1]"
    )
    assert found.text("Monday glazed, 1000BASE-T, 6.1.0") == "Monday glazed, 1000BASE-T, 6.1.0"
