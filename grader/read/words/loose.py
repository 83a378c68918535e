"""Words of a word field in loose wording: "works air main", "faint, oily", "pas d'odeur" -> the canonical word.

Source: data/loose_words.toml, common practice of the trade. What is not surely one word stays unreadable.
"""

from __future__ import annotations

import re
from functools import cache, lru_cache

from grader.data import load_toml
from grader.read.words.phrases import HYPHENED, Lists, any_of
from grader.read.words.signs import boxed
from grader.read.words.spelling import fold_word, spelled_words

LOOSE = Lists("loose_words.toml", HYPHENED)
_BREAK = re.compile(r"[,;]")
_LONGEST = 60


@lru_cache(maxsize=5_000)
def own_word(field: str, text: str) -> str | None:
    """The canonical word of which a text is a listed spelling, None where it is none."""
    return spelled_words(field).get(fold_word(text))


def loose_word(field: str, text: str) -> str | None:
    """The canonical word that a text in loose wording means, None where it is not surely one.

    A word that sounds well must cover everything said; what is left over, or a word that takes back, is doubt.

    >>> loose_word("supply", "works air main"), loose_word("odour", "faint, oily"), loose_word("odour", "no smell")
    ('airline', 'slight', 'none')
    >>> loose_word("dryer", "no desiccant") is None, loose_word("odour", "see remarks") is None
    (True, True)
    >>> loose_word("odour", "no oil smell but musty"), loose_word("odour", "none (has a cold)"), loose_word("odour", "not ok")
    (None, None, None)
    """
    data = load_toml(LOOSE.file)
    if field not in data or len(text) > _LONGEST or "?" in text:
        return None
    words = LOOSE.words(text)
    if len(words) == 1 and words[0] in data["asked"]:
        return None
    no = _begun(words, "negation")
    hits: dict[str, list[int]] = {}
    for first, _, of in LOOSE.standing(words, *(f"{field}.{word}" for word in data[field])):
        hits.setdefault(of.partition(".")[2], []).append(first)
    said_of, nature, sensed = (_begun(words, f"{part}.{field}") for part in ("said_of", "nature", "sensed"))
    if field == "outlet_status" and set(hits) > {"in use"}:
        hits.pop("in use")  # "not in use", "out of service": a word that sounds ill holds for the whole
        no = []
    if field in data["doubted"] and LOOSE.standing(words, "doubt") and not set(hits) & _ILL:
        return None
    if LOOSE.standing(words, f"mistaken.{field}") and not LOOSE.standing(words, f"proper.{field}"):
        return None
    if "charging compressor" in hits and field == "supply":
        # A compressor that fills cylinders is itself no cylinder.
        hits = {"charging compressor": hits["charging compressor"]}
    if nature and field == "odour" and set(hits) <= {"none"}:
        hits = {"marked": nature} if not no and "none" not in hits else {}
    word = next(iter(hits)) if len(hits) == 1 else None
    if no:
        word = None
        alone = len(words) == len(no)
        noticed = {at for some in hits.values() for at in some} <= {*sensed, *said_of, *hits.get("none", ())}
        turns = set(no) & {i for i, w in enumerate(words) if w in data["turns"]}
        taken_back = _taken_back(no, turns, hits.get("none", []), [*said_of, *sensed])
        if "none" in data[field] and noticed and (said_of or hits or sensed or alone) and not (nature or taken_back):
            word = "none"
    if word in data["safe"].get(field, ()):
        found = sensed if no else []  # "present" alone is no none
        known = LOOSE.inside(words, f"{field}.{word}").union(no, said_of, found, _begun(words, "covered"))
        if _is_choice(field, text) or _is_of_test(field, words):
            return None
        parts = [p for p in _BREAK.split(text) if not p.isspace()]
        alone = len(parts) < 2 or all(_is_word(field, p, word) for p in parts)  # "no, smells" is not "no smells"
        return word if len(known) == len(words) and alone else None
    if no or word:
        return word
    return "marked" if field == "odour" and said_of and len(words) > len(said_of) and nature else None


