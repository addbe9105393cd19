"""Fixed phrases of evidence: neutral, and the same in every pack. Words of intent are not offered.

What a paper may not say stands in `NEVER`; a test holds every phrase and every paper against it. Pure.
"""

from __future__ import annotations

NEVER = (
    "cheat",
    "throttl",
    "lied",
    "lying",
    "fraud",
    "deliberate",
    "on purpose",
    "guilty",
    "always",
    "proves",
)

LIMITATIONS = (
    "The figures were measured by a user-level program on an ordinary computer, not by a calibrated "
    "instrument, "
    "and not by a mechanism that a regulator has certified.",
    "The endpoints, but for one said to be in the provider’s own network, are outside of the provider’s "
    "control, and so are the networks between.",
    "Rates are counted as payload where they arrive; the layers below are computed from the packets’ real "
    "sizes.",
    "One-way delay is told as variation over its own least value, never as an absolute figure; one way "
    "cannot be "
    "told from the other beyond that, since two clocks are two clocks.",
    "A time without measuring is a gap: neither good nor bad.",
    "Measuring takes a part of the line itself; its bytes are stated.",
    "Neighbouring runs are alike, so the bounds are worked out for the number of independent runs that they "
    "are "
    "worth.",
    "A signature shows that a record was not changed since it was sealed, not that it was true.",
)

NOT_CLAIMED = (
    "Nothing here speaks of anybody’s intent.",
    "No cause inside the provider’s network is claimed; an owner is named by segment only, where the record "
    "separates the segments.",
    "It is not claimed that a regulator agrees, nor that damage arose.",
    "It is not claimed that what was not measured was bad.",
    "It is not claimed that these endpoints stand for the whole internet, nor that one test stands for "
    "months.",
    "It is not claimed that a signed file decides anything in law. Nothing here is legal advice.",
)

METHOD = (
    "A rate run fills one direction, or both, with TCP flows to an endpoint for a fixed time. What arrives "
    "is "
    "counted by the receiver in steps of 100 ms; the first 2 s are recorded and left out.",
    "A train sends small numbered packets at a fixed pace, all the time (STAMP, RFC 8762, authenticated). "
    "Loss has "
    "a direction, from the reflector’s own count; a late packet is held, not lost.",
    "A stall is 0.5 s or more without a delivery, from one delivery to the next.",
    "Runs start at a random moment of their slot, drawn beforehand (RFC 2330, RFC 3432).",
    "A run is left out by the rules in the ledger and by no other; which rule left out how many, and the "
    "verdict "
    "without that rule, stand beside it.",
    "Percentiles are nearest rank, from pooled samples or mergeable histograms, never from other "
    "percentiles.",
    "Bounds are exact, one-sided, at 95 %.",
)

CHECK_WITH = (
    "linebook verify PACK",
    "linebook verify PACK --key FINGERPRINT",
)
CHECK_WITHOUT = (
    "sha256sum -c SHA256SUMS",
    "openssl pkeyutl -verify -pubin -inkey key.pem -rawin -in manifest.json -sigfile manifest.sig",
    "python3 -I check.py",
)
CHECK_HEAD = (
    "openssl pkeyutl -verify -pubin -inkey key.pem -rawin -in seal/head-00001.json -sigfile "
    "seal/head-00001.sig",
)
CHECK_STAMP = ("openssl ts -verify -data seal/head-00001.json -in seal/head-00001.tsr -CAfile AUTHORITY.pem",)
