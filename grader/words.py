"""Words of one language: reasons, problems, actions, cautions, from data/words/<language>.toml."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from typing import Any, NamedTuple

from grader.data import languages_of, load_toml
from grader.data.keys import unknown_keys

DEFAULT_LANGUAGE = "en"


def languages() -> list[str]:
    """Codes of the languages that have words, sorted.

    >>> {"de", "en"} <= set(languages())
    True
    """
    return languages_of("words/")


_spoken: dict[str, None] = {}  # the languages asked for so far; reading the words of all takes 0.06 s a language


@cache
def words(language: str = DEFAULT_LANGUAGE) -> Mapping[str, Any]:
    """All words of one language, merged over English so that a gap never leaves a message empty.

    language : str. Code of a file in data/words, for example "en".
    Returns  : sections (problem, reason, ...), each a dict of texts or of dicts.
    Raises   : KeyError where there is no such language.
    """
    if language not in languages():
        raise KeyError(f"no words for the language {language!r}")
    _spoken[language] = None
    english = load_toml(f"words/{DEFAULT_LANGUAGE}.toml")
    if language == DEFAULT_LANGUAGE:
        return english
    merged, other = dict(english), load_toml(f"words/{language}.toml")
    if wrong := list(unknown_keys(other, merged)):
        raise ValueError(f"words/{language}.toml: {', '.join(wrong)} stand in no English words: no code reads them.")
    for section, entries in other.items():
        both = isinstance(entries, dict) and section in merged
        merged[section] = {**merged[section], **entries} if both else entries
    return merged


# A name of a file within a text, from the mark before it; it stays as it is.
_FILE_NAME = re.compile(r"""([^;,:("„“]*\.(?:xlsx|xlsm|xlsb|xls|ods|csv|tsv|txt)\b)""", re.IGNORECASE)
# A figure with a decimal point that stands alone: no part of a version, an address or a name.
_FIGURE = re.compile(r"(?<![\w.])(\d+)\.(\d+)(?!\.?\w)")


class Local(NamedTuple):
    """What a page for people says in its language: the words of verdicts and of the log, and the decimal mark."""

    words: dict[str, str]
    cells: dict[str, str]
    decimal: str

    @classmethod
    def of(cls, said: Mapping[str, Any]) -> Local:
        """From the words of a language."""
        return cls(said["local"]["words"], said["local"]["cells"], said["local"]["decimal"])

    def word(self, word: str) -> str:
        """A verdict, a state or a word to pick, in the language; any other text stays.

        >>> local("de").word("near limit"), local("de").word("outlet 3")
        ('grenznah', 'outlet 3')
        """
        return self.words.get(word) or self.cells.get(word, word)

    def title(self, word: str) -> str:
        """The same with a capital letter, as a heading."""
        said = self.word(word)
        return said[:1].upper() + said[1:]

    def figures(self, text: str) -> str:
        """A text with the decimal mark of the language in its figures.

        >>> local("de").figures("10.5 ppm, grader 0.1.0")
        '10,5 ppm, grader 0.1.0'
        """
        return text if self.decimal == "." else _FIGURE.sub(rf"\1{self.decimal}\2", text)

    def text(self, text: str) -> str:
        """A sentence of ours with such words and figures in the language; names of files in it stay.

        >>> local("de").text("airline: fail, 0.5 mg/m³, as in airline 2.5.xlsx row 3")
        'Druckluftleitung: nicht erfüllt, 0,5 mg/m³, as in airline 2.5.xlsx row 3'
        """
        pieces = _FILE_NAME.split(text)
        pieces[::2] = [self._pattern().sub(lambda m: self.words[m[0]], self.figures(p)) for p in pieces[::2]]
        return "".join(pieces)

    def _pattern(self) -> re.Pattern[str]:
        return _words_pattern(tuple(sorted(self.words, key=len, reverse=True)))


@cache
def _words_pattern(listed: tuple[str, ...]) -> re.Pattern[str]:
    return re.compile(rf"(?<![\w-])(?:{'|'.join(map(re.escape, listed))})(?![\w-])")


def local(language: str = DEFAULT_LANGUAGE) -> Local:
    """The Local of a language."""
    return Local.of(words(language))


def meant_by() -> dict[str, str]:
    """Word of any language that was asked for -> the word of verdicts, states or the log that it stands for."""
    return _meant_by(tuple(_spoken))


@cache
def _meant_by(codes: tuple[str, ...]) -> dict[str, str]:
    return {local_word: word for code in codes for word, local_word in local(code).words.items()}
