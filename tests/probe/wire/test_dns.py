"""Queries and answers of the domain name system against scapy's own reading and writing of them."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.layers.dns import DNS, DNSQR, DNSRR, DNSRROPT

from probe.wire import dns
from store.errors import BadPacket

NAME = "north.example.net"
QUERY = dns.encode_query(0x1234, NAME)


def reply(**fields: object) -> bytes:
    usual: dict[str, object] = {"id": 0x1234, "qr": 1, "qd": DNSQR(qname=NAME)}
    return bytes(DNS(**(usual | fields)))


@given(st.integers(0, 0xFFFF), st.from_regex(r"[a-z0-9]{1,20}(\.[a-z0-9]{1,20}){1,4}", fullmatch=True))
def test_a_query_as_scapy_reads_it(number: int, name: str) -> None:
    found = DNS(dns.encode_query(number, name))
    assert (found.id, found.qr, found.rd, found.opcode) == (number, 0, 1, 0)
    assert (found.qdcount, found.ancount, found.nscount, found.arcount) == (1, 0, 0, 0)
    assert (found.qd[0].qname.decode(), found.qd[0].qtype, found.qd[0].qclass) == (f"{name}.", 1, 1)


@given(st.lists(st.integers(0, 0x7FFF_FFFF), max_size=4))
def test_an_answer_as_scapy_writes_it(ttls: list[int]) -> None:
    """A chain of aliases with compressed names, and what stands behind it: the lowest TTL counts."""
    records = [DNSRR(rrname=NAME, type="A", ttl=ttl, rdata="192.0.2.230") for ttl in ttls]
    data = reply(an=records or None, ar=DNSRROPT())
    assert dns.decode_reply(data, query=QUERY) == dns.Reply(code=0, ttl_s=min(ttls, default=None))


def test_an_alias_by_pointer() -> None:
    """A name that is a pointer to the question's (RFC 1035 section 4.1.4), and a TTL above 2^31 - 1, which is
    0 by RFC 2181 section 8."""
    record = b"\xc0\x0c" + b"\0\x01\0\x01" + b"\xff\xff\xff\xff" + b"\0\x04" + bytes((192, 0, 2, 230))
    data = QUERY[:2] + b"\x81\x80\0\x01\0\x01\0\0\0\0" + QUERY[12:] + record
    assert dns.decode_reply(data, query=QUERY) == dns.Reply(code=0, ttl_s=0)
    assert DNS(data).an[0].rdata == "192.0.2.230"


@pytest.mark.parametrize(("code", "word"), [(2, "server failure"), (3, "no such name"), (5, "refused")])
def test_codes(code: int, word: str) -> None:
    """RFC 1035 section 4.1.1; the third without the question, as a server may that could not read it."""
    found = dns.decode_reply(reply(rcode=code, qd=None) if code == 5 else reply(rcode=code), query=QUERY)
    assert found is not None
    assert (found.code, found.word, found.ttl_s) == (code, word, None)


@pytest.mark.parametrize(
    "data",
    [reply(id=0x1235), reply(qr=0), reply(qd=DNSQR(qname="south.example.net"))],
    ids=["another number", "a query", "another question"],
)
def test_what_is_no_answer_to_it(data: bytes) -> None:
    assert dns.decode_reply(data, query=QUERY) is None


@given(st.binary(max_size=80), st.booleans())
def test_any_octets(data: bytes, behind_header: bool) -> None:
    """Read, passed over or refused, and nothing else; each cut of a good answer too."""
    whole = QUERY[:2] + b"\x81\x80\0\x01\0\x02\0\0\0\0" + QUERY[12:] + data if behind_header else data
    for octets in (whole, reply(an=DNSRR(rrname=NAME, ttl=5, rdata="192.0.2.1"))[: len(data)]):
        with contextlib.suppress(BadPacket):
            dns.decode_reply(octets, query=QUERY)


@pytest.mark.parametrize("name", ["", "a..b", ".a", "a" * 64 + ".net", ".".join(["a" * 60] * 5)])
def test_no_name(name: str) -> None:
    with pytest.raises(ValueError, match="is no host name"):
        dns.encode_query(1, name)
