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
    return sorted({name.removesuffix(".toml").split("-")[0] for name in names("words")})


@cache
def words(language: str = DEFAULT_LANGUAGE) -> dict[str, Any]:
    """All words of one language, merged over English so that a gap never leaves a message empty.

    language : str. Code of a file in data/words, for example "en".
    Returns  : dict of sections (problem, reason, ...), each a dict of texts or of dicts.
    Raises   : KeyError where there is no such language.
    """
    merged: dict[str, Any] = {}
    wanted = [DEFAULT_LANGUAGE] if language == DEFAULT_LANGUAGE else [DEFAULT_LANGUAGE, language]
    for code in wanted:
        files = [n for n in names("words") if n == f"{code}.toml" or n.startswith(f"{code}-")]
        if not files:
            raise KeyError(f"no words for the language {code!r}")
        for name in files:
            for section, entries in load_toml(f"words/{name}").items():
                if isinstance(entries, dict):
                    merged[section] = {**merged.get(section, {}), **entries}
                else:
                    merged[section] = entries
    return merged
