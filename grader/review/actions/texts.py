"""Words of the findings: what, by how much, why likely, what next. One text a finding.

Strings are built one by one: open findings are few beside the tests.
"""

from __future__ import annotations

import math

import numpy as np

from grader.columns import COMPUTED, IN_WORDS, PARAMETERS, READ, SAID_OTHERWISE, WATER
from grader.decided import BY_MARGIN_1ATM, DEW_POINTS, WHY_GUARD_BAND, Decided
from grader.figures import fixed, limit_figure, percent, plain
from grader.review.actions.facts import STALE, WHOLE, WHOLE_NAME, FindingFacts

_OF_SUBSTANCES = ("harmful", "substances_over", "substances_untold")
LARGEST_IN_FULL = 1e15  # beyond it a figure is a slip of the keyboard, and its digits say nothing


def amount(value: float, decimals: int, significant: int = 2) -> str:
    """A difference above 0 with so many significant digits at least: a small one never prints as nought.

    >>> amount(4.0, 1), amount(0.0403, 1), amount(35.2, 0), amount(1e-7, 1), amount(0.943, 1, 1), amount(1e308, 1)
    ('4', '0.04', '35', '0.0000001', '0.9', '1e+308')
    """
    if value >= LARGEST_IN_FULL:
        return f"{value:.{significant}g}"
    digits = max(decimals, significant - 1 - math.floor(math.log10(value)))
    shown = f"{value:.{digits}f}"
    return shown.rstrip("0").rstrip(".") if "." in shown else shown


