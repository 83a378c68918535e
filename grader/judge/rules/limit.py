"""Limit, one line of a rule set, and NotCovered, what a rule set limits and no column holds."""

from __future__ import annotations

from typing import NamedTuple

from grader.words import DEFAULT_LANGUAGE, words

_SUPPLIES_IN_ORDER = ("airline", "charging compressor", "cylinder")


def number_text(value: float) -> str:
    """A number as it is printed in a limit: up to ten digits, no trailing zeros.

    >>> number_text(5.0), number_text(-11.0), number_text(0.5)
    ('5', '-11', '0.5')
    """
    return f"{value:.10g}"


def _joined(parts: tuple[str, ...], say: dict[str, str]) -> str:
    return parts[0] if len(parts) == 1 else say["and"].format(first=", ".join(parts[:-1]), last=parts[-1])


class Limit(NamedTuple):
    """One limit, in the unit it is judged in and as it was stated.

    parameter   : str. A name of data/parameters.toml.
    kind        : "max", "min", "range", "margin" or "words".
    low, high   : float or None. Lower and upper limit in `unit`; a reading equal to either meets it. A margin
                  has only `low`: the least number of kelvin below the reference temperature.
    unit        : str. The unit of the parameter: %, ppm, mg/m³, °C, K, L/min, bar; "" for words.
    stated_low, stated_high, stated_unit : the same as the rule file states them (-50 °F, 24 ppm of water).
    allowed, near : tuple of str. Words that pass, and that are near the limit; every other word fails.
    at          : "content", "line", "1 atm" or "". Where a water figure holds.
    reference   : "lowest use", "ambient" or "". What a margin is counted from.
    supplies    : tuple of str. Supplies it applies to, never empty.
    over_bar, to_bar : float or None. Gauge pressure band; over_bar itself is outside, to_bar itself inside.
    temperature : "known", "unknown" or "" (either): whether the lowest use temperature is.
    when_supplies : tuple of str. Supplies as the condition names them; empty where it names none.
    judges      : bool. False: for show only, and why_not says why.
    origin      : str. Id of the rule set that states it (an inherited limit keeps its own).
    why         : str. A firm's reason for a limit looser than the one it replaces.
    replaces    : str. The limit it took the place of.
    """

    parameter: str
    kind: str
    low: float | None = None
    high: float | None = None
    unit: str = ""
    stated_low: float | None = None
    stated_high: float | None = None
    stated_unit: str = ""
    allowed: tuple[str, ...] = ()
    near: tuple[str, ...] = ()
    at: str = ""
    reference: str = ""
    supplies: tuple[str, ...] = ()
    over_bar: float | None = None
    to_bar: float | None = None
    temperature: str = ""
    when_supplies: tuple[str, ...] = ()
    purity_class: str = ""
    clause: str = ""
    confidence: str = ""
    basis: str = ""
    note: str = ""
    why: str = ""
    replaces: str = ""
    document: str = ""
    edition: str = ""
    origin: str = ""
    judges: bool = True
    why_not: str = ""

    @property
    def key(self) -> tuple[tuple[str, ...], float | None, float | None, str, str]:
        """The condition, for telling whether two limits of a parameter have the same one."""
        return (self.when_supplies, self.over_bar, self.to_bar, self.temperature, self.purity_class)

    @property
    def plain(self) -> bool:
        """True where the limit has no condition at all."""
        return self.key == ((), None, None, "", "")

    @property
    def condition(self) -> str:
        """The condition in words.

        >>> Limit("Water", "max", supplies=("cylinder",), over_bar=40.0, to_bar=200.0).condition
        'cylinder, above 40 bar up to 200 bar'
        """
        return self.condition_in(DEFAULT_LANGUAGE)

    def condition_in(self, language: str) -> str:
        """The condition in words of a language; supplies keep their names, as they are picked in the blank."""
        say: dict[str, str] = words(language)["limit"]
        whole = set(self.supplies) == set(_SUPPLIES_IN_ORDER)
        parts = [say["all_supplies"] if whole else _joined(self.supplies, say)] if self.supplies else []
        bars = {n: number_text(v) for n, v in (("over", self.over_bar), ("to", self.to_bar)) if v is not None}
        if bars:
            parts.append(say["_".join(bars)].format(**bars))
        if self.temperature:
            parts.append(say["use_known" if self.temperature == "known" else "use_not_known"])
        if self.purity_class:
            parts.append(self.purity_class)
        return ", ".join(parts)

    @property
    def text(self) -> str:
        """The limit in words, with the unit it was stated in, and the judged figure where that differs.

        >>> Limit("Carbon monoxide", "max", high=5.0, unit="ppm", stated_high=5.0, stated_unit="ppm").text
        'at most 5 ppm'
        """
        return self.text_in(DEFAULT_LANGUAGE)

    def text_in(self, language: str) -> str:
        """The limit in words of a language; words of the log (none, slight) stay as they are picked."""
        say: dict[str, str] = words(language)["limit"]
        if self.kind == "words":
            parts = []
            if self.allowed:
                parts.append(
                    say["passes" if len(self.allowed) == 1 else "pass"].format(words=_joined(self.allowed, say))
                )
            if self.near:
                parts.append(say["near"].format(words=_joined(self.near, say)))
            return "; ".join([*parts, say["else_fails"]])
        low, high = self._figure(self.stated_low, self.low), self._figure(self.stated_high, self.high)
        if self.kind == "margin":
            below = say["below_ambient" if self.reference == "ambient" else "below_use"].format(low=low)
            return below + (say["tail_one"] if self.at == "1 atm" else "")
        if self.low is not None and self.high is not None:
            return say["range"].format(low=low.removesuffix(f" {self.stated_unit}"), high=high)
        if self.low is not None:
            return say["at_least"].format(low=low)
        kind = {"line": "not_above_line", "1 atm": "not_above_one"}.get(self.at, "at_most")
        return say[kind].format(high=high)

    def _figure(self, stated: float | None, judged: float | None) -> str:
        if stated is None or judged is None:
            return ""
        text = f"{number_text(stated)} {self.stated_unit}"
        if abs(stated - judged) > 1e-9 * max(abs(stated), abs(judged)):
            text += f" ({judged:.2f} {self.unit})"
        return text


