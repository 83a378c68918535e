"""Names that look like slips: one letter more, less or other, two swapped, or a space put in."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence

LONGEST_NAME = 120  # a page of text is no name that somebody mistyped, and would be laid into a drawer a letter
SHORTEST_WORD = 3  # shorter words differ on purpose: bays A and B, lines N and S (judgement, no source)


def one_slip(a: str, b: str) -> bool:
    """Whether two words are one slip apart: a letter put in, left out or changed, or two neighbours swapped.

    >>> one_slip("bay", "bya"), one_slip("bay", "bays"), one_slip("bay", "bad"), one_slip("east", "west")
    (True, True, True, False)
    """
    if a == b or abs(len(a) - len(b)) > 1:
        return False
    start = 0
    while start < min(len(a), len(b)) and a[start] == b[start]:
        start += 1
    rest_a, rest_b = a[start:], b[start:]
    if len(a) != len(b):
        longer, shorter = (rest_a, rest_b) if len(a) > len(b) else (rest_b, rest_a)
        return longer[1:] == shorter
    return rest_a[1:] == rest_b[1:] or (rest_a[:2] == rest_b[1::-1] and rest_a[2:] == rest_b[2:])


def slip_pairs(sites: Sequence[str], keys: Sequence[str], tests: Sequence[int]) -> list[tuple[int, int]]:
    """Pairs of names on one site that look like slips; names that differ in a digit never do.

    sites, keys, tests : of n distinct names: site, tokens joined by "|" (normalise.name_key), how often used.
    Returns            : (position of the rarer name, position of the commoner), each pair once.

    Names are laid into drawers by what a slip leaves the same, so that the work grows with the number of
    names; in a drawer each is compared with the commonest only. Names longer than LONGEST_NAME are left out.
    """
    drawers: dict[tuple[str, ...], list[int]] = defaultdict(list)
    for number, (site, key) in enumerate(zip(sites, keys)):
        if "\0" not in key and len(key) <= LONGEST_NAME:
            for label in _labels(key.split("|")):
                drawers[(site, *label)].append(number)
    found: dict[tuple[int, int], None] = {}
    for numbers in drawers.values():
        if len(numbers) < 2:
            continue
        commonest = max(numbers, key=lambda n: (tests[n], -n))
        for number in numbers:
            if number != commonest and _look_alike(keys[number].split("|"), keys[commonest].split("|")):
                found[(number, commonest)] = None
    return list(found)


def _labels(tokens: list[str]) -> Iterator[tuple[str, ...]]:
    seen = set()
    for at, token in enumerate(tokens):
        if token.isalpha() and len(token) >= SHORTEST_WORD:
            for cut in range(-1, len(token)):
                left = token if cut < 0 else token[:cut] + token[cut + 1 :]
                seen.add((str(at), *tokens[:at], "\0", left, *tokens[at + 1 :]))
    if any(token.isalpha() for token in tokens):
        seen.add(("joined", *_joined(tokens)))
    yield from seen


def _joined(tokens: list[str]) -> list[str]:
    """Tokens with neighbouring words made one: "work", "shop", "1" -> "workshop", "1"."""
    lines: list[str] = []
    for token in tokens:
        if lines and token.isalpha() and lines[-1].isalpha():
            lines[-1] += token
        else:
            lines.append(token)
    return lines


def _look_alike(a: list[str], b: list[str]) -> bool:
    if len(a) != len(b):
        return _joined(a) == _joined(b)
    differ = [(x, y) for x, y in zip(a, b) if x != y]
    return len(differ) == 1 and all(w.isalpha() and len(w) >= SHORTEST_WORD for w in differ[0]) and one_slip(*differ[0])
