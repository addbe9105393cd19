"""A notice by mail: SMTP (RFC 5321), STARTTLS or TLS with the certificate verified, no trace of a password.

Server's words are not repeated, only their codes: they may quote what they were sent. Imports apart.
"""

from __future__ import annotations

import contextlib
import smtplib
import socket
import ssl
from email.message import EmailMessage
from email.utils import formatdate

from probe.notices.message import Message
from store.clock import NS_PER_S
from store.notice_channels import Mail, Security

_WAIT_S = 20.0  # for each answer of the server


class MailTry:
    """One try to hand a message to the server: `send` it once in a thread; `abort` breaks it off.

    `left` are the recipients that were refused where others have it; empty where that is all or nobody.
    """

    def __init__(self, message: Message, way: Mail, *, password: str | None, unix_ns: int) -> None:
        self._message, self._way, self._password, self._unix_ns = message, way, password, unix_ns
        self.left: tuple[str, ...] = ()
        self._server: smtplib.SMTP | None = None

    def send(self) -> None:
        """Raises OSError or SMTPException; `why` says what they mean."""
        way, context = self._way, ssl.create_default_context()
        if way.security is Security.TLS:
            server: smtplib.SMTP = smtplib.SMTP_SSL(timeout=_WAIT_S, context=context)
        else:
            server = smtplib.SMTP(timeout=_WAIT_S)
        self._server = server
        server._host = way.host  # type: ignore[attr-defined] # what TLS verifies; only the constructor sets it
        try:
            server.connect(way.host, way.port)
            if way.security is Security.STARTTLS:
                server.starttls(context=context)
            if way.user is not None and self._password is not None:
                server.login(way.user, self._password)
            refused = server.send_message(self._mail(), from_addr=way.sender, to_addrs=way.to)
            with contextlib.suppress(smtplib.SMTPException, OSError):
                server.quit()  # it has the message, however it says goodbye
            if refused:
                self.left = tuple(refused)
                raise smtplib.SMTPRecipientsRefused(refused)
        finally:
            server.close()

    def abort(self) -> None:
        """Take the connection away."""
        sock = None if self._server is None else self._server.sock
        with contextlib.suppress(OSError):
            if sock is not None:
                sock.shutdown(socket.SHUT_RDWR)

    def why(self, error: Exception) -> str:
        """What went wrong, in a sentence without anything secret."""
        where = f"the mail server {self._way.host}:{self._way.port}"
        match error:
            case smtplib.SMTPAuthenticationError():
                return f"{where} does not take the user or the password ({error.smtp_code})"
            case smtplib.SMTPRecipientsRefused():
                codes = ", ".join(sorted({str(code) for code, _ in error.recipients.values()}))
                return f"{where} refuses {len(error.recipients)} of {len(self._way.to)} recipients ({codes})"
            case smtplib.SMTPNotSupportedError():
                return f"{where} does not offer what the site file asks for (STARTTLS, or a login)"
            case smtplib.SMTPResponseException():
                return f"{where} refuses the message ({error.smtp_code})"
            case smtplib.SMTPServerDisconnected():
                return f"{where} broke the connection off"
            case smtplib.SMTPException():
                return f"{where} does not take the message"
            case _:
                return f"{where} {network_trouble(error)}"

    def _mail(self) -> EmailMessage:
        message, mail = self._message, EmailMessage()
        mail["From"], mail["To"], mail["Subject"] = self._way.sender, ", ".join(self._way.to), message.subject
        mail["Date"] = formatdate(self._unix_ns / NS_PER_S)
        domain = self._way.sender.rpartition("@")[2]
        mail["Message-ID"] = f"<{message.id}@{domain}>"  # the same for each try: a repeat can be known
        mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: nothing answers it by itself
        mail.set_content(message.text)
        return mail


def network_trouble(error: Exception) -> str:
    """What became of a connection, as the end of a sentence about the far end."""
    match error:
        case socket.gaierror():
            return "has a name that does not resolve"
        case ssl.SSLCertVerificationError():
            return "shows a certificate that cannot be verified"
        case ssl.SSLError():
            return "does not speak TLS as it should"
        case TimeoutError():
            return "did not answer in time"
        case ConnectionRefusedError():
            return "does not listen"
        case OSError():
            return f"cannot be reached ({error.strerror or type(error).__name__})"
        case _:
            return f"gave an answer that is none ({type(error).__name__})"
