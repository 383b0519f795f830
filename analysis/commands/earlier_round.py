"""What an audit takes from the one before: its figures, its codes for names, and the workshop's words for a recall."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from analysis.audit_options import AuditOptions
from analysis.errors import UserError
from analysis.output import key_path, read_earlier, read_key
from analysis.rounds import EarlierAudit


def letter_text(path: str) -> str:
    """The workshop's own words for a recall, checked before the long work begins.

    Raises
    ------
    UserError
        The file cannot be read, or has an unknown field.
    """
    from analysis.pages import letter_template

    try:
        return letter_template(Path(path).read_text("utf-8"), path)
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(f"--letter {path}", "cannot be read", "a text file in UTF-8", "check the path") from error


def earlier_audit(folder: Path, as_of: dt.date, names_hidden: bool) -> EarlierAudit:
    """The earlier audit, checked before the long work begins.

    Raises
    ------
    UserError
        The folder lacks something, or its key, or it cannot be compared (`EarlierAudit.require_comparable`).
    """
    earlier = read_earlier(folder)
    earlier.require_comparable(as_of, names_hidden)
    if earlier.names_hidden and not key_path(folder).exists():
        raise UserError(
            f"--since {folder}",
            f"has codes for names, but its key {key_path(folder).name} is not next to it",
            "the key that the earlier audit wrote",
            "put the key next to that folder",
        )
    return earlier


def known_codes(options: AuditOptions) -> dict[str, str]:
    """Codes from the key next to the folder to write, and from that of the earlier audit, which come first."""
    earlier = {} if options.since is None else read_key(key_path(options.since))
    own = read_key(key_path(options.out))
    return earlier | {name: code for name, code in own.items() if name not in earlier and code not in earlier.values()}
