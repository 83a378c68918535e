"""Texts of remarks and of lines around a table -> what they say against a pass.

Words are data (data/said.toml). A negation takes back what follows it; a sentence that states a rule ("if it fails, do
not use it") says nothing of a test.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from functools import cache, lru_cache
from itertools import accumulate, product

from grader.columns import FIELDS
from grader.data import load_toml
from grader.read.words.dates import is_month
from grader.read.words.heading_words import row_words
from grader.read.words.loose import LOOSE, loose_word
from grader.read.words.phrases import Lists, Standing
from grader.read.words.signs import NO, holds_sign, is_sign

ROW, NAME, LINE, AROUND, TITLE, FILE = "row", "name", "line", "around", "title", "file"
REMARKS = Lists("said.toml", slips=("against.verdict", "against.stop", "against.void"))
LONGEST = 2_000  # characters; a longer text is no remark
_SENTENCE = re.compile(r"(?:(?<=[^\d\W]{2})\.|(?<=[^\d\W])!)(?=\s|$)|[;\n•]")  # "i.O. wenn" is one
_CLAUSE = re.compile(r",(?!\d)|[:()–]|\s-\s")
_SHORT = 5  # words up to which a line around a table that says "not tested" is about its tests
_REACH = 3  # words up to which a word of no takes back what follows

# Lists of `against` that do not speak everywhere: in these places only those named.
_IN_NAMES = {
    NAME: ("stop", "undone", "lapsed", "instrument", "trouble"),
    TITLE: ("void",),
    FILE: ("void", "verdict", "stop"),
}
# What speaks no more where it has been mended, or was so once.
_PERSON = re.compile(r"[A-ZÄÖÜ]\. ?[A-ZÄÖÜ]\w+")  # "J. Low"
_MENDED = ("verdict", "instrument", "lapsed", "trouble", "row", "remark", "ill")
_ONCE = ("verdict", "ill")
_BANS = ("stop", "void", "undone")  # no repair takes them back
# What a rule may say of a test to come ("if it fails, do not use"); anything else beside a word of one is a report.
_RULED = ("verdict", "stop")
_NOT_SO, _AWAITS = "general.verdict", "general.stop"  # what is wanted and is not so, or waited for
_AWAITED_BY = ("general.mended", "general.again", "general.retested")
_UNTIL, _ONCE_IT_IS = "span.until", "general.once"  # before what must come first
_AWAITED = 5  # words in which stands what must come first
_INTAKE = "pair.intake"
_OF_ITS_ROW = "work"  # a pair that around tests stands in plans


@cache
def _against() -> tuple[str, ...]:
    """The lists without a phrase of which a text says nothing against a pass."""
    said = load_toml(REMARKS.file)
    fewer = {kind: min(("of", "ill"), key=lambda part: len(pair[part])) for kind, pair in said["pair"].items()}
    # Nor without what denies it, or is waited for; of a pair neither speaks without the other.
    groups = (
        *(f"against.{group}" for group in said["against"]),
        "general.approved",
        "general.mended",
        _UNTIL,
        _ONCE_IT_IS,
        "general.few",
    )
    return (*groups, *(f"pair.{kind}.{part}" for kind, part in fewer.items()))


@lru_cache(maxsize=50_000)
def against(text: str, where: str = ROW) -> str:
    """What a text says against a pass, "" where nothing.

    where : ROW, a cell of a test's own row; NAME, of an outlet or a place; LINE, one that stands alone within a form or
            between tests; AROUND, outside of them; TITLE, what is printed over or
            under a page; FILE, the name of a file or sheet.

    >>> against("valve ok. DO NOT USE"), against("no fail"), against("not condemned"), against("fail-safe valve")
    ('DO NOT USE', '', '', '')
    >>> against("FAIL = above limit", AROUND), against("Do not use air that has failed", AROUND)
    ('', '')
    >>> against("all tubes expired 2024", AROUND), against("Conclusion: Air NOT fit", AROUND)
    ('all tubes expired 2024', 'Conclusion: Air NOT fit')
    >>> against("Do not use, oil visible in hose", AROUND), against("Lift condemned along with P1")
    ('Do not use, oil visible in hose', 'Lift condemned along with P1')
    """
    if len(text) > LONGEST or not REMARKS.say(text, *_against()):
        return ""
    said = sentences(text)
    spoken = (s for i, s in enumerate(said) if _speaks(s, where, said[i + 1 :]))
    return " ".join(next(spoken, "").split())


_ADDED = re.compile(r"[()\[\]]|\s[-–]\s")  # what is added to a name stands behind it
_NAMED = frozenset("outlet location system site site_address client equipment tested_by reviewed_by".split())


def in_field(text: str, field: str) -> str:
    """What the value of a field says against its tests; a name of people, places and things, what is added to it.

    >>> in_field("dryer failed", "work_done"), in_field("filter replaced", "work_done"), in_field("desiccant (spent)", "dryer")
    ('dryer failed', '', 'desiccant (spent)')
    >>> in_field("Yard 2 (training example)", "site"), in_field("Void Street", "site"), in_field("not tested", "tested_by")
    ('Yard 2 (training example)', '', 'not tested')
    """
    if field == "rule_set":
        return ""  # "osha-grade-d" is a name, "grade D" in a remark is none
    if field not in _NAMED:
        joined = FIELDS[field].kind != "word" or _ADDED.search(text)  # a word alone is one of the field's own
        return text * bool(against(text) or joined and against(_ADDED.sub(" ", f"{FIELDS[field].heading} {text}")))
    added = _ADDED.split(text)[1:]
    return against(text, NAME) or text * any(against(part, FILE) for part in added)


def sentences(text: str) -> list[str]:
    """The sentences of a remark: they end at a stop behind letters, a semicolon or a line."""
    return [s for s in _SENTENCE.split(text) if s and not s.isspace()]


_ASIDE = re.compile(r"\(([^()]*)\)")
_PART = re.compile(r"[,:]\s|\s-\s")
_ANSWER = re.compile(r"[:?]\s*([^\W\d_]+)\W*$")


def _speaks(sentence: str, where: str, behind: list[str]) -> bool:
    """Whether a sentence speaks against a pass. behind : those that follow it, which may say that all is well again."""
    if (answer := _ANSWER.search(sentence)) and REMARKS.say(answer[1], "no.none"):
        return False  # "Leaks: none", "Outlet failed? No"
    words = REMARKS.words(sentence)
    aside = REMARKS.words(found[1]) if (found := _ASIDE.search(sentence)) else []
    of_machine = aside and len(REMARKS.inside(aside, "general.aside")) == len(aside)
    if found and of_machine and REMARKS.begin(words, "general.machine"):
        told = sentence[found.end() :]  # "Compressor 7 (tools only) is out of order", and nothing of another thing
        if not ("," in told or _named(REMARKS.words(told)) or REMARKS.say(told, "span.outlet")):
            return False
    hits = _hits(sentence, _lists(where, words), where)
    clauses = [REMARKS.words(clause) for said in (sentence, *behind) for clause in _CLAUSE.split(said)]
    if not hits or _is_rule(sentence, words, hits, where):
        return False
    if where not in _IN_NAMES and "?" not in sentence and _is_over(clauses, hits):
        return False
    if where != AROUND or _is_statement(words, hits):
        return True
    # "Do not use: oil visible in hose"
    parts = [part for part in _PART.split(sentence) if len(REMARKS.words(part)) > 1]
    return len(parts) > 1 and any(_speaks(part, where, behind) for part in parts)


def _lists(where: str, words: list[str]) -> list[str]:
    """The lists whose phrases speak in a sentence that stands somewhere."""
    said = load_toml(REMARKS.file)
    if where in _IN_NAMES:
        return [f"against.{group}" for group in _IN_NAMES[where]]
    silent = {"remark": where == AROUND or where == LINE and REMARKS.standing(words, "general.plural")}
    groups = [f"against.{group}" for group in said["against"] if not silent.get(group)]
    return groups + [f"pair.{kind}.ill" for kind in said["pair"]]


def _hits(sentence: str, lists: list[str], where: str) -> list[Standing]:
    """Where phrases stand in a sentence and nothing takes them back, by the last key of their list; ill only beside its thing."""
    made: list[Standing] = []
    before, is_open = 0, "?" in sentence or REMARKS.say(sentence, "general.open")
    clauses = [REMARKS.words(clause) for clause in _CLAUSE.split(sentence)]
    for clause, behind in zip(clauses, [*clauses[1:], []]):
        found = [
            *REMARKS.standing(clause, *lists),
            *(() if where in _IN_NAMES else _disapproved(clause)),
            *(_cut_short(clause) if where == ROW else ()),
        ]
        apart = REMARKS.inside(clause, "apart.words") if found else set()
        if found and where != LINE and _of_another_thing(clause, found):  # an outlet may be called so
            found = []
        for first, stop, of in found:
            pair, _, kind = of.rpartition(".")
            is_far = _is_far(clause[:first]) if REMARKS.standing(clause[first:stop], f"{_INTAKE}.ill") else None
            if not (
                kind == "ill" and REMARKS.inside(clause, f"{pair}.of") <= REMARKS.inside(clause, "apart.called")
                or is_far
                or kind in _MENDED and not is_open and (_is_mended(clause, hit=first) or _is_mended(behind, first=True))
                or kind == "undone" and REMARKS.standing(clause, "general.optional")
                or kind in _ONCE and REMARKS.standing(clause[first - 1 : first], "no.once")
                or apart.issuperset(range(first, stop))
                or of not in (_NOT_SO, _AWAITS) and is_far is None and taken_back(clause, first, stop)
            ):  # fmt: skip
                made.append(Standing(before + first, before + stop, kind))
        before += len(clause)
    return made


def _disapproved(words: list[str]) -> Iterator[Standing]:
    """Where a clause says of what is wanted that it is not so, is of none of the outlets, or is waited for.

    >>> against("has not been approved by us"), against("None of these outlets may be used", AROUND)
    ('has not been approved by us', 'None of these outlets may be used')
    >>> against("out of bounds until the dryer is mended"), against("passed until 2027")
    ('out of bounds until the dryer is mended', '')
    >>> bool(against("leave off until the smell has been traced"))
    True
    >>> bool(against("ok once the dryer is mended")), bool(against("ok once the dryer was mended"))
    (True, False)
    >>> bool(against("element has never been renewed")), bool(against("hose not tight so replaced"))
    (True, False)
    """
    for first, stop, of in REMARKS.standing(words, _UNTIL, _ONCE_IT_IS):
        awaited = REMARKS.standing(words[stop : stop + _AWAITED], *_AWAITED_BY, *["general.done"] * (of == _UNTIL))
        told = words if of == _ONCE_IT_IS else words[:first]  # "good once the seal was changed"
        if first and awaited and not REMARKS.standing(told, "general.past"):
            yield Standing(first, stop, _AWAITS)
    things = REMARKS.standing(words, "pair.test.of", "pair.work.of")
    for first, stop, _ in REMARKS.standing(words, "general.mended") if things else ():
        if REMARKS.standing(words[max(first - _BEFORE, 0) : first], "no.denies"):
            yield Standing(first, stop, _NOT_SO)  # "the element has never been changed"
    ways_round = REMARKS.inside(words, "pair.round.of")  # "pas de by-pass"
    for first, stop, _ in REMARKS.standing(words, "general.approved"):
        if first in ways_round:
            continue
        denied = REMARKS.standing(words[max(first - _REACH, 0) : first], "no.denies")
        if denied or REMARKS.standing(words[:first], "no.subject"):
            yield Standing(first, stop, _NOT_SO)


def _cut_short(words: list[str]) -> Iterator[Standing]:
    """Where a clause says that fewer strokes were drawn, or a sample for fewer minutes, than should be.

    >>> bool(against("only drew 3 strokes")), bool(against("sampled only 3 minutes")), bool(against("only 7 minutes away"))
    (True, True, False)
    """
    drawn = ("measured.minutes",) * bool(REMARKS.standing(words, "pair.place.of"))
    for first, stop, _ in REMARKS.standing(words, "general.strokes", *drawn):
        counted = first and (words[first - 1].isdigit() or REMARKS.standing(words[first - 1 : first], "general.counts"))
        few = REMARKS.inside(words, "general.few")
        if counted and not few.isdisjoint(range(first - 1 - _REACH, stop + 1)):
            yield Standing(first, stop, "few")


def _is_far(before: list[str]) -> bool | None:
    """Whether the last words before a thing say that something stands far from it, or not so, or is to; None where neither.

    >>> bool(against("intake well away from the exhaust")), bool(against("intake not far from the exhaust"))
    (False, True)
    """
    said = REMARKS.standing(before, f"{_INTAKE}.far")
    things = REMARKS.standing(before, f"{_INTAKE}.far", f"{_INTAKE}.ill")  # "far from the exhaust of the boiler"
    if not said or len(before) - max(thing.stop for thing in things) >= _REACH:
        return None
    wrong = REMARKS.standing(before[max(said[0].first - _REACH, 0) : said[0].first], "no.words", "general.due")
    return not wrong


def _is_mended(words: list[str], first: bool = False, hit: int = 0) -> bool:
    """Whether a clause says that something has been mended, and is not to be yet.

    first : whether it begins so. hit : where what is wrong stands; a thing between tells which one it is of.

    >>> bool(against("replaced leaking hose")), bool(against("rebuilt pump leaking")), bool(against("hose leaking, replaced"))
    (False, True, False)
    """
    things = ("pair.test.of", "pair.work.of", "pair.worn.of", "general.lasting")
    return any(  # "should have been changed"
        not any(due.stop > at - 2 for due in REMARKS.standing(words[:at], "general.due"))
        and not (stop < hit and not REMARKS.outside(words[stop:hit], *things))
        for at, stop, _ in REMARKS.standing(words, "general.mended")
        if not first or at == 0
    )


def _is_over(clauses: list[list[str]], hits: list[Standing]) -> bool:
    """Whether a text tells of what was once, or has been mended, and says at its end that all is well again.

    A ban is taken back by words of release alone, or where a test that is over was passed.

    >>> against("failed in 2024, renewed since"), bool(against("failed, not back in service yet"))
    ('', True)
    >>> against("July: failed, filter changed 10 July, retested and passed"), bool(against("failed, retested, passed"))
    ('', True)
    >>> bool(against("failed, filter changed, retest Monday, hose good")), bool(against("do not use, hose changed, retest ok"))
    (True, True)
    """
    words = [word for clause in clauses for word in clause]
    ends = [0, *accumulate(map(len, clauses))]
    retests = REMARKS.standing(words, "general.retested")
    again = {i for first, stop, _ in retests for i in range(first, stop)}
    still = REMARKS.standing(words, "general.due", "general.open")
    told = {i for first, stop, _ in hits for i in range(first, stop)}  # "nicht bestanden"
    if len(_named(words)) > 1 or any(place.first not in again | told for place in still):
        return False
    last = max((hit.first for hit in hits if hit.first not in again), default=-1)
    mended = [s for s in REMARKS.standing(words, "general.mended") if s.first > last]
    is_ban = any(hit.of in _BANS for hit in hits)
    freed = (
        [(s, s) for s in REMARKS.standing(words, "general.again")] if REMARKS.standing(words, "general.past") else []
    )
    tested = [s for s in retests[-1:] if mended and mended[0].first < s.first]
    well = REMARKS.standing(words, "general.passed" if is_ban else "general.well")
    begun = [*ends, *(s.stop for s in mended)]
    return any(
        last < first.first <= good.first
        and all(
            w.isdigit() or is_month(w) or REMARKS.standing([w], "general.passing")  # no other thing, nor a day to come
            for w in words[max(i for i in begun if i <= first.first) : first.first]
            + words[first.stop : good.first]
            + words[good.stop : min(i for i in ends if i >= good.stop)]
        )
        for first, good in [*freed, *product(tested, well)]
    )


def _named(words: list[str]) -> set[str]:
    """Words of letters and digits, as names of outlets are; no substance. Of two of them one may be well."""
    mixed = {w for w in words if not w.isalpha() and not w.isdigit()}
    return {w for w in mixed if not REMARKS.standing([w], "pair.more.of", "pair.less.of")}


def _of_another_thing(words: list[str], hits: list[Standing]) -> bool:
    """Whether nothing but a thing that is none of the air stands beside what is wrong.

    >>> against("crane 3 out of service"), bool(against("outlet by crane 3 out of service"))
    ('', True)
    """
    things = REMARKS.inside(words, "general.other")
    last, stop, _ = max(hits)
    known = things.union(REMARKS.inside(words, "general.small"), *(range(first, stop) for first, stop, _ in hits))
    other = [i for i, w in enumerate(words) if i not in known and not w.isdigit()]
    of_it = any(i < last for i in things) and not REMARKS.standing(words[stop:], "pair.test.of", "pair.fluid.of")
    more = _named(words[stop:]) or REMARKS.standing(words[stop:], "span.outlet")  # "along with P1"
    return bool(things) and not more and (not other or of_it and min(other) > last)


def taken_back(words: list[str], first: int, stop: int) -> bool:
    """Whether a word of no stands before, none of the outlets is it that is spoken of, or a count of nothing stands beside.

    >>> bool(against("None of the outlets had to be locked off")), bool(against("No outlet works, locked off"))
    (False, True)
    """
    if REMARKS.standing(words[:first], "no.subject"):
        return True
    near, before = words[max(first - _REACH, 0) : first], words[first - 1 : first]
    return bool(REMARKS.standing(near, "no.words") or REMARKS.standing(before, "no.none") or "0" in words[stop:])


def _is_rule(sentence: str, words: list[str], hits: list[Standing], where: str) -> bool:
    """Whether a sentence states a rule, what signs mean, or boxes to tick, and says nothing of a test."""
    told = REMARKS.inside(words, "general.report").union(*(range(first, stop) for first, stop, _ in hits))
    rest = [w for i, w in enumerate(words) if i not in told]
    if REMARKS.standing(rest, "general.rule") and (where != ROW or any(of in _RULED for _, _, of in hits)):
        return not _is_then(words[max(hits).stop :])
    if REMARKS.begin(words, "general.case") and not _named(words):  # "Bei Geruch an P1 gesperrt" tells of one
        return True
    if where in (LINE, AROUND, FILE) and (
        "=" in sentence
        or REMARKS.standing(rest, "general.around")
        or REMARKS.standing(words[:1], "general.article")
        and not _named(words[1:2])  # "An E5 kam Wasser"
    ):
        return True
    return bool(REMARKS.standing(rest, "general.pass")) and not REMARKS.outside(words, "general.legend")


def _is_then(behind: list[str]) -> bool:
    """Whether what stands behind a finding says when it was found, and states no rule.

    >>> bool(against("Meter failed when it came back", AROUND)), bool(against("Outlets fail when it is above", AROUND))
    (True, False)
    """
    then = REMARKS.standing(behind, "general.then")
    return bool(then) and bool(REMARKS.standing(behind[then[0].stop :], "general.happened"))


def _is_statement(words: list[str], hits: list[Standing]) -> bool:
    """Whether a sentence outside of a test's own cells speaks of tests by one of its phrases: no count, caution or legend."""
    of_all = False  # "Failed outlets are tagged out of service"
    for first, stop in _joined(hits):
        stops = bool(REMARKS.standing(words[first:stop], "against.stop"))
        if _is_count(words, first, stop) or of_all and stops:
            continue
        if _is_firm(words, first, stop):
            return True
        if stops and stop - first > 1:
            return False  # a caution: what follows is what it is about
        of_all = of_all or REMARKS.begin(words[stop : stop + 1], "general.plural")
    return False


