"""What this host has run out of, as a sentence. Pure: an error in, words out; imports nothing of ours."""

from __future__ import annotations

import errno

_OUT_OF = {
    errno.EMFILE: "this host lets the probe open no more files (its limit is reached)",
    errno.ENFILE: "this host lets the probe open no more files (all of the host's are in use)",
    errno.ENOMEM: "this host has no memory left for it",
    errno.ENOBUFS: "this host has no memory left for it",
    errno.EAGAIN: "this host lets the probe start no more processes",
    errno.ENOSPC: "this host's disk is full",
}


def shortage(error: BaseException) -> str | None:
    """The sentence, or None for an error that is no shortage of this host's."""
    if isinstance(error, MemoryError):
        return _OUT_OF[errno.ENOMEM]
    return _OUT_OF.get(error.errno or 0) if isinstance(error, OSError) else None