class ActionTexts(FindingFacts):
    """Texts of m findings, from what they rest on."""

    def columns(self) -> dict[str, np.ndarray]:
        """The columns that are made here, by heading: object arrays (m,) of str."""
        makers = {
            "Parameter": self._parameter,
            "Finding": self._finding,
            "Reading": self._reading,
            "Limit": self._limit,
            "Likely causes": self._likely,
            "Next step": self._next,
            "How far": self._far,
            "Where it shows": self._where,
            "Verdict": lambda i: self.verdict[i],
        }
        columns = {}
        for name, make in makers.items():
            columns[name] = np.empty(self.n, dtype=object)
            columns[name][:] = [make(i) for i in range(self.n)]
        return columns

    def order_names(self) -> np.ndarray:
        """The names by which data/causes.toml orders the findings: object (m,)."""
        names = np.empty(self.n, dtype=object)
        names[:] = [
            "Liquid water"
            if self.free[i]
            else "Odour marked"
            if self.key[i] == "odour" and self.odour[i] == "marked"
            else self._cause_name(self.key[i]) or WHOLE_NAME
            for i in range(self.n)
        ]
        return names

    def _parameter(self, i: int) -> str:
        d = self.of(i)
        if d and self.kind[i] in ("fail", "near", "warm", "unsettled") and not self.rests_on_dryness(i):
            return PARAMETERS[d.figure[i]].name
        return self._cause_name(self.key[i]) or WHOLE_NAME

    def _reading(self, i: int) -> str:
        kind = self.kind[i]
        if kind == "awaited":
            return self.say[kind].format(reference=self.reference[i] or "-")
        if kind in ("not_tested", "not_visited", "locked_off", "conflict", *SAID_OTHERWISE, *_OF_SUBSTANCES):
            return self.say[kind]
        if kind in ("no_limit", "no_rule_set"):
            return self.say["rule_named"].format(name=self.rule[i]) if self.rule[i] else self.say["rule_blank"]
        if self.free[i] and self.seen[i]:
            return self.say["liquid_seen"]
        if self.key[i] in IN_WORDS and kind != "unreadable":
            return str(self.odour[i])
        d = self.of(i)
        if d and kind == "doubt" and d.key == WATER and (content := self.printed[WATER](i)):
            return content  # as read, not as the dew point or margin that follows from it
        if d and d.state[i] == READ and not math.isnan(d.lower[i]):
            return d.reading(i)
        raw = str(self.raw[i])
        return self.say["unread"].format(text=raw) if raw else self.say["unread_blank"]

    def _limit(self, i: int) -> str:
        if self.key[i] in IN_WORDS:
            return self.say["odour_limit"]
        if self.free[i] and self.rests_on_dryness(i):
            return self.say["dry_limit"] if self.seen[i] else self.say["line_limit"].format(line=plain(self.line_c[i]))
        d = self.of(i)
        if not d or not (math.isfinite(d.low[i]) or math.isfinite(d.high[i])) or np.isinf([d.low[i], d.high[i]]).any():
            return self.say["no_limit"]
        name = "at_most" if math.isnan(d.low[i]) else "at_least" if math.isnan(d.high[i]) else "between"
        # The unit of what is judged, which need not be shown: water is judged by margin even without one.
        low, high, unit = limit_figure(d.low[i]), limit_figure(d.high[i]), PARAMETERS[d.limited[i]].unit
        return self.say[name].format(low=low, high=high, unit=unit)

    def _finding(self, i: int) -> str:
        finding = self._bare_finding(i)
        if self.origin[i]:
            origins = self.w["action_origin"]
            finding += origins["at_intake"].format(reading=self.intake[i], origin=origins[self.origin[i]])
        if self.parts[i]:
            finding += f" ({self.parts[i]})"
        if np.isnat(self.met[i]):
            return finding
        return self.w["action_finding"]["met_since"].format(finding=finding, day=str(self.met[i])[:10])

    def _bare_finding(self, i: int) -> str:
        say, reason, kind, key = self.w["action_finding"], self.w["reason"], self.kind[i], self.key[i]
        if key == WHOLE:
            return say[kind].format(names=self.unlimited[i])
        name, d = self.names[key], self.of(i)
        if kind == "not_tested":
            return say["need_not_tested" if PARAMETERS[key].need else kind].format(name=name)
        if kind == "awaited":
            return say[kind].format(name=name)
        if kind in ("doubt", "band", "unreadable"):
            return reason[kind].format(name=name, why=self.w["doubt"].get(self.doubt[i], ""))
        if d is None:
            failed = reason["odour_marked"] if self.odour[i] == "marked" else say["odour_slight"]
            return say["near_odour"] if kind == "near" else failed
        if kind == "warm":
            return say[kind].format(safe=fixed(self.safe[i], 1, self.colder[i]), colder=plain(self.colder[i]))
        if kind == "unsettled" and d.why[i] != WHY_GUARD_BAND:
            return d.unsettled(i)
        parts = []
        if self.free[i]:
            if self.seen[i]:
                parts.append(reason["liquid_seen"])
            if self.dew_lower[i] > self.line_c[i] or not self.seen[i]:
                dew = self.printed["pressure_dew_point"](i, self.line_c[i])
                parts.append(reason["dew_above_line"].format(dew=dew, line=f"{plain(self.line_c[i])} °C"))
        if not (self.free[i] and self.rests_on_dryness(i)):
            dew = self.printed[DEW_POINTS[int(d.by[i] == BY_MARGIN_1ATM)]](i)
            parts.append(d.sentence(i, dew, bool(self.use_known[i]), self.against(i)))
        return "; ".join(parts)

    def _far(self, i: int) -> str:
        say = self.w["action_far"]
        if self.kind[i] == "warm":
            return say["colder"].format(by=f"{amount(self.safe[i] - self.colder[i], 1)} K")
        d = self.of(i)
        if self.kind[i] not in ("fail", "near") or d is None:
            return ""
        above = self.dew_lower[i] - self.line_c[i] if self.free[i] else 0.0
        parts = [] if self.rests_on_dryness(i) else [self._gap(i, d)]
        if above > 0:
            parts.append(say["line"].format(by=f"{amount(above, 1, 1)} K"))
        return "; ".join(parts)

    def _gap(self, i: int, d: Decided) -> str:
        """How far the figure lies from the limit that decides."""
        say, low, limit, bound = self.w["action_far"], d.low_side[i], d.limit(i), d.lower[i] != d.upper[i]
        left = d.lower[i] - limit if low else limit - d.upper[i]
        guarded = d.why[i] == WHY_GUARD_BAND
        if self.kind[i] == "near" or guarded:
            how = say["in_guard_band"] if guarded else say["left"]
            far = how.format(by=self._by(d.figure[i], left, limit)) if left > 0 else say["at_limit"]
            if guarded:
                return far
            if not bound and d.chance[i] > 0:
                far = say["chance"].format(far=far, chance=percent(d.chance[i]))
            return "" if bound else far
        gap = limit - d.upper[i] if low else d.lower[i] - limit
        if not gap > 0:
            return say["open_under" if low else "open_over"]
        wrap = "{figure}" if not bound else say["more_than" if d.open[i] else "at_least"]
        by = self._by(d.figure[i], gap, limit, wrap)
        if not low:
            return say["warm" if d.figure[i] in DEW_POINTS else "over"].format(by=by)
        return say["under" if PARAMETERS[self.key[i]].direction == "both" else "short"].format(by=by)

    def _by(self, key: str, gap: float, limit: float, wrap: str = "{figure}") -> str:
        """A difference with its unit, and its share of the limit where that says something."""
        p = PARAMETERS[key]
        figure = wrap.format(figure=amount(gap, p.decimals, 1 if key in COMPUTED else 2))
        if p.unit == "%":
            return self.w["action_far"]["points"].format(figure=figure)
        shown = f"{figure} {'K' if key in DEW_POINTS else p.unit}"
        if key in (*DEW_POINTS, "margin") or limit == 0:
            return shown
        share_pct = 100 * (float(gap) / abs(float(limit)))
        return f"{shown} ({amount(share_pct, 0)} %)" if share_pct < LARGEST_IN_FULL else shown

    def _where(self, i: int) -> str:
        reach = self.reach[i]
        if not reach:
            return ""
        if reach == "site" and self._cause_name(self.key[i]) in self.data["from_intake"]:
            reach = "site_air"
        if reach == "only" and self.supply[i] == "cylinder":
            reach = "only_cylinder"
        tested = self.counts["site_tested" if reach in ("site", "site_air") else "tested"][i]
        return self.w["action_where"][reach].format(
            bad=self.counts["bad"][i], tested=tested, systems=self.counts["systems"][i], system=self._system(i)
        )

    def _system(self, i: int) -> str:
        return self.w["action_where"]["named" if self.system[i] else "unnamed"].format(system=self.system[i])

    def _list(self, i: int) -> dict[str, list[str]]:
        return self.causes[self._cause_name(self.key[i]), self.side[i], self.supply[i], self.dryer[i]]

    def _fitting(self, i: int, what: str) -> list[str]:
        """The causes ("likely") or steps ("check") of a finding, less those that its test rules out."""
        out = self.data["only_where_not_stated"] if self.use_stated[i] else ()
        fitting = [c for c in self._list(i)[what] if c not in out]
        if what != "check" or not self.origin[i]:
            return fitting
        # At the intake it was measured already.
        instead = self.data["origin"][self.origin[i]]["instead"]
        kept = [c for c in fitting if c not in self.data["at_intake"]]
        return [*instead, *kept]

    def _likely(self, i: int) -> str:
        if self.kind[i] == "doubt":
            codes = self.data["doubt_causes"][self.doubt[i]]
        elif self.kind[i] in self.data["kind_causes"]:
            codes = self.data["kind_causes"][self.kind[i]]
        else:
            told = self.data["origin"].get(self.origin[i], {}).get("first", ())
            first = told or {"only": ("point",), "system": ("plant",), "site": ("intake", "test")}.get(
                self.reach[i], ()
            )
            if self.reach[i] == "site" and self._cause_name(self.key[i]) not in self.data["from_intake"]:
                first = ()
            codes = sorted(self._fitting(i, "likely"), key=lambda c: self.level.get(c) not in first)
            if self.kind[i] == "fail" and self.doubt[i] in STALE:
                codes = [*codes, f"{self.doubt[i]}_used"]
        return self.say["causes_join"].join(self.w["action_cause"][c] for c in codes)

    def _next(self, i: int) -> str:
        kind, say = self.kind[i], self.steps
        locked = self.status[i] == "locked off"
        if kind in ("near", "warm"):
            check = [c for c in self._fitting(i, "check") if c not in self.data["only_where_failed"]]
            return " ".join([*(say[c] for c in check), say["sooner"]])
        if kind != "fail":
            todo = self.w["action_todo"]
            return " ".join(
                [
                    say["keep_locked" if locked else "keep_out"],
                    todo[self.doubt[i] if kind == "doubt" else kind],
                    say["cleared_incomplete"],
                ]
            )
        intake = self.reach[i] == "site" and self._cause_name(self.key[i]) in self.data["from_intake"]
        safety = (
            "keep_locked"
            if locked
            else "out_of_use_site"
            if intake
            else "out_of_use_system"
            if self.reach[i] == "system"
            else "out_of_use"
        )
        checks = [say[c] for c in self._fitting(i, "check")]
        middle = [say["whole_retest"]] if not np.isnat(self.met[i]) else checks
        return " ".join([say[safety].format(system=self._system(i)), *middle, say["cleared"]])