def _joined(hits: Iterable[Standing]) -> list[tuple[int, int]]:
    """Places in order, those that overlap as one: "taken out of service" is one phrase."""
    made: list[tuple[int, int]] = []
    for first, stop, _ in sorted(hits):
        if made and first <= made[-1][1]:
            made[-1] = (made[-1][0], max(stop, made[-1][1]))
        else:
            made.append((first, stop))
    return made


def _is_count(words: list[str], first: int, stop: int) -> bool:
    """Whether words are a count: "2 failed", "3 of 20 failed", "Failed: 2"."""
    counted = first == 1 or first > 1 and REMARKS.standing(words[first - 2 : first - 1], "span.of")
    before = counted and words[first - 1].isdigit()
    behind = len(words) == stop + 1 and words[stop].isdigit() and len(words[stop]) < 4
    return bool(before) or behind and not REMARKS.standing(words[first:stop], "against.trouble")  # "multiply by 10"


def _is_firm(words: list[str], first: int, stop: int) -> bool:
    """Whether words outside of a test's own cells are a statement: no caution, no legend."""
    behind, phrase = words[stop:], words[first:stop]
    if REMARKS.standing(phrase, "against.stop") and len(phrase) > 1:
        is_state = not REMARKS.standing(phrase, "no.words")  # "do not use in" is a caution, "out of use in" none
        is_told = REMARKS.begin(behind, "general.firm", "general.lasts", *["general.added"] * is_state)
        is_told = is_told or bool(
            REMARKS.standing(phrase, "general.lasts") or REMARKS.standing(behind[:2], "general.mended")
        )
        return not behind or is_told or behind[0].isdigit()
    if REMARKS.standing(phrase, "against.void"):
        return True
    if REMARKS.standing(behind[:1], "general.plural"):
        return any(w.isdigit() for w in behind)
    if first == 0 and behind and REMARKS.standing(behind, "general.limits"):
        return any(w.isdigit() for w in behind)
    of_one = REMARKS.standing(words[max(first - 2, 0) : first], "general.article")
    return not (of_one and behind and not REMARKS.standing(phrase, "against.verdict"))


