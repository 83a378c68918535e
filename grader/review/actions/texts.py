"""Words of the findings: what, by how much, why likely, what next. One text a finding.

Strings are built one by one: open findings are few beside the tests.
"""

from __future__ import annotations

import math

import numpy as np

from grader.columns import PARAMETERS, READ
from grader.figures import bounds, fixed, percent, plain
from grader.review.actions.facts import (
    BY_FREE_WATER,
    BY_MARGIN_1ATM,
    COMPUTED,
    DEW_POINTS,
    FIGURE_OF,
    STALE,
    WHOLE,
    WHOLE_NAME,
    FindingFacts,
)
from grader.words import words

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

    @staticmethod
    def more(count: int, language: str = "en") -> str:
        """What is put behind an outlet's worst finding where it has more; "" for none."""
        return words(language)["action"]["more_findings"].format(n=count) if count else ""

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
        made = {}
        for name, make in makers.items():
            made[name] = np.empty(self.n, dtype=object)
            made[name][:] = [make(i) for i in range(self.n)]
        return made

    def order_names(self) -> np.ndarray:
        """The names by which data/causes.toml orders the findings: object (m,)."""
        made = np.empty(self.n, dtype=object)
        made[:] = [
            "Liquid water"
            if self.free[i]
            else "Odour marked"
            if self.key[i] == "odour" and self.odour[i] == "marked"
            else self._cause_name(self.key[i]) or WHOLE_NAME
            for i in range(self.n)
        ]
        return made

    def _parameter(self, i: int) -> str:
        if self.key[i] == "water" and self.kind[i] in ("fail", "near", "warm", "unsettled"):
            return PARAMETERS["water" if self.by[i] == BY_FREE_WATER else self.figure[i]].name
        return self._cause_name(self.key[i]) or WHOLE_NAME

    def _decimals(self, i: int) -> int | None:
        key = self.figure[i]
        if key in COMPUTED:
            return PARAMETERS[key].decimals
        return PARAMETERS[key].decimals + 1 if key in ("co", "co2", "oil") and self.factor[i] != 1.0 else None

    def _shown(self, i: int) -> str:
        """The reading with its unit, told apart from the limit that decides."""
        p = PARAMETERS[self.figure[i]]
        other = self.low[i] if self.side[i] == "low" or self.figure[i] == "margin" else self.high[i]
        figure = bounds(self.lower[i], self.upper[i], int(self.open[i]), self._decimals(i), p.floor, p.ceiling, other)
        return f"{figure} {p.unit}".rstrip()

    @staticmethod
    def _figure(limit: float) -> str:
        """A limit as stated; one that comes from another unit is rounded."""
        shown = plain(limit)
        return shown if len(shown) <= 6 else fixed(limit, 2)

    def _reading(self, i: int) -> str:
        kind = self.kind[i]
        if kind in ("not_tested", "not_visited", "locked_off", "conflict"):
            return self.say[kind]
        if kind in ("no_limit", "no_rule_set"):
            return self.say["rule_named"].format(name=self.rule[i]) if self.rule[i] else self.say["rule_blank"]
        if self.free[i] and self.seen[i]:
            return self.say["liquid_seen"]
        if self.key[i] == "odour" and kind != "unreadable":
            return str(self.odour[i])
        if not self.figure[i] or self.state[i] != READ or math.isnan(self.lower[i]):
            raw = str(self.raw[i])
            return self.say["unread"].format(text=raw) if raw else self.say["unread_blank"]
        return self._shown(i)

    def _limit(self, i: int) -> str:
        if self.key[i] == "odour":
            return self.say["odour_limit"]
        if self.free[i] and self.by[i] == BY_FREE_WATER:
            return self.say["dry_limit"] if self.seen[i] else self.say["line_limit"].format(line=plain(self.line_c[i]))
        low, high = self.low[i], self.high[i]
        # The unit of what is judged, which need not be shown: water is judged by margin even without one.
        unit = (
            PARAMETERS[FIGURE_OF.get(int(self.by[i]), "water") if self.key[i] == "water" else self.key[i]].unit
            if self.key[i]
            else ""
        )
        name = (
            "no_limit"
            if math.isnan(low) and math.isnan(high)
            else "at_most"
            if math.isnan(low)
            else "at_least"
            if math.isnan(high)
            else "between"
        )
        if math.isinf(low) or math.isinf(high):
            name = "no_limit"
        return self.say[name].format(low=self._figure(low), high=self._figure(high), unit=unit)

    def _finding(self, i: int) -> str:
        finding = self._bare_finding(i)
        if np.isnat(self.met[i]):
            return finding
        return self.w["action_finding"]["met_since"].format(finding=finding, day=str(self.met[i])[:10])

    def _bare_finding(self, i: int) -> str:
        say, kind, key = self.w["action_finding"], self.kind[i], self.key[i]
        if key == WHOLE:
            return say[kind].format(names=self.unlimited[i])
        name = self.names[key]
        if kind == "not_tested":
            return say["need_not_tested" if key in ("flow", "pressure") else kind].format(name=name)
        if kind == "doubt":
            return say[kind].format(name=name, why=self.w["doubt"][self.doubt[i]])
        if kind == "unreadable":
            return say[kind].format(name=name)
        if key == "odour":
            return say["near_odour" if kind == "near" else f"odour_{self.odour[i]}"]
        if kind == "warm":
            return say[kind].format(safe=fixed(self.safe[i], 1, self.colder[i]), colder=plain(self.colder[i]))
        if kind == "unsettled" and self.guarded[i]:
            kind = "unsettled_guard_band"
        if kind in ("near", "unsettled", "unsettled_guard_band", "band"):
            return say[kind].format(name=self.names[self.figure[i]], reading=self._reading(i))
        return self._fail(i)

    def _fail(self, i: int) -> str:
        say, key, figure = self.w["action_finding"], self.key[i], self.figure[i]
        parts = []
        if self.free[i]:
            above = self.dew_lower[i] > self.line_c[i]
            if self.seen[i]:
                parts.append(say["liquid_seen"])
            if above or not self.seen[i]:
                parts.append(
                    say["dew_above_line"].format(
                        dew=f"{fixed(self.dew_lower[i], 1, self.line_c[i])} °C", line=plain(self.line_c[i])
                    )
                )
        if self.by[i] != BY_FREE_WATER or not self.free[i]:
            low = self.side[i] == "low" or figure == "margin"
            limit = self.low[i] if low else self.high[i]
            template = {"pressure": "pressure_over"}.get(key, "dew_over" if figure in DEW_POINTS else "over")
            if low:
                template = "need" if key in ("flow", "pressure") else "under"
            said = {
                "name": self.names[figure],
                "reading": self._shown(i),
                "limit": self._figure(limit),
                "unit": PARAMETERS[figure].unit,
                "dew": "",
            }
            if self.guarded[i]:
                template = "in_guard_band"
            elif figure == "margin":
                one = self.by[i] == BY_MARGIN_1ATM
                template = "margin_one_short" if one else "margin_short"
                said["dew"] = self.dews[1 if one else 0][i]
            parts.append(say[template].format(**said))
        return "; ".join(parts)

    def _far(self, i: int) -> str:
        say = self.w["action_far"]
        if self.kind[i] == "warm":
            return say["colder"].format(by=f"{amount(self.safe[i] - self.colder[i], 1)} K")
        if self.kind[i] not in ("fail", "near") or self.key[i] == "odour":
            return ""
        above = self.dew_lower[i] - self.line_c[i] if self.free[i] else 0.0
        parts = [self._gap(i)] if self.figure[i] and self.by[i] != BY_FREE_WATER else []
        if above > 0:
            parts.append(say["line"].format(by=f"{amount(above, 1, 1)} K"))
        return "; ".join(parts)

    def _gap(self, i: int) -> str:
        """How far the figure lies from the limit that decides."""
        say = self.w["action_far"]
        low = self.side[i] == "low" or self.figure[i] == "margin"
        limit, bound = self.low[i] if low else self.high[i], self.lower[i] != self.upper[i]
        if self.kind[i] == "near":
            gap = self.lower[i] - limit if low else limit - self.upper[i]
            left = say["left"].format(by=self._by(i, gap, limit)) if gap > 0 else say["at_limit"]
            if not bound and self.chance[i] > 0:
                left = say["chance"].format(far=left, chance=percent(self.chance[i]))
            return "" if bound else left
        if self.guarded[i]:
            gap = self.lower[i] - limit if low else limit - self.upper[i]
            return say["in_guard_band"].format(by=self._by(i, gap, limit)) if gap > 0 else say["at_limit"]
        gap = limit - self.upper[i] if low else self.lower[i] - limit
        if not gap > 0:
            return say["open_under" if low else "open_over"]
        wrap = "{figure}" if not bound else say["more_than" if self.open[i] else "at_least"]
        by = self._by(i, gap, limit, wrap)
        if not low:
            return say["warm" if self.figure[i] in DEW_POINTS else "over"].format(by=by)
        return say["under" if self.key[i] == "oxygen" else "short"].format(by=by)

    def _by(self, i: int, gap: float, limit: float, wrap: str = "{figure}") -> str:
        """A difference with its unit, and its share of the limit where that says something."""
        key, p = self.figure[i], PARAMETERS[self.figure[i]]
        figure = wrap.format(figure=amount(gap, p.decimals, 1 if key in COMPUTED else 2))
        if key == "oxygen":
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
        return [c for c in self._list(i)[what] if c not in out]

    def _likely(self, i: int) -> str:
        if self.kind[i] == "doubt":
            codes = self.data["doubt_causes"][self.doubt[i]]
        elif self.kind[i] in self.data["kind_causes"]:
            codes = self.data["kind_causes"][self.kind[i]]
        else:
            first = {"only": ("point",), "system": ("plant",), "site": ("intake", "test")}.get(self.reach[i], ())
            if self.reach[i] == "site" and self._cause_name(self.key[i]) not in self.data["from_intake"]:
                first = ()
            codes = sorted(self._fitting(i, "likely"), key=lambda c: self.level[c] not in first)
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
        middle = [say["whole_retest"]] if not np.isnat(self.met[i]) else [say[c] for c in self._fitting(i, "check")]
        return " ".join([say[safety].format(system=self._system(i)), *middle, say["cleared"]])
