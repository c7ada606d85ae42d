"""E-mail: one message a notice, over TLS unless the site file says 'none'."""

from __future__ import annotations

import smtplib
import ssl
from contextlib import suppress
from email.message import EmailMessage
from email.utils import format_datetime

from monitor.errors import NoticeError
from monitor.notices.channels import document_of
from monitor.notices.secrets import Secrets
from monitor.notices.words import marked
from monitor.records import Notice, to_datetime
from monitor.site.channel_tables import ChannelEntry

TIMEOUT_S = 20.0
"""Without a word for so long the server is not there (our choice: some look a caller up first)."""

PORTS = {"tls": 465, "starttls": 587, "none": 25}
"""RFC 8314, 3.3; RFC 6409, 3.1; RFC 5321 (from memory)."""


class MailChannel:
    """A channel of kind email."""

    def __init__(self, entry: ChannelEntry, site: str, secrets: Secrets) -> None:
        self._entry, self._site, self._secrets = entry, site, secrets
        self._security = entry.security or "starttls"
        self._host, self._port = entry.host or "", entry.port or PORTS[self._security]

    def send(self, notice: Notice) -> None:
        message = self._message(notice)
        with self._session() as server:
            try:
                refused = server.send_message(message)
            except smtplib.SMTPRecipientsRefused as error:
                codes = [code for code, _ in error.recipients.values()]
                text = f"{self._host} takes mail for none of the addresses: {_words(error.recipients)}"
                raise NoticeError(text, refused=min(codes) >= 500) from None
            except smtplib.SMTPResponseException as error:
                text = f"{self._host} does not take the message: {error.smtp_code} {_text(error.smtp_error)}"
                raise NoticeError(text, refused=error.smtp_code >= 500) from None
            except (OSError, smtplib.SMTPException) as error:
                text = f"{self._host} broke off while it took the message ({_why(error)})"
                raise NoticeError(text, may_have_arrived=True) from None
            if refused:
                text = f"{self._host} took the message, but not for {_words(refused)}"
                raise NoticeError(text, refused=True, may_have_arrived=True)

    def close(self) -> None:
        """Nothing is held open."""

    def _session(self) -> _Session:
        entry = self._entry
        secret = self._secrets.get(entry.secret) if entry.secret else None
        try:
            if self._security == "tls":
                context = ssl.create_default_context()
                server: smtplib.SMTP = smtplib.SMTP_SSL(
                    self._host, self._port, timeout=TIMEOUT_S, context=context
                )
            else:
                server = smtplib.SMTP(self._host, self._port, timeout=TIMEOUT_S)
        except (OSError, smtplib.SMTPException) as error:
            raise NoticeError(f"{self._host} port {self._port} cannot be reached ({_why(error)})") from None
        try:
            if self._security == "starttls":
                server.starttls(context=ssl.create_default_context())
            if secret is not None:
                server.login(entry.user or entry.sender or "", secret)
        except smtplib.SMTPAuthenticationError as error:
            server.close()
            raise NoticeError(
                f"{self._host} does not take user and password ({error.smtp_code}); look at user and secret"
            ) from None
        except (OSError, smtplib.SMTPException) as error:
            server.close()
            raise NoticeError(f"{self._host} did not open a session ({_why(error)})") from None
        return _Session(server)

    def _message(self, notice: Notice) -> EmailMessage:
        document = document_of(notice, self._site)
        message = EmailMessage()
        message["Subject"] = notice.title
        message["From"] = self._entry.sender
        message["To"] = ", ".join(self._entry.to)
        message["Date"] = format_datetime(to_datetime(notice.created_ms))
        message["Message-ID"] = f"<{document['id']}@nightbank.invalid>"
        message["Auto-Submitted"] = "auto-generated"  # RFC 3834: no machine answers it
        message.set_content(f"{marked(notice)}\n\n-- \n{self._site}, {document['created']}\n")
        return message


class _Session:
    """An open session that ends politely where it can."""

    def __init__(self, server: smtplib.SMTP) -> None:
        self._server = server

    def __enter__(self) -> smtplib.SMTP:
        return self._server

    def __exit__(self, *_: object) -> None:
        with suppress(OSError, smtplib.SMTPException):
            self._server.quit()
        self._server.close()


def _why(error: Exception) -> str:
    return getattr(error, "strerror", None) or str(error) or type(error).__name__


def _text(said: bytes | str) -> str:
    return said.decode("utf-8", "replace") if isinstance(said, bytes) else said


def _words(refused: dict[str, tuple[int, bytes]]) -> str:
    return "; ".join(f"{address} ({code} {_text(said)})" for address, (code, said) in refused.items())
