"""What SQLite and PostgreSQL share: addresses without their passwords, table names and queries, and results as raw tables."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import unquote, urlsplit

import polars as pl

from analysis.errors import UserError
from analysis.intake.readers import limits
from analysis.intake.readers.frames import concat_batches, typed_column
from analysis.intake.readers.raw_table import ROW, RawTable, make_headings_unique, unparsed_rows

_ADDRESS = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*://")
_USER_AND_PASSWORD = re.compile(
    r"(?P<scheme>^[A-Za-z][A-Za-z0-9+.-]*://)(?P<user>[^:@/?#]*)(?P<password>:.*)?@(?P<rest>[^@]*$)", re.DOTALL
)
_SECRET_PARAMETER = re.compile(r"(?i)(pass(?:word|wd|phrase|file)?|pwd|secret|token)(\s*=\s*)('[^']*'|[^\s&'\"]+)")
_SQL_COMMENTS = re.compile(r"\A(?:\s+|--[^\n]*(?:\n|\Z)|/\*.*?\*/)*", re.DOTALL)
_SELECT = re.compile(r"(?:select|with|values)\b\s*\S", re.IGNORECASE)
_OTHER_STATEMENT = re.compile(
    r"(?:insert|update|delete|drop|create|alter|attach|detach|pragma|copy|truncate|vacuum|begin|set|grant|call|do|explain)\s+\S",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class Address:
    """A database address: the URL before the `#`, the table or query after it, and the label shown for it."""

    url: str
    target: str | None
    label: str
    secrets: tuple[str, ...] = ()

    def mask_secrets(self, text: str) -> str:
        """The text with every form of the password replaced by asterisks."""
        for secret in sorted(self.secrets, key=len, reverse=True):
            text = text.replace(secret, "***")
        return _SECRET_PARAMETER.sub(r"\1\2***", text)

    def target_label(self, target: str) -> str:
        """The label of one table or query of this database."""
        return f"{self.label}#{self.mask_secrets(' '.join(target.split()))}"


def is_address(export: str) -> bool:
    """Whether an export is the address of a database, not a path."""
    return _ADDRESS.match(export) is not None


def parse_address(export: str) -> Address:
    """Split an address into its parts.

    Raises
    ------
    UserError
        The address is malformed; the message shows no part of it that could be secret.
    """
    url, hash_sign, target = export.partition("#")
    scheme, _, rest = url.partition("://")
    if hash_sign and "@" in target and "@" not in url and ":" in rest:
        raise _address_error(scheme, "a # within the user name or password", "%23 instead")
    try:
        parts = urlsplit(url)
        port, host = parts.port, parts.hostname or ""
    except ValueError:
        example = f"{scheme}://user@host:5432/database#table"
        raise _address_error(scheme, "an address that cannot be read", example) from None
    if "@" in parts.path:
        raise _address_error(scheme, "a / within the user name or password", "%2F instead")
    host = f"[{host}]" if ":" in host else host
    user = f"{parts.username}@" if parts.username else ""
    label = f"{parts.scheme}://{user}{host}{f':{port}' if port else ''}{parts.path}"
    return Address(url, target.strip() or None, label, _list_secrets(parts.password, parts.query))


def hide_password(export: str) -> str:
    """An export as text without a password, even if its address is malformed."""
    if not is_address(export):
        return export
    match = _USER_AND_PASSWORD.match(export)
    without = f"{match['scheme']}{match['user']}@{match['rest']}" if match else export
    return _SECRET_PARAMETER.sub(r"\1\2***", without)


def is_statement(target: str) -> bool:
    """Whether the text after the `#` is an SQL statement, not the name of a table."""
    statement = _SQL_COMMENTS.sub("", target)
    return bool(_SELECT.match(statement) or _OTHER_STATEMENT.match(statement)) or ";" in statement


def parse_single_select(label: str, target: str) -> str:
    """The SELECT of a target, without a final semicolon.

    Raises
    ------
    UserError
        It is another statement, or has a semicolon anywhere else, so that there could be two.
    """
    query = target.strip().rstrip(";").rstrip()
    if ";" in query:
        raise UserError(label, "a semicolon in the query", "one SELECT", "write a single SELECT without a semicolon")
    if not _SELECT.match(_SQL_COMMENTS.sub("", query)):
        raise UserError(
            label, "a statement that is not a SELECT", "one SELECT that only reads", "name a table, or write a SELECT"
        )
    return query


def quote_identifier(name: str) -> str:
    """The name of a table or schema as SQL writes it."""
    return '"' + name.replace('"', '""') + '"'


def result_table(
    label: str,
    headings: Sequence[str],
    batches: Iterable[Sequence[Sequence[Any]]],
    sha256: str,
    max_bytes: int = limits.UNPACKED_BYTES,
) -> RawTable:
    """The result of a query as a table; rows are counted from 1.

    Parameters
    ----------
    batches
        Rows in groups that fit into memory whatever they hold.
    max_bytes
        Of texts and bytes in total.

    Raises
    ------
    UserError
        The result has too many columns, rows or bytes.
    """
    limits.check_size(label, columns=len(headings))
    columns: list[list[pl.Series]] = [[] for _ in headings]
    height = 0
    for rows in _combine_batches(label, batches, max_bytes):
        height += len(rows)
        limits.check_size(label, rows=height)
        for column, values in zip(columns, zip(*rows, strict=True), strict=True):
            column.append(typed_column(values))
    series = [
        concat_batches(each).alias(name) for name, each in zip(make_headings_unique(headings), columns, strict=True)
    ]
    cells = pl.DataFrame([pl.Series(ROW, range(1, height + 1), dtype=pl.Int64), *series])
    return RawTable(label, cells, unparsed_rows(), sha256)


def _combine_batches(
    label: str, batches: Iterable[Sequence[Sequence[Any]]], max_bytes: int
) -> Iterator[list[Sequence[Any]]]:
    """Combine small batches, and check the total size before the next one is fetched."""
    batch: list[Sequence[Any]] = []
    batch_bytes = total = 0
    for rows in batches:
        batch += rows
        batch_bytes += sum(len(value) for row in rows for value in row if isinstance(value, str | bytes))
        limits.check_bytes(label, total + batch_bytes, max_bytes)
        if len(batch) >= limits.BATCH_ROWS or batch_bytes >= limits.BATCH_BYTES:
            yield batch
            batch, batch_bytes, total = [], 0, total + batch_bytes
    if batch:
        yield batch


def _list_secrets(password: str | None, query: str) -> tuple[str, ...]:
    secrets = [password] if password else []
    secrets += [value for _, value in re.findall(r"(?i)(password|passphrase|sslpassword)=([^&]*)", query) if value]
    return tuple(dict.fromkeys(form for secret in secrets for form in (secret, unquote(secret))))


def _address_error(scheme: str, problem: str, expected: str) -> UserError:
    return UserError(f"{scheme}://…", problem, expected, "write the address again; special characters as %XX")
