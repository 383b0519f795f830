"""Addresses of databases, and how to speak of them without their secrets."""

from __future__ import annotations

import re
from dataclasses import dataclass
from urllib.parse import unquote, urlsplit

from analysis.errors import UserError

_ADDRESS = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:/{1,3}")
_USER_PART = re.compile(
    r"(?P<scheme>^[A-Za-z][A-Za-z0-9+.-]*://)(?P<user>[^:@/?#]*)(?P<secret>:.*)?@(?P<rest>[^@]*$)", re.DOTALL
)
_SECRET_WORD = re.compile(r"(?i)(pass(?:word|wd|phrase|file)?|pwd|secret|token)(\s*=\s*)('[^']*'|[^\s&'\"]+)")


@dataclass(frozen=True)
class Address:
    """A database address: the part before the `#`, the table or query after it, and the label it is shown by."""

    url: str
    target: str | None
    label: str
    secrets: tuple[str, ...] = ()

    def without_secrets(self, text: str) -> str:
        """A message with every form of the password struck out."""
        for secret in sorted(self.secrets, key=len, reverse=True):
            text = text.replace(secret, "***")
        return _SECRET_WORD.sub(r"\1\2***", text)

    def label_of(self, target: str) -> str:
        """The label of one table or query of this database."""
        return f"{self.label}#{self.without_secrets(' '.join(target.split()))}"


def is_address(export: str) -> bool:
    """Whether an export is an address and no path."""
    return _ADDRESS.match(export) is not None and "://" in export


def address(export: str) -> Address:
    """An address taken apart.

    Raises
    ------
    UserError
        It cannot be taken apart; the message shows no part of it that might be secret.
    """
    url, sign, wanted = export.partition("#")
    scheme = url.partition("://")[0]
    if sign and "@" in wanted and "@" not in url and ":" in url.partition("://")[2]:
        raise _refusal(scheme, "a # within the user name or password", "%23 in its place")
    try:
        parts = urlsplit(url)
        port, host = parts.port, parts.hostname or ""
    except ValueError:
        raise _refusal(scheme, "an address that cannot be read", f"{scheme}://user@host:5432/database#table") from None
    if "@" in parts.path:
        raise _refusal(scheme, "a / within the user name or password", "%2F in its place")
    host = f"[{host}]" if ":" in host else host
    user = f"{parts.username}@" if parts.username else ""
    label = f"{parts.scheme}://{user}{host}{f':{port}' if port else ''}{parts.path}"
    return Address(url, wanted.strip() or None if sign else None, label, _secrets(parts.password, parts.query))


def without_password(export: str) -> str:
    """Whatever was given, fit to be shown: without a password even where the address is malformed."""
    if not is_address(export):
        return export
    match = _USER_PART.match(export)
    bare = f"{match['scheme']}{match['user']}@{match['rest']}" if match else export
    return _SECRET_WORD.sub(r"\1\2***", bare)


def _secrets(password: str | None, query: str) -> tuple[str, ...]:
    secrets = [password] if password else []
    secrets += [value for _, value in re.findall(r"(?i)(password|passphrase|sslpassword)=([^&]*)", query) if value]
    return tuple(dict.fromkeys(form for secret in secrets for form in (secret, unquote(secret))))


def _refusal(scheme: str, problem: str, expected: str) -> UserError:
    return UserError(f"{scheme}://…", problem, expected, "write the address again; special characters as %XX")
