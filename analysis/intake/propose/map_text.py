"""A proposed map as TOML that is made to be read and mended: reasons, doubts and runners-up stand beside each line."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence

from analysis.intake.propose.propose import ColumnMatch, Proposal

CHECK = "PLEASE LOOK"


def map_toml(proposals: Sequence[Proposal]) -> str:
    """The proposals as one map; a table that several files hold in different ways has a section a file."""
    recognised = [one for one in proposals if one.table is not None]
    number = Counter(one.table for one in recognised)
    lines = [
        "# A proposed map: which heading of the export is which field. Read it, mend it, then give it with --map.",
        f"# Lines marked {CHECK} are in doubt, and say why. A field whose line you delete is not read.",
    ]
    for one in recognised:
        lines += ["", *_section(one, number[one.table] > 1)]
    for one in proposals:
        if one.table is None:
            lines += ["", f"# {_plain(one.file)}: no table of the log was recognised in it"]
    return "\n".join(lines) + "\n"


def map_summary(proposals: Sequence[Proposal]) -> str:
    """The proposals in a few lines for the terminal."""
    lines = []
    for one in proposals:
        if one.table is None:
            lines.append(f"{one.file}: not recognised")
            continue
        doubtful = [choice for choice in one.choices if choice.doubtful]
        lines.append(
            f"{one.file}: {one.table}, {len(one.choices)} fields mapped, {len(one.unmapped)} headings left over"
        )
        if one.lacks:
            lines.append(f"  no heading found for what must be there: {', '.join(one.lacks)}")
        if doubtful:
            lines.append(f"  in doubt, please look: {', '.join(choice.field for choice in doubtful)}")
        if one.date_doubt:
            lines.append(f"  day or month first cannot be told from {one.date_doubt}; day first is proposed")
    return "\n".join(lines)


def _section(proposal: Proposal, several: bool) -> list[str]:
    name = proposal.table or ""
    own = f"[[{name}]]" if several else f"[{name}]"
    lines = [f"# {_plain(proposal.file)}", own]
    if proposal.decimal != ".":
        lines.append(f"decimal = {_quoted(proposal.decimal)}")
    if proposal.thousands:
        lines.append(f"thousands = {_quoted(proposal.thousands)}")
    if proposal.date_order:
        doubt = f"  # {CHECK}: reads either way, e.g. {_plain(proposal.date_doubt)}" if proposal.date_doubt else ""
        lines.append(f"date_order = {_quoted(proposal.date_order)}{doubt}")
    if proposal.missing:
        lines.append(f"missing = [{', '.join(map(_quoted, proposal.missing))}]")
    lines += [f"# no heading was found for {lack}, which must be there" for lack in proposal.lacks]
    lines += ["", f"[{name}.columns]", *(_line(choice) for choice in proposal.choices)]
    for choice in proposal.choices:
        if choice.values or choice.unknown_words:
            lines += ["", f"[{name}.values.{choice.field}]"]
            lines += [f"{_key(level)} = [{', '.join(map(_quoted, words))}]" for level, words in choice.values.items()]
            if choice.unknown_words:
                lines.append(f"# {CHECK}: nobody knows {', '.join(map(_quoted, choice.unknown_words))}")
    if proposal.refused:
        lines += ["", "# not proposed, since"]
        lines += [
            f"#   {_quoted(bad.heading)} would be {bad.field}, but {_plain(bad.reason)}" for bad in proposal.refused
        ]
    if proposal.unmapped:
        lines += ["", "# headings left over: " + ", ".join(_quoted(heading) for heading in proposal.unmapped)]
    return lines


def _line(choice: ColumnMatch) -> str:
    heading = _quoted(choice.heading)
    value = f"{{ heading = {heading}, unit = {_quoted(choice.unit)} }}" if choice.unit else heading
    doubt = f"{CHECK}: {_plain('; '.join(choice.doubts))}; " if choice.doubtful else ""
    others = f"; or {', '.join(map(_quoted, choice.runners_up))}" if choice.runners_up else ""
    return f"{choice.field} = {value}  # {doubt}{choice.reason}{others}"


def _key(level: str) -> str:
    return level if level.isidentifier() else _quoted(level)


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _plain(text: str | None) -> str:
    """Text in a comment: on one line, without control characters."""
    return "".join(sign if sign.isprintable() else " " for sign in text or "")
