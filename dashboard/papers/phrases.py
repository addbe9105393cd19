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

METHOD = (  # the figures that a pack rests on, by their names in `dashboard.method`
    *("rate", "layers", "train", "stalls", "loss", "delay", "pdv", "schedule", "left-out", "rate-verdict"),
    *("availability", "gaps", "seal"),
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
