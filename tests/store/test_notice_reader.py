"""The tables [[notice]] of a site file: what they become, and every mistake with its key."""

from __future__ import annotations

from pathlib import Path

import pytest

from store.errors import SiteMistake
from store.notice_channels import USUAL, Channel, Command, Hook, Mail, Matter, Security
from store.site import load
from tests.store.test_site import SMALL

PASSWORD = "planted-Pa55word"

MAIL = """
[[notice]]
name = "owner-mail"
kind = "mail"
host = "mail.example.net"
user = "linebook"
from = "linebook@example.net"
to = ["office@example.net"]
"""
COMMAND = """
[[notice]]
name = "lamp"
kind = "command"
run = ["/usr/local/bin/lamp", "--on"]
"""
HOOK = """
[[notice]]
name = "desk"
kind = "hook"
url = "https://hooks.example.net/linebook"
"""
SECRETS = f'[notice]\nowner-mail = "{PASSWORD}"\n'


def channels(folder: Path, text: str, *, secrets: str | None = None) -> tuple[Channel, ...]:
    path = folder / "site.toml"
    path.write_text(('secrets = "secrets.toml"\n' if secrets is not None else "") + SMALL + text)
    if secrets is not None:
        kept = folder / "secrets.toml"
        kept.write_text(secrets)
        kept.chmod(0o600)
    return load(path).notices


def test_none_without_a_table(tmp_path: Path) -> None:
    assert channels(tmp_path, "") == ()


def test_mail(tmp_path: Path) -> None:
    """Submission on 587 with STARTTLS where nothing else is said (RFC 6409)."""
    (found,) = channels(tmp_path, MAIL, secrets=SECRETS)
    assert found.way == Mail(
        host="mail.example.net",
        port=587,
        security=Security.STARTTLS,
        user="linebook",
        sender="linebook@example.net",
        to=("office@example.net",),
    )
    assert (found.secret, found.matters, found.handoffs) == (PASSWORD, USUAL, ())
    assert PASSWORD not in repr(found)


def test_tls_has_a_port_of_its_own(tmp_path: Path) -> None:
    """465 (RFC 8314)."""
    (found,) = channels(tmp_path, MAIL + 'security = "tls"\n', secrets=SECRETS)
    assert isinstance(found.way, Mail)
    assert found.way.port == 465


def test_command_and_hook(tmp_path: Path) -> None:
    lamp, desk = channels(
        tmp_path,
        COMMAND + 'events = ["outage", "path"]\nhandoffs = ["old"]\n' + HOOK,
        secrets='[notice]\ndesk = "planted-token"\n',
    )
    assert lamp.way == Command(words=("/usr/local/bin/lamp", "--on"))
    assert (lamp.matters, lamp.handoffs) == ({Matter.OUTAGE, Matter.PATH}, ("old",))
    assert (desk.way, desk.secret) == (Hook(url="https://hooks.example.net/linebook"), "planted-token")


@pytest.mark.parametrize("url", ["http://127.0.0.1:8080/x", "http://localhost/x", "http://[::1]:81/x"])
def test_plain_http_is_for_this_host(tmp_path: Path, url: str) -> None:
    (found,) = channels(tmp_path, HOOK.replace("https://hooks.example.net/linebook", url))
    assert found.way == Hook(url=url)


NO_USER = MAIL.replace('user = "linebook"\n', "")
MISTAKES = [
    (MAIL.replace("kind", "kid"), "notice[1].kind: missing"),
    (MAIL.replace('"mail"', '"post"'), 'notice[1].kind: "post" is none of "mail", "command", "hook"'),
    (MAIL + 'url = "https://x.example.net/"\n', "notice[1].url: unknown key"),
    (MAIL, "notice[1].user: its password is missing"),
    (NO_USER + 'security = "none"\n', 'notice[1].security: "none" is for a server on this host'),
    (NO_USER.replace("office@example.net", "office"), 'notice[1].to: "office" is no mail address'),
    (NO_USER.replace("office@example.net", "a@b.example\\nBcc: c@d"), "notice[1].to:"),
    (NO_USER.replace("mail.example.net", "mail example"), "notice[1].host:"),
    (NO_USER + "port = 0\n", "notice[1].port: 0 is no whole number"),
    (COMMAND.replace("/usr/local/bin/", ""), 'notice[1].run: "lamp" is no whole path of a program'),
    (COMMAND.replace('["/usr/local/bin/lamp", "--on"]', '"lamp --on"'), 'notice[1].run: "lamp --on"'),
    (COMMAND.replace('"--on"', "5"), "notice[1].run: 5 is no text in quotes"),
    (COMMAND + 'events = ["fire"]\n', 'notice[1].events: "fire" is none of'),
    (COMMAND + 'handoffs = ["C"]\n', 'notice[1].handoffs: there is no handoff "C"'),
    (COMMAND + COMMAND, 'notice[2].name: "lamp" is taken'),
    (HOOK.replace("https", "http"), 'notice[1].url: "http://hooks.example.net/linebook" is not https'),
    (HOOK.replace("https://", "ftp://"), "is not https"),
    (HOOK.replace("hooks.", f"me:{PASSWORD}@hooks."), "notice[1].url: holds a user or password"),
    (HOOK.replace("https://hooks.example.net/linebook", "hooks"), 'notice[1].url: "hooks" is no address'),
    (HOOK.replace(".net/", ".net:99999/"), "notice[1].url:"),
]


@pytest.mark.parametrize(("text", "said"), MISTAKES)
def test_mistakes_name_their_key(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(SiteMistake) as caught:
        channels(tmp_path, text)
    assert said in str(caught.value)
    assert caught.value.line is not None
    assert PASSWORD not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "secrets", "said"),
    [
        (COMMAND, '[notice]\nlamp = "x"\n', "a command gets no secret"),
        (MAIL.replace('user = "linebook"\n', ""), SECRETS, "notice[1].user: missing"),
        (MAIL, f'[notice]\nowner-mail = ["{PASSWORD}"]\n', "expected the password or token in quotes"),
        (MAIL, '[notices]\nowner-mail = "x"\n', "notices: unknown key; did you mean"),
        (
            MAIL.replace("mail.example.net", "127.0.0.1") + 'security = "none"\n',
            SECRETS,
            "a password would go unprotected",
        ),
    ],
)
def test_mistakes_of_secrets_do_not_repeat_them(tmp_path: Path, text: str, secrets: str, said: str) -> None:
    with pytest.raises(SiteMistake) as caught:
        channels(tmp_path, text, secrets=secrets)
    assert said in str(caught.value)
    assert PASSWORD not in str(caught.value)