_LONGEST_ALONE = 30  # signs


@lru_cache(maxsize=20_000)
def alone(text: str, name: str = "", *, whole: bool = True, remark: bool = True) -> str:
    """A remark of a few words that are nothing but one for what is wrong ("shut", "it stank", "??"); "" for any other.

    name : of an outlet that may stand in it. whole : whether such a word is to be all that it says.
    remark : whether it is one, and no name of an outlet, a place or a sheet, in which fewer words speak.

    >>> alone("Shut!"), alone("??"), alone("not shut"), alone("lid shut"), alone("P2: shut", "P2")
    ('Shut!', '??', '', '', 'P2: shut')
    """
    own, said_first = REMARKS.words(name), _less_added(REMARKS.words(text))
    words = [w for w in said_first if w not in own and not (own and w.isdigit())]
    words = words if len(" ".join(said_first)) <= _LONGEST_ALONE else []
    signed = holds_sign(text, "danger")
    if _PERSON.fullmatch(text.strip()):
        return ""
    if not words:
        asked = "?" in text and (name or set(text) <= set("?! "))
        return text.strip() if asked or signed or is_sign(text, *NO) else ""
    shown = " ".join(text.split())
    if "??" in text or signed or not whole and "?" in text or _denied(text):
        return shown
    said = REMARKS.standing(words, *(("alone.words", "alone.remark") if remark else ("alone.words",)))
    if not said and len(words) == 1 < len(words[0]) and REMARKS.say(text, "answer.no"):
        said = [Standing(0, 1, "answer.no")]
    apart = REMARKS.inside(words, "apart.words")
    said = [s for s in said if not apart.issuperset(range(s.first, s.stop))]
    known = REMARKS.inside(words, "alone.filler").union(*(range(first, stop) for first, stop, _ in said))
    fine = any(taken_back(words, first, stop) for first, stop, _ in said)
    return shown if said and not fine and (len(known) == len(words) or not whole) else ""


