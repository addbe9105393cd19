"""Which parts of a stream a receiver lacks, and when it asks for them. Pure.

A part that is overtaken is asked for at once, and again each time an answer would have been there by then,
until it is too old to be of use. How long an answer takes is learnt from parts that were asked for once
(Karn's rule, RFC 6298 section 3). Imports the clock's units.
"""

from __future__ import annotations

from itertools import islice

from store.clock import NS_PER_MS

_FIRST_NS = 100 * NS_PER_MS  # until the first answer
_MARGIN_NS = 10 * NS_PER_MS  # what finding a gap and answering take
_MOST = 1 << 16  # parts that are waited for at a time; a gap that is wider is beyond repair


class Missing:
    """The gaps of one stream; `latency_ns` is how long a part is of use."""

    def __init__(self, *, latency_ns: int) -> None:
        self._latency_ns = latency_ns
        self._next = 0
        self._lacking: dict[int, list[int]] = {}  # number -> found missing, asked last, times asked
        self._answer_ns = _FIRST_NS
        self.received = 0
        self.duplicated = 0

    def note(self, sequence: int, *, at_ns: int) -> bool:
        """A part came; False for one that is a copy, or that was given up."""
        if sequence >= self._next:
            first = max(self._next, sequence - _MOST)
            beyond = len(self._lacking) + sequence - first - _MOST
            for number in list(islice(self._lacking, max(0, beyond))):  # the oldest stand first
                del self._lacking[number]
            self._lacking |= {number: [at_ns, 0, 0] for number in range(first, sequence)}
            self._next = sequence + 1
        else:
            known = self._lacking.pop(sequence, None)
            if known is None:
                self.duplicated += 1
                return False
            if known[2] == 1:
                self._answer_ns += (at_ns - known[1] - self._answer_ns) // 8
        self.received += 1
        return True

    def due(self, now_ns: int) -> list[int]:
        """The parts to ask for now, ascending; they count as asked for."""
        self.forget(now_ns)
        again_ns = self._answer_ns + self._answer_ns // 4 + _MARGIN_NS
        found = [
            number for number, known in self._lacking.items() if not known[2] or now_ns - known[1] >= again_ns
        ]
        for number in found:
            known = self._lacking[number]
            known[1], known[2] = now_ns, known[2] + 1
        return found

    def forget(self, now_ns: int) -> None:
        """Let go of what is too old; the oldest stand first."""
        while self._lacking:
            oldest = next(iter(self._lacking))
            if now_ns - self._lacking[oldest][0] < self._latency_ns:
                break
            del self._lacking[oldest]