def denies(field: str, text: str) -> bool:
    """Whether a text that is read as none says only that something is not there, and neither of what nor that all is well.

    >>> denies("odour", "absent"), denies("odour", "no smell"), denies("odour", "fresh"), denies("liquid_water", "n/d")
    (True, False, False, True)
    """
    if "none" not in (own_word(field, text), loose_word(field, text)):
        return False
    return not LOOSE.say(text, f"said_of.{field}", f"well.{field}")


def chosen(text: str) -> str:
    """The answer whose box is ticked, of several with a box each; any other text as it is.

    >>> chosen("☐ Yes ☒ No"), chosen("Yes [ ]  No [x]"), chosen("☒ Yes ☒ No"), chosen("no")
    ('No', 'No', '☒ Yes ☒ No', 'no')
    """
    label, answers, ticked = boxed(text)
    return ticked[0] if not label and len(ticked) == 1 and all(answers) else text


def _is_word(field: str, part: str, word: str | None) -> bool:
    """Whether a part of a text means a word by itself, or says nothing."""
    words = LOOSE.words(part)
    return word in (own_word(field, part), loose_word(field, part)) or len(_begun(words, "covered")) == len(words)


def _is_choice(field: str, text: str) -> bool:
    """Whether a text names what may be found as well as that it is not: the choice of a form of which nothing is struck out.

    >>> loose_word("odour", "absent / present"), loose_word("odour", "no smell/taste found")
    (None, 'none')
    """
    told: set[str] = set()  # what is looked for
    for at, part in enumerate(_either().split(text)):
        words = LOOSE.words(part)
        looked_for = {words[i] for i in _begun(words, f"said_of.{field}")}
        found = looked_for or _begun(words, f"sensed.{field}")
        another = told and looked_for - told  # "no smell/taste"
        if at and found and not (another or LOOSE.standing(words, "negation", f"{field}.none")):
            return True
        told |= looked_for
    return False


@cache
def _either() -> re.Pattern[str]:
    """What stands between the answers of a choice."""
    return re.compile(rf"[/|\\(–]|\s-\s|\b(?:{any_of(LOOSE.spellings('either'))})\b", re.IGNORECASE)


def _is_of_test(field: str, words: list[str]) -> bool:
    """Whether it may be the test, the nose or a trap that is absent: anything but a smell or water stands beside.

    >>> loose_word("odour", "smell absent"), loose_word("odour", "test absent"), loose_word("liquid_water", "trap absent")
    ('none', None, None)
    """
    lists = ("absent.words", "absent.beside", "negation", f"{field}.none")
    return bool(LOOSE.standing(words, "absent.words") and LOOSE.outside(words, *lists))


def _taken_back(no: list[int], turns: set[int], well: list[int], looked_for: list[int]) -> bool:
    """Whether a word of no is said of what sounds well ("not ok", "nicht ganz frei"), not of what is looked for.

    turns : words of no that turn an answer round, too ("not none"; but "no, none" and "ohne / none" are two answers).
    """
    answers = set(no) & set(well)  # "none", "nil"
    for at in sorted(set(no) - answers):
        said = [p for p in well if at in turns or p not in answers]
        after = min((p for p in (*said, *looked_for) if p > at), default=-1)
        if at in turns and at + 1 in set(no) - turns:  # "not without"
            return True
        if after in said or after < 0 and said and at - 1 not in looked_for:
            return True
    return False


# Words of doubt do not make these better: "locked off, but tested".
_ILL = {"marked", "seen", "locked off", "removed", "fail"}


def _begun(words: list[str], name: str) -> list[int]:
    """Positions of the words with which phrases of a list begin."""
    return sorted({place.first for place in LOOSE.standing(words, name)})
