"""Natural order: names as people count them."""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

# ASCII digits only: others count as digits and are no figures, such as superscripts.
_DIGITS = re.compile("[0-9]+")


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
