"""A test that this machine cannot run: skipped at a desk, a failure in CI, where green means that it ran."""

from __future__ import annotations

import os
from typing import NoReturn

import pytest


def lacking(why: str) -> NoReturn:
    """End the test; `why` says what it needs and how to get it."""
    if os.environ.get("CI"):
        pytest.fail(why, pytrace=False)
    pytest.skip(why)
