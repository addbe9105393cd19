"""How a run under way goes: the newest sentence of its method, for whoever asks the probe.

A method says it to whoever listens in its own task, so that no method and no fake of one has to know of it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar

Tell = Callable[[str], None]

_LISTENER: ContextVar[Tell | None] = ContextVar("progress of a run", default=None)


@contextmanager
def heard_by(tell: Tell) -> Iterator[None]:
    """Whatever a method says while the body lasts goes to `tell`."""
    token = _LISTENER.set(tell)
    try:
        yield
    finally:
        _LISTENER.reset(token)


def listener() -> Tell | None:
    """Who listens to this task, if anybody does."""
    return _LISTENER.get()
