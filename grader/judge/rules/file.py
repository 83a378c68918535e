"""One rule file (TOML) -> RuleFile, checked key by key. All mistakes are collected, each with what to do."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, NamedTuple

from grader.columns import substance_key
from grader.judge.rules.check import is_number
from grader.judge.rules.entry import LimitReader, known_parameters
from grader.judge.rules.limit import Limit, NotCovered
from grader.problems import GraderError

LOOSENED_KEYS = ("demanded", "supplies", "uncertainty", "flag", "interval_months", "decision_rule")

_TOP_KEYS = tuple(
    "id family aliases document title edition rule_version in_force_from superseded_from superseded_by "
    "extends demanded supplies not_covered information_only interval_months interval_basis decision_rule "
    "uncertainty flag note why limit substance".split()
)
_SUBSTANCE_KEYS = ("name", "max", "unit", "clause", "confidence", "note")
_SUBSTANCE_UNITS = ("ppm", "ppb", "mg/m³", "µg/m³", "%")
_NOT_COVERED_KEYS = ("substance", "min", "max", "unit", "clause", "confidence", "note")


class RuleFileError(GraderError):
    """A rule file with mistakes. `messages`: list of str, one line a mistake, in the order of the file."""

    def __init__(self, messages: Sequence[str]):
        self.messages = list(messages)
        super().__init__("\n".join(self.messages))


class DecisionRule(NamedTuple):
    """name: "simple acceptance" or "guarded acceptance". guard_band: multiple of the expanded uncertainty."""

    name: str = "simple acceptance"
    guard_band: float = 0.0


class Uncertainty(NamedTuple):
    """Standard uncertainty of a parameter: the larger of `absolute` (its unit) and `relative_percent`."""

    absolute: float = 0.0
    relative_percent: float = 0.0


@dataclass
class RuleFile:
    """What one file says itself, before what it extends is added. None: the file does not say."""

    name: str
    id: str = ""
    family: str = ""
    aliases: tuple[str, ...] = ()
    document: str = ""
    title: str = ""
    edition: str = ""
    rule_version: str = "1"
    in_force_from: date | None = None
    superseded_from: date | None = None
    superseded_by: str = ""
    extends: str = ""
    demanded: tuple[str, ...] | None = None
    supplies: tuple[str, ...] | None = None
    information_only: bool | None = None
    interval_months: int | None = None
    interval_basis: str = ""
    decision_rule: DecisionRule | None = None
    uncertainty: dict[str, Uncertainty] = field(default_factory=dict)
    flag: dict[str, float] = field(default_factory=dict)
    note: str = ""
    why: dict[str, str] = field(default_factory=dict)
    not_covered: list[NotCovered] = field(default_factory=list)
    substances: list[NotCovered] = field(default_factory=list)
    limits: list[Limit] = field(default_factory=list)


def parse(text: str, name: str, *, own: bool = False, file_date: date | None = None) -> RuleFile:
    """Read and check one rule file.

    text      : str. The TOML.
    name      : str. File name, for the messages.
    own       : bool. True for a firm's own file: document, edition and confidence have defaults.
    file_date : date. Stands for the edition of an own file that states none.
    Returns   : RuleFile.
    Raises    : RuleFileError with every mistake found.
    """
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RuleFileError(
            [
                f"{name}: not valid TOML: {error}. Mend that line; text stands in straight quotes, "
                "numbers have a decimal point, and no key stands twice."
            ]
        ) from error
    except (ValueError, RecursionError) as error:
        # What the TOML reader itself cannot hold: a number of thousands of digits, brackets thousands deep.
        raise RuleFileError(
            [
                f"{name}: not a rule file: a number is too long or brackets stand too deep. Mend it, or name another file."
            ]
        ) from error
    reader = _Reader(name, own, file_date)
    rule_file = reader.top(raw)
    if reader.messages:
        raise RuleFileError(reader.messages)
    return rule_file


class _Reader(LimitReader):
    """Checks one file; every mistake becomes one line of `messages`."""

    def __init__(self, name: str, own: bool, file_date: date | None):
        super().__init__(name, own)
        self.file_date = file_date

    def day(self, table: Mapping[str, Any], key: str) -> date | None:
        value = table.get(key)
        if value is None or (isinstance(value, date) and not isinstance(value, datetime)):
            return value
        self.say("", key, value, "not a date", f"Write {key} = 2024-01-31, without quotes and without a time.")
        return None

    def top(self, raw: Mapping[str, Any]) -> RuleFile:
        self.keys("", raw, _TOP_KEYS)
        rule_file = RuleFile(self.name)
        for key in (
            "id",
            "family",
            "document",
            "title",
            "rule_version",
            "superseded_by",
            "extends",
            "interval_basis",
            "note",
        ):
            setattr(rule_file, key, self.string("", raw, key, getattr(rule_file, key)))
        edition = raw.get("edition", "")
        rule_file.edition = (
            edition.isoformat()
            if isinstance(edition, date)
            else str(edition)
            if is_number(edition)
            else self.string("", raw, "edition")
        )
        if "id" not in raw:
            self.missing("", "id", 'Give the rule set a name of its own, for example id = "our-site-2024".')
        elif rule_file.id and not re.fullmatch(r"[a-z0-9]+([.-][a-z0-9]+)*", rule_file.id):
            self.say("", "id", rule_file.id, "not a plain name", "Use small letters, figures, dots and dashes only.")
        if self.own:
            for key in ("family", "aliases"):
                if key in raw:
                    self.say(
                        "",
                        key,
                        raw[key],
                        "names built-in rule sets only",
                        "Leave it out; rows name your file by its id.",
                    )
            rule_file.document = rule_file.document or "own rule"
            rule_file.edition = rule_file.edition or (self.file_date.isoformat() if self.file_date else "not stated")
        for key in ("document", "edition"):
            if not getattr(rule_file, key) and key not in raw:
                self.missing("", key, f'Write {key} = "...".')
        for key in ("in_force_from", "superseded_from"):
            setattr(rule_file, key, self.day(raw, key))
        if (
            rule_file.in_force_from
            and rule_file.superseded_from
            and rule_file.superseded_from <= rule_file.in_force_from
        ):
            self.say(
                "", "superseded_from", rule_file.superseded_from, "not after in_force_from", "Correct one of the two."
            )
        parameters = known_parameters()
        judged = [n for n, entry in parameters.items() if "verdict_from" not in entry]
        if "aliases" in raw:
            if isinstance(raw["aliases"], list) and all(isinstance(a, str) and a.strip() for a in raw["aliases"]):
                rule_file.aliases = tuple(raw["aliases"])
            else:
                self.say("", "aliases", raw["aliases"], "not a list of texts", 'Write aliases = ["other name"].')
        if "demanded" in raw:
            rule_file.demanded = self.words("", "demanded", raw["demanded"], judged)
        if "supplies" in raw:
            rule_file.supplies = self.words("", "supplies", raw["supplies"], self.schema["supplies"])
            if raw["supplies"] == []:
                self.say("", "supplies", [], "names no supply", f"Choose from: {', '.join(self.schema['supplies'])}.")
        if "information_only" in raw:
            if isinstance(raw["information_only"], bool):
                rule_file.information_only = raw["information_only"]
            else:
                self.say("", "information_only", raw["information_only"], "not true or false", "Write true or false.")
        self.numbers_of_the_set(raw, rule_file)
        self.not_covered(raw.get("not_covered", []), rule_file)
        self.limits(raw.get("limit", []), rule_file)
        self.substances(raw.get("substance", []), rule_file)
        if not rule_file.limits and not rule_file.extends and not self.messages:
            self.missing("", "[[limit]]", "A rule set that extends none needs at least one limit.")
        return rule_file

    def numbers_of_the_set(self, raw: Mapping[str, Any], rule_file: RuleFile) -> None:
        """interval_months, decision_rule, [flag], [uncertainty], [why]."""
        months = raw.get("interval_months")
        if months is not None:
            if isinstance(months, int) and not isinstance(months, bool) and 1 <= months <= 120:
                rule_file.interval_months = months
            else:
                self.say(
                    "",
                    "interval_months",
                    months,
                    "not a whole number of months from 1 to 120",
                    "Write interval_months = 3.",
                )
        if "decision_rule" in raw:
            rule_file.decision_rule = self.decision_rule(raw["decision_rule"])
        names = list(known_parameters())
        for key, table in self.table(raw, "flag").items():
            if key != "default" and not self.choice("[flag]", "key", key, ["default", *names]):
                continue
            if is_number(table) and 0 < table <= 50:
                rule_file.flag[key] = float(table)
            else:
                self.say("[flag]", key, table, "not a chance in percent above 0 and up to 50", f"Write {key} = 10.")
        for key, table in self.table(raw, "uncertainty").items():
            where = f"[uncertainty] {key}"
            if not self.choice("[uncertainty]", "key", key, names):
                continue
            entry = {"absolute": table} if not isinstance(table, dict) else table
            self.keys(where, entry, ("absolute", "relative_percent"))
            values = {k: self.number(where, entry, k) for k in ("absolute", "relative_percent")}
            for k, value in values.items():
                if value is not None and value < 0:
                    self.say(where, k, value, "below 0", "An uncertainty is 0 or more.")
            rule_file.uncertainty[key] = Uncertainty(values["absolute"] or 0.0, values["relative_percent"] or 0.0)
        whys = self.table(raw, "why")
        self.keys("[why]", whys, LOOSENED_KEYS)
        rule_file.why = {key: self.string("[why]", whys, key) for key in whys if key in LOOSENED_KEYS}

    def decision_rule(self, value: object) -> DecisionRule | None:
        entry = {"rule": value} if isinstance(value, str) else value
        if not isinstance(entry, dict):
            self.say("", "decision_rule", value, "not a text", 'Write decision_rule = "simple acceptance".')
            return None
        where = "decision_rule"
        self.keys(where, entry, ("rule", "guard_band"))
        if not self.choice("", where, entry.get("rule"), self.schema["decision_rules"]):
            return None
        simple = entry["rule"] == "simple acceptance"
        band = self.number(where, entry, "guard_band")
        band = (0.0 if simple else 1.0) if band is None else band
        if band < 0 or simple != (band == 0):
            self.say(
                where,
                "guard_band",
                band,
                f"does not fit {entry['rule']}",
                "It is a multiple of the expanded uncertainty: above 0 for guarded, 0 for simple acceptance.",
            )
        return DecisionRule(entry["rule"], band)

    def not_covered(self, entries: object, rule_file: RuleFile) -> None:
        if not isinstance(entries, list):
            self.say("", "not_covered", entries, "not a list", 'Write not_covered = ["nitrogen dioxide"].')
            return
        for number, entry in enumerate(entries, 1):
            where = f"[[not_covered]] {number}"
            entry = {"substance": entry} if isinstance(entry, str) else entry
            if not isinstance(entry, dict):
                self.say(where, "substance", entry, "not a text", "Write the name of the substance in quotes.")
                continue
            self.keys(where, entry, _NOT_COVERED_KEYS)
            if "substance" not in entry:
                self.missing(where, "substance", "Name the substance.")
            name, low, high = (
                self.string(where, entry, "substance"),
                *(self.number(where, entry, k) for k in ("min", "max")),
            )
            rule_file.not_covered.append(self.uncovered(where, entry, name, low, high, rule_file))

    def uncovered(
        self, where: str, entry: dict[str, Any], name: str, low: float | None, high: float | None, rule_file: RuleFile
    ) -> NotCovered:
        unit, clause, note = (self.string(where, entry, key) for key in ("unit", "clause", "note"))
        confidence = self.confidence(where, entry)
        source = rule_file.document, rule_file.edition, rule_file.id
        return NotCovered(name, low, high, unit, clause, confidence, note, *source)

    def tables(self, key: str, entries: object) -> Iterator[tuple[int, dict[str, Any]]]:
        """The [[key]] of a file, counted from 1; what is none is said."""
        begin = f"Begin every {key} with a line [[{key}]]."
        if not isinstance(entries, list):
            self.say("", key, entries, f"not a list of {key}s", begin)
            return
        for number, entry in enumerate(entries, 1):
            if isinstance(entry, dict):
                yield number, entry
            else:
                self.say("", key, entry, f"not a {key}", begin)

    def substances(self, entries: object, rule_file: RuleFile) -> None:
        """[[substance]]: a limit for what is no parameter of ours, by its name as the log writes it."""
        for number, entry in self.tables("substance", entries):
            where = f"[[substance]] {number}"
            self.keys(where, entry, _SUBSTANCE_KEYS)
            for key in ("name", "max", "unit"):
                if key not in entry:
                    self.missing(where, key, 'Write for example name = "Hydrogen sulphide", max = 1.0, unit = "ppm".')
            high, name = self.number(where, entry, "max"), self.string(where, entry, "name")
            if name and substance_key(name) in {substance_key(p) for p in known_parameters()}:
                self.say(where, "name", name, "a parameter of its own", "Write its limit under [[limit]].")
            if "unit" in entry:
                self.choice(where, "unit", entry["unit"], _SUBSTANCE_UNITS)
            if high is not None and high < 0:
                self.say(where, "max", high, "below 0", "A limit is 0 or more.")
            limits = self.uncovered(where, entry, name, None, high, rule_file)
            if limits.confidence == "memory":
                self.say(
                    where, "confidence", "memory", "never judges", "Leave the substance out, or look its limit up."
                )
            rule_file.substances.append(limits)

    def limits(self, entries: object, rule_file: RuleFile) -> None:
        seen: dict[tuple[Any, ...], int] = {}
        for number, entry in self.tables("limit", entries):
            limit = self.limit(number, entry, rule_file)
            if limit is None:
                continue
            first = seen.setdefault((limit.parameter, limit.key), number)
            if first != number:
                self.say(
                    f"[[limit]] {number}",
                    "parameter",
                    limit.parameter,
                    f"stands already in [[limit]] {first} with the same condition",
                    "Leave one of the two out, or give them different when = { ... }.",
                )
            rule_file.limits.append(limit)
