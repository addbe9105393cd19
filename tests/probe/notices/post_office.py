"""A mail server that is small and honest: RFC 5321 with STARTTLS (RFC 3207) and AUTH PLAIN (RFC 4616).

It takes mail only from who has said the right password over TLS, and can be told to refuse for a while.
"""

from __future__ import annotations

import asyncio
import base64
import contextlib
import ipaddress
import ssl
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec


def certificate(folder: Path) -> tuple[Path, ssl.SSLContext]:
    """A certificate for 127.0.0.1 that stands for itself, and a server's context with it."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "127.0.0.1")])
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(
            x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]), critical=False
        )
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .sign(key, hashes.SHA256())
    )
    file, key_file = folder / "certificate.pem", folder / "key.pem"
    file.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    key_file.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
    )
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(file, key_file)
    return file, context


@dataclass(kw_only=True)
class PostOffice:
    """What came, and how it behaves. `refusals` answer the next MAIL commands; `unknown` has no box."""

    user: str = "linebook"
    password: str = "planted-Pa55word"
    context: ssl.SSLContext | None = None
    mute: bool = False  # takes connections and says nothing
    refusals: list[str] = field(default_factory=list)
    unknown: set[str] = field(default_factory=set)
    letters: list[EmailMessage] = field(default_factory=list)
    more: asyncio.Event = field(default_factory=asyncio.Event)
    callers: int = 0
    port: int = 0
    _open: set[asyncio.StreamWriter] = field(default_factory=set)

    @contextlib.asynccontextmanager
    async def opened(self) -> AsyncIterator[PostOffice]:
        server = await asyncio.start_server(self._caller, "127.0.0.1", 0)
        self.port = server.sockets[0].getsockname()[1]
        try:
            yield self
        finally:
            server.close()
            for writer in list(self._open):
                writer.transport.abort()
            await server.wait_closed()
            await asyncio.sleep(0)

    async def _caller(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.callers += 1
        self._open.add(writer)
        self.more.set()
        try:
            if self.mute:
                await reader.read()
            else:
                await self._talk(reader, writer)
        except (OSError, asyncio.IncompleteReadError):
            pass
        finally:
            self._open.discard(writer)
            writer.close()

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        async def say(*lines: str) -> None:
            writer.write("".join(f"{line}\r\n" for line in lines).encode())
            await writer.drain()

        private = admitted = False
        await say("220 post.example.net ready")
        while line := (await reader.readline()).decode().rstrip("\r\n"):
            word = line.partition(" ")[0].upper()
            if word in ("EHLO", "HELO"):
                offers = ["AUTH PLAIN"] if private else ["STARTTLS"] if self.context else []
                await say(*[f"250-{offer}" for offer in ["post.example.net", *offers]], "250 8BITMIME")
            elif word == "STARTTLS" and self.context is not None:
                await say("220 go on")
                await writer.start_tls(self.context)
                private = True
            elif word == "AUTH" and private:
                _, user, password = base64.b64decode(line.split()[2]).decode().split("\0")
                admitted = (user, password) == (self.user, self.password)
                await say("235 welcome" if admitted else f"535 not you, {user} {password}")
            elif word == "MAIL":
                if self.refusals:
                    await say(self.refusals.pop(0))
                else:
                    await say("250 from there" if admitted or self.context is None else "530 say who you are")
            elif word == "RCPT":
                known = not any(f"<{one}>" in line for one in self.unknown)
                await say("250 to there" if known else "550 no such box")
            elif word == "DATA":
                await say("354 go on")
                self.letters.append(await self._letter(reader))
                await say("250 taken")
                self.more.set()
            elif word in ("RSET", "NOOP"):
                await say("250 yes")
            elif word == "QUIT":
                await say("221 goodbye")
                return
            else:
                await say("502 not here")

    async def _letter(self, reader: asyncio.StreamReader) -> EmailMessage:
        """Up to the line with a dot; a dot more at the beginning of a line is taken off (section 4.5.2)."""
        lines = []
        while (line := await reader.readline()) != b".\r\n":
            lines.append(line.removeprefix(b".") if line.startswith(b"..") else line)
        found = message_from_bytes(b"".join(lines), policy=policy.default)
        assert isinstance(found, EmailMessage)
        return found
