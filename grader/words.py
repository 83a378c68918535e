"""Words of one language: reasons, problems, actions, cautions, from data/words/<language>.toml."""

from __future__ import annotations

from functools import cache
from typing import Any

from grader.data import load_toml, names

DEFAULT_LANGUAGE = "en"


def languages() -> list[str]:
    """Codes of the languages that have words, sorted.

    >>> languages()
    ['de', 'en']
    """
    return sorted(name.removesuffix(".toml") for name in names("words") if name.endswith(".toml"))


@cache
def words(language: str = DEFAULT_LANGUAGE) -> dict[str, Any]:
    """All words of one language, merged over English so that a gap never leaves a message empty.

    language : str. Code of a file in data/words, for example "en".
    Returns  : dict of sections (problem, reason, ...), each a dict of texts or of dicts.
    Raises   : KeyError where there is no such language.
    """
    if language not in languages():
        raise KeyError(f"no words for the language {language!r}")
    merged: dict[str, Any] = dict(load_toml(f"words/{DEFAULT_LANGUAGE}.toml"))
    if language != DEFAULT_LANGUAGE:
        for section, entries in load_toml(f"words/{language}.toml").items():
            both = isinstance(entries, dict) and section in merged
            merged[section] = {**merged[section], **entries} if both else entries
    return merged
