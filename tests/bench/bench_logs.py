"""How well logs of firms that nobody here has seen are read: `python -m tests.bench.bench_logs [-v] [--keep] [NAME...]`.

Prints the scores of the corpus (tests/read/corpus, graded in one run without a layout file) and of its probes. With
`-v` also what went wrong, log by log, the worst first; a NAME keeps the logs and probes whose name holds it. `--keep`
stores the scores that have got better (tests/read/corpus/scores.toml), so that none may get worse again;
`--anew` stores all as they are, for a corpus that has grown.
"""

from __future__ import annotations

import sys

from tests.read.corpus_logs import Probe, logs, probes
from tests.read.corpus_scores import Outcome, graded, keep, probe_scores, probed, scores


def harm(o: Outcome) -> tuple[int, ...]:
    """The worse a log fared, the greater."""
    passed, to_pass = o.met("pass")
    return (len(o.wrong_passes), len(o.lost), len(o.wrong), len(o.phantoms), to_pass - passed, o.values - o.right)


def details(o: Outcome) -> list[str]:
    """What went wrong in one log, a line each."""
    lines = [f"lost: {t}" for t in o.lost] + [f"phantom: {t}" for t in o.phantoms]
    by_field: dict[tuple[str, str], list[str]] = {}
    for test, name, how, true in o.faults:
        by_field.setdefault((how, name), []).append(f"{test} ({true or 'nothing'})")
    lines += [f"{how}: {name} {len(t)} x, e.g. {t[0]}" for (how, name), t in sorted(by_field.items())]
    return lines + [f"expected {v[1]}, got {v[2]}: {v[0]}" for v in o.verdicts if not o.as_expected(v)]


def probe_line(p: Probe) -> str:
    """A probe that does not do what it must."""
    said = {"no pass": "must not pass", "fail": "must fail", "nothing": "must pass", "aside": "must cost nothing"}[
        p.expect
    ]
    return f"  {p.log.name} {p.heading or '(nothing put in)'} = {p.first}: {said}, got {', '.join(p.verdicts) or 'no test'}"


def main(asked: list[str]) -> None:
    """Grade the corpus and print."""
    names = [a for a in asked if not a.startswith("-")]
    made = graded(log for log in logs() if not names or any(n in log.name for n in names))
    tried = probed(p for p in probes() if not names or any(n in p.log.name for n in names))
    found = (scores(made) if made else {}) | (probe_scores(tried) if tried else {})
    for what, figure in found.items():
        print(f"{what:52} {figure:g}")
    if not names and {"--keep", "--anew"} & set(asked):
        keep(found, anew="--anew" in asked)
    if "-v" not in asked:
        return
    for o in sorted(made, key=harm, reverse=True):
        if any(harm(o)):
            print(f"\n{o.log.name}: {o.right} of {o.values} values, {o.problems} problem lines; {o.log.about}")
            print("\n".join("  " + line for line in details(o)))
    print("\nprobes")
    print("\n".join(probe_line(p) for p in tried if not p.met))


if __name__ == "__main__":
    main(sys.argv[1:])