class NotCovered(NamedTuple):
    """A substance that a rule set limits and that the workbook has no column for."""

    substance: str
    low: float | None = None
    high: float | None = None
    unit: str = ""
    clause: str = ""
    confidence: str = ""
    note: str = ""
    document: str = ""
    edition: str = ""
    origin: str = ""

    def __str__(self) -> str:
        return self.substance

    @property
    def text(self) -> str:
        """Its limit in words; "" where the figure was not seen."""
        low = "" if self.low is None else number_text(self.low)
        high = "" if self.high is None else number_text(self.high)
        if not (low or high):
            return ""
        figure = f"{low} to {high}" if low and high else f"at most {high}" if high else f"at least {low}"
        return f"{figure} {self.unit}".strip()


def compare(new: Limit, old: Limit) -> str:
    """How a limit stands to another of the same parameter: "stricter", "same", "looser" or "different".

    "different" means that they cannot be set against each other: held at another place (line, one atmosphere)
    or counted from another temperature. Stricter at one end and looser at the other is looser.
    """
    if (new.kind == "words") != (old.kind == "words"):
        return "different"
    if new.kind == "words":
        new_rank = dict.fromkeys(new.allowed, 2) | dict.fromkeys(new.near, 1)
        old_rank = dict.fromkeys(old.allowed, 2) | dict.fromkeys(old.near, 1)
        steps = [new_rank.get(w, 0) - old_rank.get(w, 0) for w in {*new_rank, *old_rank}]
        return "looser" if any(s > 0 for s in steps) else "stricter" if any(s < 0 for s in steps) else "same"
    if (new.at, new.reference) != (old.at, old.reference):
        return "different"
    infinite = float("inf")
    rises = [
        _step(infinite if new.high is None else new.high, infinite if old.high is None else old.high),
        -_step(-infinite if new.low is None else new.low, -infinite if old.low is None else old.low),
    ]
    return "looser" if 1 in rises else "stricter" if -1 in rises else "same"


def _step(new: float, old: float) -> int:
    """-1, 0 or 1; equal within the relative tolerance of every comparison here, 1e-9."""
    if new == old or abs(new - old) <= 1e-9 * max(abs(new), abs(old)) < float("inf"):
        return 0
    return 1 if new > old else -1
