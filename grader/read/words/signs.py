"""Signs that answer, and boxes beside answers. Which they are is data ([signs] of data/notation.toml)."""

from __future__ import annotations

import re
from functools import cache, lru_cache
from itertools import compress
from typing import Any

from grader.data import load_toml

MARK = ("tick", "cross", "either")  # in a box, or in a cell of its own
NO = ("cross", "no")


@cache
def _signs(*kinds: str) -> frozenset[str]:
    return frozenset(sign for kind in kinds for sign in load_toml("notation.toml")["signs"][kind])


def is_sign(value: Any, *kinds: str) -> bool:
    """Whether a cell is one sign of some kinds and nothing else.

    >>> is_sign("✓ ", "tick"), is_sign("x", "cross"), is_sign("x", *MARK), is_sign("x 2", *MARK)
    (True, False, True, False)
    """
    return type(value) is str and value.strip() in _signs(*kinds)


def holds_sign(text: str, *kinds: str) -> bool:
    """Whether a sign of some kinds stands in a text."""
    return not _signs(*kinds).isdisjoint(text)


@cache
def _box() -> re.Pattern[str]:
    return re.compile(rf"([{''.join(_signs('box'))}]|[\[(]\s*[xX✓✔]?\s*[\])])")


def is_box(text: str) -> bool:
    """Whether a text is one box that is ticked."""
    return bool(_box().fullmatch(text)) and _is_ticked(text)


def _is_ticked(box: str) -> bool:
    return not (is_sign(box, "empty") or box[1:-1].isspace() or len(box) == 2)


@lru_cache(maxsize=20_000)
def boxed(text: str) -> tuple[str, tuple[str, ...], tuple[str, ...]]:
    """What stands before the answers of a text, the answers, each with a box, and those that are ticked; no answers: none.

    >>> boxed("Overall result: ☐ pass ☒ fail"), boxed("Yes [ ] No [X]"), boxed("Bay (2)")
    (('Overall result', ('pass', 'fail'), ('fail',)), ('', ('Yes', 'No'), ('No',)), ('', (), ()))
    """
    label, _, rest = text.rpartition(":")
    parts = [part.strip(" ,;/|") for part in _box().split(rest)]
    boxes, words = parts[1::2], parts[::2]
    if len(boxes) < 2 or words[0] and words[-1]:
        return "", (), ()
    answers = words[:-1] if words[0] else words[1:]
    return label.strip(), tuple(answers), tuple(compress(answers, map(_is_ticked, boxes)))