def _less_added(words: list[str]) -> list[str]:
    """Words without what is added behind them: since when, until when, by whom. It makes a fault no better."""
    apart = REMARKS.inside(words, "apart.words")
    lasts = [s for s in REMARKS.standing(words, "general.lasts") if s.first and s.first not in apart]
    if not lasts or REMARKS.standing(words[lasts[0].first :], "general.again"):
        return words
    first, stop, _ = lasts[0]
    known = REMARKS.inside(words[stop:], "alone.words", "alone.filler")
    return words[:first] + words[stop:] * (len(known) == len(words[stop:]))  # "bleibt vorerst zu"


_OUT_OF_STATE = ("doubt.no", "answer.state", "pair.test.of")
_BEFORE = 2  # words before a word of no that may be what it is of


@cache
def _denied_well() -> tuple[str, ...]:
    """The lists of what is well denied: what speaks against a pass, and what is fine to lack."""
    said = load_toml(REMARKS.file)
    ill = (
        *(f"against.{group}" for group in said["against"]),
        *(f"pair.{kind}.ill" for kind in ("test", "work", "people")),
    )
    return ("doubt.fine", "alone.words", "alone.remark", "general.other", "pair.fluid.of", *ill)


def doubted(text: str) -> str:
    """A remark that says no to something that is not known to be fine to lack, or to a state that is wanted; "" for any other.

    >>> doubted("could not get a steady figure"), doubted("no leaks, not warm"), doubted("filter no. 3"), doubted("new hose")
    ('could not get a steady figure', '', '', '')
    """
    clauses = [REMARKS.words(c) for s in sentences(text) for c in _CLAUSE.split(s)] if len(text) <= LONGEST else []
    for words in clauses:
        if _is_mended(words):
            continue
        lacks = {p.first for p in REMARKS.standing(words, "doubt.lack")}
        for first, stop, of in REMARKS.standing(words, "doubt.no", "doubt.lack"):
            near, behind = words[max(first - _BEFORE, 0) : stop + _REACH], words[stop : stop + _REACH]
            of_test = first not in lacks or of == "doubt.lack" and REMARKS.standing(behind, "pair.test.of")
            if of_test and len(words) > 1 and not REMARKS.standing(near, *_denied_well()):
                return " ".join(text.split())
    return out_of_state(text)


