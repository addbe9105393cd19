"""A notice by a web hook: a POST of JSON over HTTPS, to this host over HTTP. A redirect is not followed.

A token goes as ``Authorization: Bearer`` (RFC 6750), the name of the notice as ``Idempotency-Key``, the same
for each try. Imports mail for its words.
"""

from __future__ import annotations

import contextlib
import http.client
import json
import socket
import ssl
from urllib.parse import urlsplit

from probe.notices.mail import network_trouble
from probe.notices.message import Message
from store.notice_channels import Hook

_WAIT_S = 20.0


class _Refused(Exception):
    def __init__(self, status: int) -> None:
        super().__init__(status)
        self.status = status


class HookTry:
    """One try. Make one, `send` it once in a thread; `abort` breaks it off."""

    def __init__(self, message: Message, way: Hook, *, token: str | None) -> None:
        self._message, self._url, self._token = message, urlsplit(way.url), token
        self.left: tuple[str, ...] = ()  # a hook has one receiver
        self._connection: http.client.HTTPConnection | None = None

    def send(self) -> None:
        """Raises OSError, HTTPException, or what `why` knows of an answer that is not 2xx."""
        host, port = self._url.hostname or "", self._url.port
        if self._url.scheme == "https":
            context = ssl.create_default_context()
            connection: http.client.HTTPConnection = http.client.HTTPSConnection(
                host, port, timeout=_WAIT_S, context=context
            )
        else:
            connection = http.client.HTTPConnection(host, port, timeout=_WAIT_S)
        self._connection = connection
        headers = {
            "Content-Type": "application/json",
            "User-Agent": "linebook",
            "Idempotency-Key": self._message.id,
        }
        if self._token is not None:
            headers["Authorization"] = f"Bearer {self._token}"
        path = f"{self._url.path or '/'}{'?' + self._url.query if self._url.query else ''}"
        try:
            connection.request("POST", path, json.dumps(self._message.json).encode(), headers)
            status = connection.getresponse().status
        finally:
            connection.close()
        if not 200 <= status < 300:
            raise _Refused(status)

    def abort(self) -> None:
        """Take the connection away."""
        sock = None if self._connection is None else self._connection.sock
        with contextlib.suppress(OSError):
            if sock is not None:
                sock.shutdown(socket.SHUT_RDWR)

    def why(self, error: Exception) -> str:
        """What went wrong, in a sentence without token, path or query."""
        where = f"the web hook at {self._url.hostname}"
        if isinstance(error, _Refused):
            led = ", which leads elsewhere" if 300 <= error.status < 400 else ""
            return f"{where} answered {error.status}{led}"
        return f"{where} {network_trouble(error)}"
