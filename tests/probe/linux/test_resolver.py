"""The host's resolver by files of resolv.conf(5)'s form."""

from __future__ import annotations

from pathlib import Path

import pytest

from probe.linux import resolver


@pytest.mark.parametrize(
    ("first", "second", "found"),
    [
        (
            "# made by hand\nsearch example.net\nnameserver 192.0.2.53\nnameserver 192.0.2.54\n",
            "",
            "192.0.2.53",
        ),
        (
            "nameserver 127.0.0.53\n",
            "nameserver 198.51.100.53\n",
            "198.51.100.53",
        ),  # systemd-resolved.service(8)
        ("nameserver 127.0.0.1\n", None, "127.0.0.1"),
        ("nameserver fe80::1%eth0\n", None, "fe80::1%eth0"),
        ("nameserver of.example.net\nnameserver\n", None, None),
        (None, None, None),
    ],
)
def test_of_host(tmp_path: Path, first: str | None, second: str | None, found: str | None) -> None:
    """The first one named, but what a forwarder on this host asks before the forwarder itself."""
    files = tmp_path / "resolv.conf", tmp_path / "upstream.conf"
    for file, text in zip(files, (first, second), strict=True):
        if text is not None:
            file.write_text(text)
    assert resolver.of_host(files) == found
    assert not resolver.is_here("198.51.100.53")
    assert resolver.is_here("::1")