def out_of_state(text: str) -> str:
    """A text around tests that says of a thing of theirs that it was not in the state it should be in; "" for any other.

    >>> out_of_state("The dryer has not been running since May"), out_of_state("Pump not needed, meter stable")
    ('The dryer has not been running since May', '')
    """
    for sentence in sentences(text) if len(text) <= LONGEST else ():
        clauses = [REMARKS.words(clause) for clause in _CLAUSE.split(sentence)]
        is_rule = REMARKS.say(sentence, "general.rule", "general.around") or any(map(_is_mended, clauses))
        if not is_rule and any(all(REMARKS.standing(words, name) for name in _OUT_OF_STATE) for words in clauses):
            return " ".join(text.split())
    return ""


def is_repeat(text: str) -> bool:
    """Whether a cell repeats what stands above it, by a mark or in words.

    >>> is_repeat("dto."), is_repeat("as above"), is_repeat("same as last year"), is_repeat("-")
    (True, True, False, False)
    """
    words = REMARKS.words(text)
    return (
        bool(words)
        and not REMARKS.outside(words, "span.same")
        or text.strip().casefold() in row_words("ditto_words", str)
    )


_PIECES = re.compile(r"[,;–()]|\.\s|\s-\s")


def alone_in_part(text: str, name: str = "", *, whole: bool = True) -> str:
    """A remark that is, or of which one part is, nothing but a short word for what is wrong; "" for any other.

    name, whole : as in `alone`; in a line that names an outlet figures say nothing ("10:10 P2 oil, shut").

    >>> alone_in_part("brass coupling, shut"), alone_in_part("no oil, water"), alone_in_part("cold, lid shut")
    ('brass coupling, shut', '', '')
    """
    parts = _PIECES.split(text) if not _PERSON.fullmatch(text.strip()) else []
    stop = next((i for i, part in enumerate(parts) if REMARKS.say(part, "no.words")), len(parts))  # "no oil, water"
    told = alone(text, name, whole=whole)
    mended = any(_is_mended(REMARKS.words(part), first=True) or REMARKS.say(part, "general.again") for part in parts)
    pieces = parts[:stop] if len(parts) > 1 and not mended else []
    return told or " ".join(text.split()) * any(alone(piece, name, whole=whole) for piece in pieces)


