"""Bytes and values: wire formats without a socket, a clock or an event loop."""
