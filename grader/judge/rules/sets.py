"""Rule sets: found by name or path, checked, joined with what they extend, and frozen.

Every limit of a rule set that applies to a test is to be judged, and the worst counts. Limits with `judges`
False are for show only.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cache, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from grader.columns import substance_key
from grader.data import load_toml
from grader.judge.rules.entry import SCHEMA, demanded_always, known_parameters
from grader.judge.rules.file import DecisionRule, RuleFile, RuleFileError, Uncertainty, parse
from grader.judge.rules.limit import Limit, NotCovered, compare
from grader.judge.rules.names import (
    UnknownRuleSet,
    compact,
    editions,
    normalise_name,
    parsed_built_in,
    rule_ids,
    unknown,
)
from grader.judge.rules.table import limits_table

if TYPE_CHECKING:
    import numpy as np

__all__ = [
    "DEFAULT_RULESET",
    "DecisionRule",
    "Limit",
    "NotCovered",
    "RuleFileError",
    "RuleSet",
    "Uncertainty",
    "UnknownRuleSet",
    "editions",
    "limits_table",
    "load_ruleset",
    "normalise_name",
    "resolve_edition",
    "rule_ids",
]

DEFAULT_RULESET = "en12021-2014"
WATER_PARAMETERS = ("Water", "Pressure dew point", "Dew point at one atmosphere", "Dew point margin")
_LARGEST_FILE_BYTES = 1_000_000


@dataclass(frozen=True, eq=False)
class RuleSet:
    """One rule set, complete: what it extends is already joined in.

    in_force_from, superseded_from : date or None where not known.
    superseded_by : id of the rule set that took its place, "" where none is held here.
    limits      : tuple of Limit, inherited ones included, those that judge nothing too.
    substances  : limits of what is no parameter, inherited ones included.
    flag        : parameter (or "default") -> chance in percent above which a pass is `near limit`.
    uncertainty : parameter -> Uncertainty, only where the rule set states its own.
    interval_months : int or None where the rule set fixes none.
    own, path   : True and the file for a firm's own rule file.
    why         : what an own file loosens on purpose -> its reason (limits carry theirs themselves).
    sha256      : of the file as stored, in hexadecimal.
    """

    id: str
    document: str
    edition: str
    title: str = ""
    rule_version: str = "1"
    in_force_from: date | None = None
    superseded_from: date | None = None
    superseded_by: str = ""
    extends: str = ""
    family: str = ""
    demanded: tuple[str, ...] = ()
    supplies: tuple[str, ...] = ()
    not_covered: tuple[NotCovered, ...] = ()
    substances: tuple[NotCovered, ...] = ()
    information_only: bool = False
    limits: tuple[Limit, ...] = ()
    interval_months: int | None = None
    interval_basis: str = ""
    decision_rule: DecisionRule = DecisionRule()
    uncertainty: Mapping[str, Uncertainty] = field(default_factory=dict)
    flag: Mapping[str, float] = field(default_factory=dict)
    note: str = ""
    why: Mapping[str, str] = field(default_factory=dict)
    own: bool = False
    path: str = ""
    sha256: str = ""

    def limits_for(self, parameter: str | None = None, supply: str | None = None) -> tuple[Limit, ...]:
        """The limits that judge, of one parameter and one supply (None: of all)."""
        return tuple(
            x
            for x in self.limits
            if x.judges and parameter in (None, x.parameter) and (supply is None or supply in x.supplies)
        )

    def flag_percent(self, parameter: str) -> float:
        """Chance of being over the limit, in percent, above which a pass of it is near the limit."""
        return self.flag.get(parameter, self.flag["default"])

    def gaps(self) -> list[tuple[str, str]]:
        """(parameter, supply) demanded without a limit: such a test stays incomplete."""
        pairs = [(p, s) for p in self.demanded for s in self.supplies]
        return [
            (p, s)
            for p, s in pairs
            if not any(self.limits_for(q, s) for q in (WATER_PARAMETERS if p == "Water" else (p,)))
        ]


def resolve_edition(name: str, dates: np.ndarray, own: Iterable[RuleSet] = ()) -> np.ndarray:
    """The rule set that a name means on each test's date.

    name    : str. An id (then it is that id on every date) or a family, such as "EN 12021".
    dates   : datetime64 array, any length; NaT where the date is not known.
    Returns : object array of that length. Ids; for a family the edition in force on the day (unknown day:
              the newest in force). "" where no edition held here was in force then: such a row is incomplete.
    Raises  : UnknownRuleSet.
    """
    import numpy as np

    from grader.frames import repeated

    known = normalise_name(name, own)
    if known is None:
        raise unknown(name)
    days = np.asarray(dates, dtype="datetime64[D]")
    members = editions(known)
    if not members:
        return repeated(known, days.size).reshape(days.shape)
    out = np.full(days.shape, "", dtype=object)
    undated = np.isnat(days)
    for rule_id in members:
        rules = load_ruleset(rule_id)
        begin = np.datetime64(rules.in_force_from or date.min, "D")
        end = np.datetime64(rules.superseded_from or date.max, "D")
        out[(days >= begin) & (days < end)] = rule_id
        if rules.superseded_from is None:
            out[undated] = rule_id
    return out


# --- loading ---


def load_ruleset(name_or_path: str | Path, own: Iterable[RuleSet] = ()) -> RuleSet:
    """One rule set, by name or by the path of a firm's own .toml file. Cached (a changed file is read again).

    own     : rule sets of the firm already loaded; their ids are names too.
    Raises  : UnknownRuleSet for a name that is none, or that names no edition; RuleFileError for a file with
              mistakes.
    """
    text = str(name_or_path)
    if isinstance(name_or_path, Path) or text.casefold().endswith(".toml"):
        path = Path(name_or_path)
        try:
            status = path.stat()
        except OSError as error:
            raise RuleFileError(
                [f"{path}: cannot be opened ({error.strerror}). Check the path after --rules."]
            ) from error
        return _load_own(path.resolve(), status.st_mtime_ns, status.st_size)
    for rules in own:
        if compact(rules.id) == compact(text):
            return rules
    known = normalise_name(text)
    if known is None:
        raise unknown(text)
    if known not in rule_ids():
        raise UnknownRuleSet(text, list(editions(known)), editions_only=True)
    return _load_built_in(known)


@cache
def _load_built_in(rule_id: str) -> RuleSet:
    parsed, sha256 = parsed_built_in(rule_id)
    base = _load_built_in(parsed.extends) if parsed.extends else None
    return _joined(parsed, base, sha256=sha256)


@lru_cache(maxsize=32)
def _load_own(path: Path, mtime_ns: int, size: int) -> RuleSet:
    if not path.is_file() or size > _LARGEST_FILE_BYTES:
        raise RuleFileError([f"{path.name}: not a rule file (a folder, or over 1 MB). Name a .toml file of limits."])
    try:
        data = path.read_bytes()
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise RuleFileError([f"{path.name}: byte {error.start} is not UTF-8 text. Save the file as UTF-8."]) from error
    except OSError as error:
        raise RuleFileError([f"{path.name}: cannot be read ({error.strerror}). Check the permissions."]) from error
    parsed = parse(text, path.name, own=True, file_date=date.fromtimestamp(mtime_ns / 1e9))
    mistakes = []
    taken = normalise_name(parsed.id)
    if taken:
        mistakes.append(
            f'{path.name}: id = "{parsed.id}": this is the built-in rule set {taken}. Give your own file '
            "a name of its own."
        )
    printed = f"{parsed.document} {parsed.edition}"
    held = next((i for i in rule_ids() if compact(printed) == compact(_printed_name(i))), "")
    if held:
        mistakes.append(
            f'{path.name}: document = "{parsed.document}", edition = "{parsed.edition}": the result would print them as '
            f"those of the built-in rule set {held}. Leave both out, or write the name of your own rule."
        )
    base = None
    if parsed.extends:
        known = normalise_name(parsed.extends)
        if known in rule_ids():
            base = _load_built_in(str(known))
        else:
            hint = ", ".join(editions(known) if known else unknown(parsed.extends).nearest or rule_ids())
            mistakes.append(
                f'{path.name}: extends = "{parsed.extends}": not a built-in rule set with its edition. '
                f"Write one of: {hint}."
            )
    if mistakes:
        raise RuleFileError(mistakes)
    return _joined(parsed, base, own=True, sha256=hashlib.sha256(data).hexdigest(), path=str(path))


def _printed_name(rule_id: str) -> str:
    """What the result prints for a built-in rule set."""
    held = parsed_built_in(rule_id)[0]
    return f"{held.document} {held.edition}"


def _joined(parsed: RuleFile, base: RuleSet | None, *, own: bool = False, sha256: str = "", path: str = "") -> RuleSet:
    """A parsed file and what it extends as one rule set; RuleFileError where an own file loosens unsaid."""
    supplies = parsed.supplies or (base.supplies if base else tuple(load_toml(SCHEMA)["supplies"]))
    demanded = parsed.demanded if parsed.demanded is not None else base.demanded if base else demanded_always()
    limits, mistakes = _merged(base.limits if base else (), parsed, own)
    information_only = (
        bool(base and base.information_only) if parsed.information_only is None else parsed.information_only
    )
    order = list(known_parameters())
    limits = [
        x._replace(supplies=tuple(s for s in supplies if not x.when_supplies or s in x.when_supplies))
        for x in sorted(limits, key=lambda x: order.index(x.parameter))
    ]
    mistakes += [
        f"{parsed.name}: [[limit]] ({x.parameter}), when supply = {', '.join(x.when_supplies)}: this rule "
        f"set is for {', '.join(supplies)} only. Add the supply to supplies at the top, or change it here."
        for x in limits
        if x.origin == parsed.id and not x.supplies
    ]
    if information_only:
        limits = [x._replace(judges=False, why_not=x.why_not or "the rule set is for information only") for x in limits]
    not_covered = {x.substance: x for x in (*(base.not_covered if base else ()), *parsed.not_covered)}
    substances = {substance_key(x.substance): x for x in (*(base.substances if base else ()), *parsed.substances)}
    if own and base:
        mistakes += _less_covered(parsed, base)
    # An own file gets no newer than what it rests on: the day counts on which the first of both was superseded.
    ends = [x.superseded_from for x in (parsed, base if own else None) if x and x.superseded_from]
    superseded_by = parsed.superseded_by or (base.superseded_by if own and base else "")
    ruleset = RuleSet(
        id=parsed.id,
        document=parsed.document,
        edition=parsed.edition,
        title=parsed.title or parsed.document,
        rule_version=parsed.rule_version,
        in_force_from=parsed.in_force_from,
        superseded_from=min(ends, default=None),
        superseded_by=superseded_by,
        extends=parsed.extends,
        family=parsed.family,
        demanded=demanded,
        supplies=supplies,
        not_covered=tuple(x for x in not_covered.values() if substance_key(x.substance) not in substances),
        substances=tuple(substances.values()),
        information_only=information_only,
        limits=tuple(x for x in limits if x.supplies),
        interval_months=parsed.interval_months or (base.interval_months if base else None),
        interval_basis=parsed.interval_basis or (base.interval_basis if base and not parsed.interval_months else ""),
        decision_rule=parsed.decision_rule or (base.decision_rule if base else DecisionRule()),
        uncertainty={**(base.uncertainty if base else {}), **parsed.uncertainty},
        flag={**load_toml(SCHEMA)["flag"], **(base.flag if base else {}), **parsed.flag},
        note=parsed.note,
        own=own,
        path=path,
        sha256=sha256,
    )
    if own:
        loosened = _loosened(ruleset, base)
        mistakes += [
            f'{parsed.name}: {text}. Take it back, or give the reason under [why]: {key} = "...".'
            for key, text in loosened.items()
            if key not in parsed.why
        ]
        ruleset = replace(ruleset, why={key: why for key, why in parsed.why.items() if key in loosened})
        if base and base.information_only and not information_only:
            mistakes.append(
                f"{parsed.name}: information_only = false: {base.id} is for information only and cannot "
                "judge. Leave the line out, or extend another rule set."
            )
    if mistakes:
        raise RuleFileError(mistakes)
    return ruleset


def _merged(inherited: tuple[Limit, ...], parsed: RuleFile, own: bool) -> tuple[list[Limit], list[str]]:
    """Inherited limits with the file's own put in their place, and what an own file loosens without a reason.

    A limit from memory replaces nothing, one of common practice only what it is stricter than: neither may
    take a published limit away.
    """
    kept, added, mistakes = list(inherited), [], []
    for number, new in enumerate(parsed.limits, 1):
        if new.confidence == "memory":
            added.append(new._replace(judges=False, why_not="from memory, not seen in a source"))
            continue
        old = [x for x in kept if x.parameter == new.parameter and (new.plain or x.key == new.key)]
        if new.confidence == "common practice":
            old = [x for x in old if x.judges and compare(new, x) == "stricter"]
            if not old:
                added.append(new._replace(judges=False, why_not="common practice, not stricter than a published limit"))
                continue
        for x in old:
            verdict = compare(new, x) if x.judges else "same"
            if own and verdict in ("looser", "different") and not new.why:
                problem = "is looser than" if verdict == "looser" else "cannot be set against"
                mistakes.append(
                    f"{parsed.name}: [[limit]] {number} ({new.parameter}): {new.text} {problem} "
                    f"{x.text} ({x.condition}) of {x.origin}. Tighten it, or give the reason in the "
                    'limit: why = "...".'
                )
        kept = [x for x in kept if x not in old]
        shown = "; ".join(f"{x.text} ({x.condition}) of {x.origin}" for x in old if x.judges)
        added.append(new._replace(replaces=shown))
    return kept + added, mistakes


def _less_covered(parsed: RuleFile, base: RuleSet) -> list[str]:
    """Substances without a column that an own file names again with less than what it extends says of them."""
    named_before = {substance_key(x.substance): x for x in base.not_covered}
    again = [
        (x, named_before[substance_key(x.substance)])
        for x in (*parsed.not_covered, *parsed.substances)
        if substance_key(x.substance) in named_before
    ]
    tables = {True: "[[substance]]", False: "[[not_covered]]"}
    return [
        f"{parsed.name}: {tables[new in parsed.substances]} ({new.substance}): {new.text or 'no figure'} is not "
        f"stricter than {old.text} of {base.id}. Leave it out, or state a stricter figure in the same unit."
        for new, old in again
        if old.text and not _stricter_or_same(new, old)
    ]


def _stricter_or_same(new: NotCovered, old: NotCovered) -> bool:
    if new.unit != old.unit:
        return False
    high = old.high is None or (new.high is not None and new.high <= old.high)
    return high and (old.low is None or (new.low is not None and new.low >= old.low))


def _loosened(ruleset: RuleSet, base: RuleSet | None) -> dict[str, str]:
    """key -> text of every way, limits apart, in which an own rule set asks less than what it rests on."""
    found = {}
    dropped = [p for p in (base.demanded if base else demanded_always()) if p not in ruleset.demanded]
    if dropped:
        found["demanded"] = f"demanded leaves out {', '.join(dropped)}"
    smaller, nearer = [], []
    usual = load_toml(SCHEMA)["flag"]
    for name, entry in known_parameters().items():
        new = ruleset.uncertainty.get(name)
        old = base.uncertainty.get(name) if base else None
        old = old or Uncertainty(entry.get("u_abs", 0.0), 100.0 * entry.get("u_rel", 0.0))
        if new and (new.absolute < old.absolute or new.relative_percent < old.relative_percent):
            smaller.append(f"{name} ({old.absolute:g} and {old.relative_percent:g} %)")
        before = base.flag_percent(name) if base else usual.get(name, usual["default"])
        if entry["direction"] != "words" and ruleset.flag_percent(name) > before:
            nearer.append(f"{name} ({before:g} %)")
    if smaller:
        found["uncertainty"] = f"[uncertainty] is smaller than before for {', '.join(smaller)}"
    if nearer:
        found["flag"] = f"[flag] is higher than before for {', '.join(nearer)}"
    if base is None:
        return found
    wider = [s for s in ruleset.supplies if s not in base.supplies]
    if wider:
        found["supplies"] = f"supplies adds {', '.join(wider)}, which {base.id} is not for"
    months = ruleset.interval_months, base.interval_months
    if months[0] and months[1] and months[0] > months[1]:
        found["interval_months"] = f"interval_months = {months[0]} is longer than the {months[1]} of {base.id}"
    bands = ruleset.decision_rule.guard_band, base.decision_rule.guard_band
    if bands[0] < bands[1]:
        found["decision_rule"] = f"the guard band {bands[0]:g} is smaller than the {bands[1]:g} of {base.id}"
    return found
