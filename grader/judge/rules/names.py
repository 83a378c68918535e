"""Names of rule sets: which id or family a written name means, and the built-in files behind them."""

from __future__ import annotations

import difflib
import hashlib
import re
import unicodedata
from collections.abc import Iterable
from datetime import date
from functools import cache
from typing import Protocol

from grader.data import FOLDER, names
from grader.judge.rules.file import RuleFile, parse
from grader.problems import GraderError

_NATIONAL_PREFIXES = ("bs", "din", "nf")


class Named(Protocol):
    """Anything with an id, such as a firm's own rule set."""

    @property
    def id(self) -> str: ...


class UnknownRuleSet(GraderError):
    """A name that is no rule set. `name`: as written; `nearest`: list of ids or families like it.

    editions_only : the name is a family's, and `nearest` are its editions.
    """

    def __init__(self, name: str, nearest: list[str], editions_only: bool = False):
        self.name, self.nearest = name, nearest
        joined = ", ".join(nearest)
        if editions_only:
            super().__init__(f'"{name}" names no edition. Write one of: {joined}.')
            return
        hint = f"Nearest: {joined}." if nearest else f"Known: {', '.join(rule_ids())}."
        super().__init__(
            f'"{name}" is not a known rule set. {hint} `grader limits` lists them; a firm\'s own file is '
            "named by its path, ending in .toml."
        )


def rule_ids() -> list[str]:
    """Ids of the built-in rule sets, sorted."""
    return sorted(name.removesuffix(".toml") for name in names("rules") if not name.startswith("_"))


def compact(text: str) -> str:
    """Letters and figures only: case, spaces, dashes and other marks do not matter."""
    return "".join(c for c in unicodedata.normalize("NFKC", text).casefold() if c.isalnum())


@cache
def _known_names() -> tuple[dict[str, str], dict[str, tuple[str, ...]]]:
    """Compact name -> id or family, and family -> ids, oldest edition first."""
    found: dict[str, str] = {}
    families: dict[str, list[RuleFile]] = {}
    for rule_id in rule_ids():
        parsed = parsed_built_in(rule_id)[0]
        for name in (rule_id, *parsed.aliases):
            found[compact(name)] = rule_id
        if parsed.family:
            found[compact(parsed.family)] = parsed.family
            families.setdefault(parsed.family, []).append(parsed)
    return found, {
        family: tuple(p.id for p in sorted(members, key=lambda p: p.in_force_from or date.min))
        for family, members in families.items()
    }


def editions(family: str) -> tuple[str, ...]:
    """Ids of the editions held of a family such as "en12021", oldest first; () where it is no family.

    >>> editions("en12021")
    ('en12021-1998', 'en12021-2014')
    """
    if family in rule_ids():
        return ()  # without reading every file
    return _known_names()[1].get(family, ())


def normalise_name(text: object, own: Iterable[Named] = ()) -> str | None:
    """The id, or the family (no edition named), that a name means; None where it means none.

    Case, spaces, dashes and other marks do not matter, nor BS, DIN or NF before the name, nor the month that
    German editions carry behind the year. `own` adds a firm's own rule sets, already loaded.

    >>> normalise_name("BS EN 12021:2014"), normalise_name("din en 12021"), normalise_name("EN 12012")
    ('en12021-2014', 'en12021', None)
    """
    if not isinstance(text, str):
        return None
    mine = {compact(r.id): r.id for r in own}
    plain = {compact(i): i for i in rule_ids()} | mine
    if compact(text) in plain:
        return plain[compact(text)]  # without reading every file
    found = _known_names()[0] | mine
    without_month = re.sub(r"((?:19|20)\d\d)-(?:0[1-9]|1[0-2])\s*$", r"\1", text)
    for written in (text, without_month):
        name = compact(written)
        while name:
            if name in found:
                return found[name]
            prefix = next((p for p in _NATIONAL_PREFIXES if name.startswith(p)), "")
            name = name.removeprefix(prefix) if prefix else ""
    return None


def unknown(text: str) -> UnknownRuleSet:
    """The error for a name that is no rule set, with the nearest ids."""
    found = _known_names()[0]
    hits = difflib.get_close_matches(compact(text), list(found), n=6, cutoff=0.5)
    return UnknownRuleSet(text, list(dict.fromkeys(found[hit] for hit in hits))[:3])


@cache
def parsed_built_in(rule_id: str) -> tuple[RuleFile, str]:
    """One built-in file, parsed, and the SHA-256 of its bytes."""
    data = (FOLDER / f"rules/{rule_id}.toml").read_bytes()
    return parse(data.decode("utf-8"), f"{rule_id}.toml"), hashlib.sha256(data).hexdigest()
