"""Time stamps of a signed head from a third party: RFC 3161 requests out, responses checked.

A token says that the octets it was asked for existed at its time, by a clock that is not the probe's.
Whether the one who gave it may be believed is not judged here; OpenSSL checks a token's own signature with
``openssl ts -verify -data STATEMENT -in RESPONSE -CAfile ROOTS``. Pure but for the random nonce: asking is
the probe's part. Imports nothing of store.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import UTC

import rfc3161_client

MEDIA_TYPE = "application/timestamp-query"  # RFC 3161 section 3.4
REPLY_MEDIA_TYPE = "application/timestamp-reply"

_GRANTED = (0, 1)  # granted, granted with modifications: only these come with a token (section 2.4.2)
_SHA256 = "2.16.840.1.101.3.4.2.1"


@dataclass(frozen=True, slots=True)
class Request:
    """A request in DER, the digest it is for, and the nonce that the response must repeat."""

    der: bytes
    digest: bytes
    nonce: int | None


def request(octets: bytes, *, nonce: bool = True) -> Request:
    """Ask for a stamp of the SHA-256 of these octets, with the certificate of whoever gives it."""
    made = rfc3161_client.TimestampRequestBuilder(
        octets, rfc3161_client.HashAlgorithm.SHA256, nonce=nonce, cert_req=True
    ).build()
    return Request(der=made.as_bytes(), digest=hashlib.sha256(octets).digest(), nonce=made.nonce)


def accept(response: bytes, asked: Request) -> int:
    """The time of the response to a request, in Unix ns. Raises ValueError for any other (section 2.4.2)."""
    parsed = _parsed(response)
    if parsed.tst_info.nonce != asked.nonce:
        raise ValueError("it repeats another nonce than was sent")
    return _time(parsed, asked.digest)


def read_token(response: bytes, *, digest: bytes) -> int:
    """The time of a response that was accepted and kept. Raises ValueError when it is not of this digest."""
    return _time(_parsed(response), digest)


def _parsed(response: bytes) -> rfc3161_client.TimeStampResponse:
    try:
        parsed = rfc3161_client.decode_timestamp_response(response)
        if parsed.status not in _GRANTED:
            words = " ".join(parsed.status_string or ())
            raise ValueError(f"it was refused with status {parsed.status}{f': {words}' if words else ''}")
        _ = parsed.tst_info
    except ValueError as error:
        raise ValueError(str(error) or "it is no time stamp response") from None
    return parsed


def _time(parsed: rfc3161_client.TimeStampResponse, digest: bytes) -> int:
    imprint = parsed.tst_info.message_imprint
    if imprint.hash_algorithm.dotted_string != _SHA256 or imprint.message != digest:
        raise ValueError("it is a stamp of other octets")
    moment = parsed.tst_info.gen_time
    seconds = int(moment.replace(microsecond=0, tzinfo=moment.tzinfo or UTC).timestamp())
    return seconds * 1_000_000_000 + moment.microsecond * 1_000