def _denied(text: str) -> bool:
    """Whether a text takes back at its end what it says: "pass - NOT"."""
    said, mark, last = text.rpartition("-")
    return bool(mark) and REMARKS.say(said, "general.pass") and REMARKS.say(last, "no.words")


def titled(name: str, where: str = FILE) -> str:
    """What the name of a file or sheet says against all that it holds, "" where nothing.

    >>> titled("VOID 2026-03"), titled("Übung"), titled("Training centre, bay 2"), titled("Visit 12 cancelled")
    ('VOID 2026-03', 'Übung', '', 'Visit 12 cancelled')
    """
    rest = [w for w in REMARKS.words(name) if not w.isdigit()]
    whole = any((first, stop) == (0, len(rest)) for first, stop, _ in REMARKS.standing(rest, "alone.title"))
    # A log of what failed is none that failed; a ban stays one.
    of_record = where == FILE and REMARKS.say(name, "alone.record") and not REMARKS.say(name, "against.void")
    return " ".join(name.split()) if whole or not of_record and against(name, where) else ""


@lru_cache(maxsize=50_000)
def smells(text: str) -> str:
    """A remark that speaks of a smell, though another cell is for that; "" where it does not, or says none."""
    spoken = len(text) <= 60 and LOOSE.say(text, "said_of.odour")
    return text if spoken and loose_word("odour", text) in ("slight", "marked") else ""
