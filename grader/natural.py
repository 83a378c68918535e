"""Names as people count and compare them."""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

# ASCII digits only: others count as digits and are no figures, such as superscripts.
_DIGITS = re.compile("[0-9]+")
_TOKEN = re.compile(r"[^\W\d_]+|\d+|[^\w\s]")
_SEPARATORS = frozenset("-‐‑‒–—−_./\\,;:#()[]'\"")


@lru_cache(maxsize=50_000)  # every name is sorted several times
def natural(name: str) -> str:
    """Key by which names sort as people count: ward 2 before ward 10, folder by folder; different for different names.

    >>> sorted(["b/1.xlsx", "a10.xlsx", "a2.xlsx", "a/2", "A1.xlsx"], key=natural)
    ['a/2', 'A1.xlsx', 'a2.xlsx', 'a10.xlsx', 'b/1.xlsx']
    """
    plain = unicodedata.normalize("NFC", name)
    # The end of the name comes before the end of a folder, that before a figure, and a figure before any letter.
    folded = plain.casefold().replace("/", "\x01")
    return "\x00".join((_DIGITS.sub(lambda match: "\x02" + match[0].zfill(20), folded), plain, name))


def name_key(name: str) -> str:
    """A name as tokens: case, leading zeros and separators between letters and digits do not matter.

    >>> name_key("Bay 03") == name_key("bay-3") == name_key("BAY3")
    True
    >>> name_key("1-1") == name_key("11")
    False
    """
    folded = unicodedata.normalize("NFKC", name).casefold()
    tokens = [
        t.lstrip("0") or "0" if t.isdigit() else t
        for t in _TOKEN.findall(folded.replace("_", " "))
        if t not in _SEPARATORS
    ]
    return "|".join(tokens) or folded.strip()
